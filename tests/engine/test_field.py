"""What a plan asks of every vertex: which move, which do not, from which surface."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rectify.engine.field import ask, local_step
from rectify.engine.places import places_of
from rectify.errors import Faults, RulesError
from rectify.limb.spot import Spot
from rectify.rulebook.plan import Oval
from tests import made
from tests.made import build_up, overall, plan, reduction

AT = Spot(60.0, 0.0)


def test_places_are_the_charts(transtibial_limb):
    places = places_of(transtibial_limb)
    chart, v = transtibial_limb.chart, transtibial_limb.mesh.vertices
    assert np.array_equal(places.stations, chart.locate(v)[0]) and np.array_equal(places.angles, chart.locate(v)[1])
    assert np.linalg.norm(places.normals, axis=1) == pytest.approx(1.0, abs=1e-12)


def test_without_rows_and_end_the_reduced_surface_is_the_capture_to_the_bit(capsule_limb):
    asked = ask(capsule_limb, plan(build_up("a", 4.0, AT)))
    assert asked.base.tobytes() == capsule_limb.mesh.vertices.tobytes()
    assert asked.overall is None
    assert np.array_equal(asked.normals, places_of(capsule_limb).normals)


def test_a_step_is_the_amount_along_the_normal_in_the_core_and_nothing_outside(capsule_limb):
    asked = ask(capsule_limb, plan(build_up("a", 4.0, AT, Oval(30.0, 30.0), 12.0)))
    core, outside = asked.weight[0] == 1.0, asked.weight[0] == 0.0
    assert core.sum() > 50 and outside.sum() > 1000
    assert asked.step[core] == pytest.approx(4.0 * asked.normals[core], abs=1e-12)
    assert (asked.step[outside] == 0.0).all()
    inward = ask(capsule_limb, plan(reduction("a", 4.0, AT, Oval(54.0, 54.0), 12.0)))
    assert np.einsum("ij,ij->i", inward.step, inward.normals).min() == pytest.approx(-4.0, abs=1e-12)


def test_a_region_measured_from_the_capture_ends_there_whatever_the_reduction_did():
    # by hand: the reduced surface lies 1.5 mm inside and 0.4 mm aside; at full weight the place is undone and redone
    normal = np.array([[0.0, 1.0, 0.0]])
    shift = np.array([[0.4, -1.5, 0.0]])
    reduced_normal = np.array([[0.6, 0.8, 0.0]])
    for action, mm, sign in ((build_up, 4.0, 1.0), (reduction, 3.0, -1.0)):
        region = action("a", mm, AT, measured_from="capture")
        step = local_step((region,), np.ones((1, 1)), shift, normal, reduced_normal)
        assert shift + step == pytest.approx(sign * mm * normal)
        half = local_step((region,), np.full((1, 1), 0.5), shift, normal, reduced_normal)
        assert shift + half == pytest.approx(0.5 * shift + 0.5 * sign * mm * normal)  # laid in by weight
        other = local_step((action("a", mm, AT),), np.ones((1, 1)), shift, normal, reduced_normal)
        assert other == pytest.approx(sign * mm * reduced_normal)


def test_the_core_is_free_of_regions_of_equal_or_higher_rank(capsule_limb):
    regions = (
        reduction("in", 3.0, AT, Oval(50.0, 70.0), 14.0),
        build_up("out", 3.0, Spot(60.0, 20.0), Oval(24.0, 20.0), 10.0),
        reduction("beside", 2.0, Spot(60.0, -40.0), Oval(40.0, 30.0), 12.0),
    )
    whole = plan(*regions)
    asked = ask(capsule_limb, whole)
    w = asked.weight
    assert np.array_equal(asked.core(0, whole), (w[0] == 1) & (w[1] == 0) & (w[2] == 0))
    assert np.array_equal(asked.core(1, whole), w[1] == 1)  # a build-up outranks reductions
    assert asked.core(0, whole).any() and (w[0] == 1).sum() > asked.core(0, whole).sum()


def test_every_region_that_cannot_be_carried_is_told_at_once(transfemoral_limb):
    top = transfemoral_limb.chart.top_mm
    with pytest.raises(Faults) as error:
        ask(
            transfemoral_limb,
            plan(
                reduction("narrow", 3.0, AT, Oval(8.0, 40.0), 4.0),  # 5 mm edges want 10 mm
                build_up("above", 3.0, Spot(top + 5.0, -92.0), Oval(30.0, 30.0), 10.0),  # the groin: no skin so high
                build_up("good", 3.0, AT, Oval(30.0, 30.0), 10.0),
            ),
        )
    faults = {fault.key: fault for fault in error.value.errors}
    assert set(faults) == {"regions.narrow.shape", "regions.above"}
    assert all(isinstance(fault, RulesError) for fault in faults.values())
    assert "nothing was captured" in str(faults["regions.above"])
    assert "capture more of the limb" in faults["regions.above"].hint


def test_a_core_without_a_vertex_names_the_mesh_size():
    # a core of 3 mm on a mesh that has no vertex there: the middle of a face of a coarse scan
    coarse = made.capsule_limb(edge_mm=9.0)
    corners = coarse.mesh.vertices[coarse.mesh.faces]
    face = corners[int(np.argmin(np.linalg.norm(corners.mean(axis=1) - [0.0, 50.0, -60.0], axis=1)))]
    s, a = coarse.chart.locate(face.mean(axis=0)[None])
    region = reduction("small", 2.0, Spot(float(s[0]), float(a[0])), Oval(19.0, 19.0), 30.0)
    lied = replace(coarse)
    object.__setattr__(lied, "edge_mm", 1.0)  # as if its edges were 1 mm: the least core is then 3 mm wide
    with pytest.raises(Faults, match="no vertex of the mesh lies in the region's core") as error:
        ask(lied, plan(region))
    assert "1.0 mm edges" in error.value.errors[0].found and "finer scan" in error.value.errors[0].hint


def test_the_reduced_surface_carries_the_regions(capsule_limb):
    asked = ask(capsule_limb, plan(build_up("a", 4.0, AT), overall=overall((0.0, 4.0), (120.0, 4.0))))
    core = asked.weight[0] == 1.0
    assert np.hypot(*asked.base[core, :2].T) == pytest.approx(48.0, abs=0.01)
    assert np.hypot(*(asked.base + asked.step)[core, :2].T) == pytest.approx(52.0, abs=0.01)
