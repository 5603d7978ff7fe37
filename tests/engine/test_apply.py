"""Whole plans on whole limbs: what holds of every result."""

from __future__ import annotations

import dataclasses

import manifold3d
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rectify.engine import rectify_limb
from rectify.limb.spot import Spot
from rectify.rulebook.plan import Band, Dimension, End, Oval, Spare, Strip, Warn
from tests import made
from tests.made import assert_sound_outcome, build_up, overall, plan, reduction

AT = Spot(60.0, 0.0)


def full(limb):
    """A plan with everything in it."""
    at = {name: mark.spots[0] for name, mark in limb.landmarks.items() if mark.spots}
    crest = limb.landmarks["tibial-crest"].spots
    low = limb.inflection_mm
    return plan(
        reduction("tendon", 5.0, at["mid-patellar-tendon"], Oval(30.0, 52.0), 14.0, profile="groove"),
        reduction("popliteal", 4.0, Spot(5.0, 180.0), Oval(36.0, 48.0), 14.0, profile="dome"),
        reduction("flare", 3.0, at["medial-tibial-flare"], Oval(45.0, 40.0), 12.0, measured_from="capture"),
        build_up("head", 4.0, at["fibular-head"], Oval(32.0, 28.0), 12.0),
        build_up("crest", 3.0, crest[1], Strip(crest, (12.0,) * len(crest)), 10.0),
        build_up("tibia", 4.0, at["distal-tibia"], Oval(30.0, 25.0), 14.0),
        build_up("fibula", 4.0, at["distal-fibula"], Oval(25.0, 25.0), 12.0),
        overall=overall((0.0, 3.0), (low - 20.0, 2.0), spare=(Spare(spots=crest, radius_mm=8.0),)),
        end=End("lengthen", 3.0, low),
    )


# -- nothing where nothing is asked ---------------------------------------------------------------


@pytest.mark.parametrize("name", ["transtibial_limb", "transfemoral_limb", "cone_limb"])
def test_amounts_of_zero_change_no_bit(name, request):
    limb = request.getfixturevalue(name)
    v = limb.mesh.vertices.copy()
    v[7] = [-0.0, v[7, 1], v[7, 2]]
    limb = dataclasses.replace(limb, mesh=limb.mesh.with_vertices(v))
    nothing = plan(
        build_up("a", 0.0, AT),
        reduction("b", 0.0, Spot(60.0, 180.0)),
        overall=overall((0.0, 0.0), (100.0, 0.0)),
        end=End("lengthen", 0.0, limb.inflection_mm),
    )
    outcome = rectify_limb(limb, nothing)
    assert outcome.mesh.vertices.tobytes() == v.tobytes()  # signs of zeros too
    assert outcome.mesh.faces is limb.mesh.faces or np.array_equal(outcome.mesh.faces, limb.mesh.faces)
    assert outcome.volumes.change_ml == 0.0 and (outcome.move == 0).all()


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.floats(-20.0, 120.0), st.floats(-180.0, 180.0), st.floats(0.5, 8.0),
    st.floats(26.0, 60.0), st.floats(26.0, 60.0),
    st.sampled_from([build_up, reduction]), st.sampled_from(["flat", "dome", "groove"]),
)  # fmt: skip
def test_outside_region_and_feather_nothing_moves_and_the_shape_is_sound(
    transtibial_limb, station, angle, mm, along, around, make, profile
):
    region = make("any", mm, Spot(station, angle), Oval(along, around), 14.0, profile=profile)
    outcome = rectify_limb(transtibial_limb, plan(region))
    assert_sound_outcome(outcome)
    v, w = transtibial_limb.mesh.vertices, outcome.mesh.vertices
    # straight through the limb, no place of the region lies farther from its anchor than on the skin
    anchor = transtibial_limb.chart.point(np.array([station]), np.array([angle]))[0]
    reach = max(along, around) / 2 + (14.0 if make is build_up else 0.0) + 4.0
    still = np.linalg.norm(v - anchor, axis=1) > reach
    assert np.array_equal(v[still], w[still])
    moved = np.linalg.norm(w - v, axis=1)
    assert moved.max() <= mm + 1e-9
    out = outcome.move[moved > 1e-6]
    assert (out > -1e-6).all() if make is build_up else (out < 1e-6).all()


def test_a_region_asks_no_vertex_to_move_that_its_weight_leaves_alone(transtibial_limb):
    outcome = rectify_limb(transtibial_limb, full(transtibial_limb))
    v, w = transtibial_limb.mesh.vertices, outcome.mesh.vertices
    still = (outcome.asked.weight == 0).all(axis=0) & (outcome.asked.overall.move == 0).all(axis=1)
    still &= -v[:, 2] <= transtibial_limb.inflection_mm
    assert still.sum() > 200 and np.array_equal(v[still], w[still])


# -- sound ----------------------------------------------------------------------------------------


def test_a_full_plan_gives_a_sound_model_from_clean_noisy_and_left_limbs(transtibial_limb):
    for limb in (transtibial_limb, made.noisy(transtibial_limb, 0.2), made.mirror_of(transtibial_limb)):
        assert_sound_outcome(rectify_limb(limb, full(limb)))


def test_the_same_plan_twice_gives_the_same_bytes(transtibial_limb):
    one, two = (rectify_limb(transtibial_limb, full(transtibial_limb)) for _ in range(2))
    assert one.mesh.vertices.tobytes() == two.mesh.vertices.tobytes()
    assert one.volumes == two.volumes and one.checks == two.checks


# -- left and right -------------------------------------------------------------------------------


def test_the_mirrored_limb_gives_the_mirrored_result(transtibial_limb):
    other = made.mirror_of(transtibial_limb)
    one, two = rectify_limb(transtibial_limb, full(transtibial_limb)), rectify_limb(other, full(other))
    assert np.abs(two.mesh.vertices * made.MIRROR - one.mesh.vertices).max() < 1e-6  # mm, rectify's own bound
    assert np.abs(two.closed.vertices * made.MIRROR - one.closed.vertices).max() < 1e-6
    for a, b in zip(one.regions, two.regions, strict=True):
        assert a.achieved_mm == pytest.approx(b.achieved_mm, abs=1e-6, nan_ok=True)
        assert a.volume_ml == pytest.approx(b.volume_ml, abs=1e-6)
    assert one.volumes.after_ml == pytest.approx(two.volumes.after_ml, rel=1e-9)


def test_a_region_at_either_side_of_the_seam_gives_mirrored_results(capsule_limb):
    results = []
    for angle in (179.0, -179.0):
        region = build_up("back", 4.0, Spot(60.0, angle), Oval(36.0, 24.0), 12.0)
        outcome = rectify_limb(capsule_limb, plan(region))
        assert_sound_outcome(outcome)
        results.append(outcome)
    one, two = results
    assert one.regions[0].volume_ml == pytest.approx(two.regions[0].volume_ml, rel=2e-3)  # vertices lie otherwise
    assert one.volumes.change_ml == pytest.approx(two.volumes.change_ml, rel=2e-3)
    # the capsule is its own mirror image: each result's sections are as deep at the mirrored place
    middle = [r.asked.weight[0] @ r.limb.mesh.vertices / r.asked.weight[0].sum() for r in results]
    assert middle[0] * made.MIRROR == pytest.approx(middle[1], abs=0.1)


# -- order and amount -----------------------------------------------------------------------------


def test_the_order_of_regions_is_irrelevant(transtibial_limb):
    whole = full(transtibial_limb)
    one = rectify_limb(transtibial_limb, whole)
    turned = dataclasses.replace(whole, regions=tuple(whole.regions[i] for i in (3, 0, 5, 1, 6, 2, 4)))
    two = rectify_limb(transtibial_limb, turned)
    assert np.abs(one.mesh.vertices - two.mesh.vertices).max() < 1e-9  # mm
    by_name = {r.region.name: r for r in two.regions}
    for r in one.regions:
        assert by_name[r.region.name].volume_ml == pytest.approx(r.volume_ml, abs=1e-9)


@pytest.mark.parametrize("make", [build_up, reduction])
def test_more_asked_is_more_done_everywhere(transtibial_limb, make):
    last = np.zeros(len(transtibial_limb.mesh.vertices))
    for mm in (1.0, 2.0, 3.5, 5.0):
        beside = reduction("beside", 3.0, Spot(60.0, 130.0), Oval(44.0, 44.0), 14.0)
        region = make("more", mm, Spot(60.0, 100.0), Oval(44.0, 40.0), 16.0)
        move = rectify_limb(transtibial_limb, plan(region, beside)).move
        own = rectify_limb(transtibial_limb, plan(region)).move
        if mm > 1.0:
            grew = own - last
            assert (grew >= -1e-9).all() if make is build_up else (grew <= 1e-9).all()
        last = own
        assert move.min() >= -max(3.0, mm if make is reduction else 0.0) - 1e-9  # never over the larger


# -- volumes --------------------------------------------------------------------------------------


def solid(mesh):
    return manifold3d.Manifold(
        manifold3d.Mesh64(np.ascontiguousarray(mesh.vertices), np.ascontiguousarray(mesh.faces, dtype=np.uint64))
    )


def test_reported_volumes_agree_with_an_independent_count(transtibial_limb, transfemoral_limb):
    for limb, what in (
        (transtibial_limb, full(transtibial_limb)),
        (transfemoral_limb, plan(overall=overall((transfemoral_limb.chart.top_mm, 4.0), (150.0, 3.0)))),
    ):
        outcome = rectify_limb(limb, what)
        v, plane = outcome.volumes, outcome.volumes.plane_level_mm
        before, after = solid(limb.closed), solid(outcome.closed)
        # relative: the bound is 0.1 %; both count the same mesh, so rounding and joined points are all
        assert v.model_before_ml * 1000 == pytest.approx(before.volume(), rel=1e-6)
        assert v.model_after_ml * 1000 == pytest.approx(after.volume(), rel=1e-6)
        for reported, body in ((v.before_ml, before), (v.after_ml, after)):
            below = body.trim_by_plane([0.0, 0.0, -1.0], plane).volume()
            assert reported * 1000 == pytest.approx(below, rel=1e-6)
        assert v.change_ml == pytest.approx(v.after_ml - v.before_ml)
        lowest = min(limb.edge[:, 2].min(), outcome.mesh.vertices[limb.cap.loop, 2].min())
        assert plane == pytest.approx(2.0 - lowest)  # 2 mm distal of the lowest edge point of either surface


def test_a_band_all_round_takes_what_a_ring_of_a_cylinder_holds(capsule_limb):
    # pi ((R)² - (R - d)²) per mm of the band's core, the quintic of the feather half of that and a little less
    band = reduction("ring", 2.0, Spot(60.0, 0.0), Band(30.0, 90.0), 15.0)
    outcome = rectify_limb(capsule_limb, plan(band))
    s = np.linspace(30.0, 90.0, 4001)
    t = np.clip(np.minimum(s - 30.0, 90.0 - s) / 15.0, 0, 1)
    h = 2.0 * t**3 * (t * (6 * t - 15) + 10)
    true = np.trapezoid(np.pi * (50.0**2 - (50.0 - h) ** 2), s)
    assert -outcome.volumes.change_ml * 1000 == pytest.approx(true, rel=0.005)
    assert_sound_outcome(outcome)


# -- dimensions, levels, warnings -----------------------------------------------------------------


def test_dimensions_are_measured_before_and_after_and_held_to_their_target(capsule_limb):
    asked = (
        Dimension("ap", 60.0, "here", 95.9, ("in",), 0.5),
        Dimension("ap", 60.0, "here", 98.0, ("in",), 0.5),
        Dimension("ml", 20.0, "there", None, (), 1.0),
        Dimension("circumference", -20.0, "above", 314.2, (), 1.0),
    )
    outcome = rectify_limb(
        capsule_limb, plan(reduction("in", 4.0, AT, Oval(40.0, 60.0), 12.0), dimensions=asked)
    )
    found = outcome.dimensions
    assert [d.met for d in found] == [True, False, None, True]
    assert found[0].before_mm == pytest.approx(100.0, abs=0.1)
    assert found[0].after_mm == pytest.approx(96.0, abs=0.4)  # the hollow is flat over 20 mm: its edge reads higher
    assert found[3].after_mm == found[3].before_mm == pytest.approx(2 * np.pi * 50.0, rel=1e-3)


def test_levels_are_measured_every_10_mm_and_open_ones_are_blank(transfemoral_limb):
    outcome = rectify_limb(transfemoral_limb, plan())
    levels = outcome.levels_before.levels
    assert np.allclose(np.diff(levels), 10.0) and np.allclose(levels % 10.0, 0.0)
    assert levels[0] >= transfemoral_limb.chart.top_mm and levels[-1] < transfemoral_limb.end_level_mm
    assert np.isnan(outcome.levels_before.circumference).any()
    assert np.array_equal(outcome.levels_before.closed, outcome.levels_after.closed)


def test_warnings_of_the_plan_come_first(capsule_limb):
    told = Warn("slope", "look", "steep", "regions.in")
    steep = reduction("in", 12.0, AT, Oval(36.0, 36.0), 12.0)
    outcome = rectify_limb(capsule_limb, plan(steep, warnings=(told,)))
    assert outcome.warnings[0] is told and "backed-off" in [w.code for w in outcome.warnings[1:]]


# -- bends between faces --------------------------------------------------------------------------


def test_what_rectification_adds_to_the_angle_between_faces_is_bounded_by_slope_and_edge(capsule_limb):
    # along a feather the angle of the surface changes by at most 5.77 D / w² per mm: over an edge of 3 mm and the one
    # beside it, 6 mm; both directions of a triangle's edges add up to a little more
    mm, feather = 4.0, 14.0
    outcome = rectify_limb(capsule_limb, plan(build_up("a", mm, AT, Oval(36.0, 36.0), feather)))
    bend = np.degrees(5.77 * mm / feather**2 * 3.0)
    assert outcome.checks.added_dihedral_deg < 2.0 * bend
    assert outcome.checks.added_dihedral_deg > 0.3 * bend
