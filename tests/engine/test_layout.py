"""Plane coordinates against exact geodesics: unrolled cylinder and cone, great circles, and a mesh's own."""

from __future__ import annotations

import numpy as np
import pygeodesic.geodesic as geodesic
import pytest

from rectify.engine.layout import layout_at
from rectify.limb.spot import Spot
from tests import made

WALL, CAP = 0.03, 0.05  # relative: what rectify promises up to 25 mm from the anchor
REACH = 25.0


def around_anchor(layout, chart, ring, count=600, seed=0):
    """Places about an anchor out to a little more than the reach."""
    rng = np.random.default_rng(seed)
    station = layout.anchor.station_mm + rng.uniform(-REACH, REACH, count)
    angle = layout.anchor.angle_deg + np.degrees(rng.uniform(-REACH, REACH, count) / ring)
    return np.clip(station, chart.top_mm + 1, chart.pole_mm), angle


def off(layout, stations, angles, true):
    """Plane distance over true distance less one, of places 3 mm to the reach away."""
    far = (true > 3.0) & (true <= REACH)
    assert far.sum() > 100
    return np.linalg.norm(layout.plane(stations, angles), axis=1)[far] / true[far] - 1.0


# -- closed forms ---------------------------------------------------------------------------------


@pytest.mark.parametrize("anchor", [Spot(20.0, 0.0), Spot(60.0, 179.0), Spot(100.0, -100.0)])
def test_on_a_cylinder_the_plane_is_the_unrolled_wall(capsule_limb, anchor):
    layout = layout_at(capsule_limb.chart, anchor, REACH)
    assert layout.kind == "wall"
    s, a = around_anchor(layout, capsule_limb.chart, 50.0)
    x, y = 50.0 * np.radians(a - anchor.angle_deg), s - anchor.station_mm
    assert layout.plane(s, a) == pytest.approx(np.stack([x, y], axis=1), abs=0.03)  # mm; chords of 3 mm
    assert np.abs(off(layout, s, a, np.hypot(x, y))).max() < 0.002


@pytest.mark.parametrize("radius_top", [50.0, 60.0, 75.0])
@pytest.mark.parametrize("station", [0.0, 50.0, 110.0])
def test_on_a_cone_plane_distance_is_the_geodesic_of_the_unrolled_cone(radius_top, station):
    limb = made.cone_limb(radius_top, 40.0)
    slope = np.arctan2(radius_top - 40.0, 210.0)
    anchor = Spot(station, 30.0)
    layout = layout_at(limb.chart, anchor, 0.0)
    s, a = around_anchor(layout, limb.chart, 40.0)
    s = np.minimum(s, 149.0)

    def sector(level, angle):  # the cone unrolls to a sector: distance from the apex, angle times sin(half opening)
        far = (40.0 + (150.0 - level) * np.tan(slope)) / np.sin(slope)
        turn = np.radians(angle) * np.sin(slope)
        return np.stack([far * np.cos(turn), far * np.sin(turn)], axis=-1)

    true = np.linalg.norm(sector(s, a) - sector(station, 30.0), axis=1)
    assert np.abs(off(layout, s, a, true)).max() < WALL


@pytest.mark.parametrize("polar_deg", [25.0, 40.0, 60.0, 75.0, 90.0])
def test_on_the_end_plane_distance_is_the_great_circle(capsule_limb, polar_deg):
    chart = capsule_limb.chart
    anchor = Spot(chart.centre_mm + chart.centre_radius_mm * np.radians(polar_deg), 70.0)
    layout = layout_at(chart, anchor, REACH)
    assert layout.kind in ("cap", "pole")
    rng = np.random.default_rng(1)
    polar, a = np.arcsin(rng.uniform(0.05, 1.0, 4000)), rng.uniform(-180, 180, 4000)
    s = chart.centre_mm + chart.centre_radius_mm * polar

    def direction(p, angle):
        turn = np.radians(angle)
        return np.stack([np.cos(p) * np.sin(turn), np.cos(p) * np.cos(turn), -np.sin(p) + 0 * turn], axis=-1)

    cosine = direction(polar, a) @ direction(np.radians(polar_deg), np.float64(70.0))
    true = 50.0 * np.arccos(np.clip(cosine, -1, 1))
    assert np.abs(off(layout, s, a, true)).max() < CAP


@pytest.mark.parametrize("short_of_pole", [0.5, 1.5, 2.5, 3.5, 4.5, 8.0])
def test_near_the_pole_the_plane_still_begins_at_the_anchor(capsule_limb, short_of_pole):
    chart = capsule_limb.chart
    anchor = Spot(chart.pole_mm - short_of_pole, 70.0)
    layout = layout_at(chart, anchor, REACH)
    at = layout.plane(np.array([anchor.station_mm]), np.array([anchor.angle_deg]))[0]
    assert np.linalg.norm(at) < 0.6  # mm: a region lies where its landmark is, not at the pole nearby


# -- directions -----------------------------------------------------------------------------------


@pytest.mark.parametrize("station", [30.0, 175.0, 205.0])
@pytest.mark.parametrize("side", ["right", "left"])
def test_in_the_plane_x_is_towards_lateral_and_y_distal(capsule_limb, station, side):
    limb = capsule_limb if side == "right" else made.mirror_of(capsule_limb)
    for angle in (0.0, 120.0, -179.0):
        layout = layout_at(limb.chart, Spot(station, angle), REACH)
        lateral, distal = layout.plane(np.array([station, station + 4.0]), np.array([angle + 3.0, angle]))
        assert lateral[0] > 1e-3 and abs(lateral[1]) < 0.25 * lateral[0]
        assert distal[1] == pytest.approx(4.0, abs=0.1) and abs(distal[0]) < 0.1


# -- a mesh's own geodesics -----------------------------------------------------------------------


def exact(limb, i):
    """Exact geodesics on the mesh (Mitchell, Mount and Papadimitriou 1987, by pygeodesic) from a vertex, near it."""
    v, f = limb.mesh.vertices, limb.mesh.faces
    near = np.linalg.norm(v - v[i], axis=1) < 1.8 * REACH
    faces = f[near[f].all(axis=1)]
    used, own = np.unique(faces, return_inverse=True)
    solver = geodesic.PyGeodesicAlgorithmExact(v[used], own.reshape(-1, 3))
    distance, _ = solver.geodesicDistances(np.array([int(np.searchsorted(used, i))]), None)
    return used, distance


def from_vertex(limb, station, angle):
    s, a = limb.chart.locate(limb.mesh.vertices)
    i = int(np.argmin(np.abs(s - station) + np.abs(a - angle)))
    layout = layout_at(limb.chart, Spot(float(s[i]), float(a[i])), REACH)
    used, true = exact(limb, i)
    far = (true > 8.0) & (true <= REACH)  # nearer, an edge of 4 mm is a coarse measure
    assert far.sum() > 60
    return layout.kind, np.linalg.norm(layout.plane(s[used], a[used]), axis=1)[far] / true[far] - 1.0


@pytest.mark.parametrize("station", [100.0, 125.0, 140.0, 152.0, 158.0, 170.0, 200.0])
def test_where_the_wall_goes_over_into_the_end_the_plane_is_true_to_the_mesh(capsule_limb, station):
    kind, error = from_vertex(capsule_limb, station, 40.0)
    assert np.abs(error).max() < (WALL if kind == "wall" else CAP)


SOFT = [(50.0, 180.0), (5.0, 180.0), (90.0, -60.0), (70.0, -130.0), (100.0, 60.0), (125.0, -100.0), (145.0, 30.0)]
BONE = [(60.0, 0.0), (21.0, 5.0), (14.0, 113.0), (115.0, 0.0)]


@pytest.mark.parametrize(("station", "angle"), SOFT)
def test_over_soft_parts_of_a_generated_limb_the_plane_is_true_to_the_mesh(transtibial_limb, station, angle):
    kind, error = from_vertex(transtibial_limb, station, angle)
    assert np.abs(error).max() < (WALL if kind == "wall" else CAP)


@pytest.mark.parametrize(("station", "angle"), BONE)
def test_over_bony_prominences_the_plane_is_short_by_no_more_than_a_bump_can_hide(transtibial_limb, station, angle):
    # a bump of height h and half width w makes the way over it longer by some (h / w)²: no plane is isometric there
    _, error = from_vertex(transtibial_limb, station, angle)
    assert np.median(np.abs(error)) < WALL
    assert error.min() > -0.13 and error.max() < 0.04


# -- how far off ----------------------------------------------------------------------------------


def test_where_the_plane_is_exact_it_says_so(capsule_limb):
    s, a = np.linspace(20.0, 100.0, 30), np.linspace(-30.0, 30.0, 30)
    assert layout_at(capsule_limb.chart, Spot(60.0, 0.0), 0.0).stretch(s, a).max() < 0.005


def test_on_a_cone_the_plane_says_how_far_off_it_is(cone_limb):
    # around at a place's own level: a level further the arc is shorter, so x leans by x tan / r per mm of y
    layout = layout_at(cone_limb.chart, Spot(60.0, 0.0), 0.0)
    radius = 40.0 + 90.0 * 20.0 / 210.0
    arc = 60.0
    shear = arc * np.sin(np.arctan2(20.0, 210.0)) / radius
    # singular values of [[1, shear], [0, 1]]
    worst = np.linalg.svd([[1.0, shear], [0.0, 1.0]])[1][0] - 1.0
    found = layout.stretch(np.array([60.0]), np.degrees(np.array([arc / radius])))[0]
    assert found == pytest.approx(worst, abs=0.01)
    assert layout.stretch(np.array([60.0]), np.array([0.0]))[0] < 0.005
