"""Whole results counted by other programs: manifold3d, libigl, trimesh, pygeodesic.

All are general-purpose open-source libraries with algorithms of their own; what they count is the mesh that goes to the
machine.
"""

from __future__ import annotations

import igl
import igl.predicates
import manifold3d
import numpy as np
import pytest
import shapely
import trimesh
from scipy.spatial import ConvexHull

from rectify.engine import rectify_limb
from rectify.limb.spot import Spot
from rectify.rulebook.plan import End, Oval
from tests import made
from tests.made import build_up, overall, plan, reduction


@pytest.fixture(scope="module")
def outcome(transtibial_limb):
    """A result with something of everything."""
    at = {name: mark.spots[0] for name, mark in transtibial_limb.landmarks.items() if mark.spots}
    low = transtibial_limb.inflection_mm
    return rectify_limb(
        transtibial_limb,
        plan(
            reduction("popliteal", 4.0, Spot(5.0, 180.0), Oval(36.0, 48.0), 14.0, profile="dome"),
            build_up("head", 4.0, at["fibular-head"], Oval(32.0, 28.0), 12.0),
            build_up("fibula", 4.0, at["distal-fibula"], Oval(25.0, 25.0), 12.0),
            overall=overall((0.0, 3.0), (low - 20.0, 2.0)),
            end=End("pad", 4.0, low),
        ),
    )


def arrays(mesh):
    return np.ascontiguousarray(mesh.vertices), np.ascontiguousarray(mesh.faces)


def test_manifold3d_takes_the_model_as_a_solid_and_counts_its_volume(outcome):
    # manifold3d (Lalish E and contributors): its constructor refuses what is no manifold
    v, f = arrays(outcome.closed)
    body = manifold3d.Manifold(manifold3d.Mesh64(v, f.astype(np.uint64)))
    assert body.status() == manifold3d.Error.NoError
    assert body.genus() == 0 and len(body.decompose()) == 1
    assert body.volume() == pytest.approx(outcome.volumes.model_after_ml * 1000, rel=1e-6)


def test_manifold3d_finds_the_same_change_between_the_two_bodies(outcome):
    # what was added and what was taken, as boolean differences of the two solids
    before, after = (
        manifold3d.Manifold(manifold3d.Mesh64(v, f.astype(np.uint64)))
        for v, f in (arrays(outcome.limb.closed), arrays(outcome.closed))
    )
    added, taken = (after - before).volume(), (before - after).volume()
    assert added > 2000.0 and taken > 20000.0  # mm³: build-ups and pad, and 3 % of the wall
    v = outcome.volumes
    assert added - taken == pytest.approx((v.model_after_ml - v.model_before_ml) * 1000, abs=2.0)


def test_libigl_finds_no_face_that_passes_through_another(outcome):
    # libigl's exact predicates; on the finished model and, as a check of the check, on one with a fold put in
    v, f = arrays(outcome.closed)
    assert len(igl.predicates.find_self_intersections(v, f)[1]) == 0 == outcome.checks.self_intersections
    broken = v.copy()
    i = int(np.argmin(np.linalg.norm(v - [0.0, -50.0, -60.0], axis=1)))
    broken[i] += [0.0, 140.0, 0.0]
    assert len(igl.predicates.find_self_intersections(broken, f)[1]) > 0


def test_libigl_signed_distance_has_the_sign_and_size_of_every_amount(outcome):
    # signed distance from core points of the reduced surface to the finished model: negative inside
    v, f = arrays(outcome.closed)
    for i, found in enumerate(outcome.regions):
        core = outcome.asked.base[outcome.asked.core(i, outcome.plan)]
        signed = igl.signed_distance(np.ascontiguousarray(core), v, f)[0]
        expected = -found.region.asked_mm if found.region.action == "build-up" else found.region.asked_mm
        assert np.median(signed) == pytest.approx(expected, abs=0.05), found.region.name
        assert signed == pytest.approx(np.full(len(core), expected), abs=0.10)


def test_libigl_winding_numbers_say_inside_and_outside(outcome):
    v, f = arrays(outcome.closed)
    inside = np.array([[0.0, 0.0, -60.0], [5.0, -8.0, -130.0], [0.0, 0.0, 60.0]])
    outside = np.array([[0.0, 0.0, 90.0], [90.0, 0.0, -60.0], [0.0, 0.0, -175.0]])
    number = igl.winding_number(v, f, np.vstack([inside, outside]))
    assert number == pytest.approx([1.0] * 3 + [0.0] * 3, abs=1e-6)


def test_trimesh_agrees_on_every_check(outcome):
    v, f = arrays(outcome.closed)
    seen = trimesh.Trimesh(v, f, process=False)
    assert seen.is_watertight == outcome.checks.watertight is True
    assert seen.body_count == outcome.checks.bodies == 1
    assert seen.is_winding_consistent and seen.euler_number == 2
    assert seen.volume == pytest.approx(outcome.volumes.model_after_ml * 1000, rel=1e-9)
    wall = outcome.limb.mesh.faces
    one, two = (trimesh.Trimesh(p, wall, process=False) for p in (outcome.limb.mesh.vertices, outcome.mesh.vertices))
    added = np.degrees(np.abs(two.face_adjacency_angles - one.face_adjacency_angles).max())
    assert outcome.checks.added_dihedral_deg == pytest.approx(added, abs=1e-4)  # its arccos rounds


def test_trimesh_sections_have_the_reported_circumferences(outcome):
    # trimesh cuts, joins and hulls by its own code
    v, f = arrays(outcome.mesh)
    seen = trimesh.Trimesh(v, f, process=False)
    for i, level in enumerate(outcome.levels_after.levels):
        if not outcome.levels_after.closed[i] or i % 4:
            continue
        section = seen.section(plane_origin=[0.0, 0.0, -level], plane_normal=[0.0, 0.0, 1.0])
        around = ConvexHull(section.vertices[:, :2]).area  # of a flat hull, `area` is its perimeter
        assert outcome.levels_after.circumference[i] == pytest.approx(around, rel=1e-9)


def test_the_capture_is_as_sound_to_others_as_the_result(transtibial_limb, transfemoral_limb):
    for limb in (transtibial_limb, transfemoral_limb):
        v, f = arrays(limb.closed)
        assert manifold3d.Manifold(manifold3d.Mesh64(v, f.astype(np.uint64))).status() == manifold3d.Error.NoError
        made.assert_sound(limb.closed)


def test_manifold3d_and_shapely_find_the_same_section_at_every_level(outcome):
    # manifold3d cuts the closed body by its own code; shapely (Gillies S and contributors; GEOS) measures the polygon
    v, f = arrays(outcome.closed)
    body, seen = manifold3d.Manifold(manifold3d.Mesh64(v, f.astype(np.uint64))), 0
    levels = outcome.levels_after
    for i, level in enumerate(levels.levels):
        if not levels.closed[i]:
            continue
        rings = [shapely.Polygon(ring) for ring in body.slice(-float(level)).to_polygons()]
        section = shapely.MultiPolygon(rings)
        hull, (x0, y0, x1, y1) = section.convex_hull, section.bounds
        assert levels.circumference[i] == pytest.approx(hull.length, rel=1e-6)
        assert levels.area[i] == pytest.approx(section.area, rel=1e-6)
        assert (levels.ml[i], levels.ap[i]) == pytest.approx((x1 - x0, y1 - y0), abs=1e-4)  # mm
        seen += 1
    assert seen > 12
