"""The chart's lengths, places and directions against closed forms, and where there is no skin."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rectify.geometry.mesh import Mesh
from rectify.geometry.sections import cut
from rectify.limb.chart import build_chart, wrap_deg
from rectify.limb.spot import Spot
from rectify.synthetic import Transtibial, capsule, transtibial
from tests import made

# a chart row is a polygon of 240 points on a mesh of chords: short by (pi/240)²/6 = 3e-5 and (3/50)²/24 = 1.5e-4
TRUE = 0.005  # relative: what rectify promises of each coordinate


def many(station, angle, n=40):
    return np.full(n, station), np.full(n, angle)


# -- angles ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given_deg", "wrapped"), [(0, 0), (180, -180), (-180, -180), (190, -170), (-190, 170), (540, -180), (359, -1)]
)
def test_angles_are_brought_between_minus_and_plus_180(given_deg, wrapped):
    assert float(wrap_deg(given_deg)) == wrapped


@pytest.mark.parametrize(("side", "lateral_x"), [("right", 1.0), ("left", -1.0)])
def test_angle_90_is_lateral_and_180_posterior_on_either_side(side, lateral_x):
    chart = build_chart(capsule(edge_mm=6.0), side)
    points = np.array([[0, 50.0, 0], [lateral_x * 50, 0, -20.0], [0, -50.0, 10], [-lateral_x * 50, 0, 0]])
    stations, angles = chart.locate(points)
    assert stations == pytest.approx([0.0, 20.0, -10.0, 0.0], abs=1e-12)
    assert angles % 360 == pytest.approx([0.0, 90.0, 180.0, 270.0], abs=1e-12)


# -- lengths on the wall --------------------------------------------------------------------------


def test_on_a_cylinder_ways_are_levels_and_arcs(capsule_limb):
    chart = capsule_limb.chart
    s = np.linspace(-55.0, 148.0, 40)
    assert chart.along(20.0, s, np.full(40, 35.0)) == pytest.approx(s - 20.0, abs=0.02)  # mm
    a = np.linspace(-175.0, 175.0, 40)
    assert chart.around(10.0, np.full(40, 33.0), a) == pytest.approx(
        50.0 * np.radians(wrap_deg(a - 10.0)), rel=TRUE, abs=0.02
    )


def test_on_a_cone_the_way_is_longer_than_the_level_and_the_arc_follows_the_radius(cone_limb):
    chart = cone_limb.chart
    slope = 20.0 / 210.0
    s = np.linspace(-55.0, 140.0, 40)
    along = chart.along(-58.0, s, np.full(40, 171.0))
    assert along == pytest.approx((s + 58.0) * np.hypot(1.0, slope), rel=TRUE)
    radius = 40.0 + (150.0 - s) * slope
    for start, end in ((0.0, 60.0), (170.0, -170.0), (-170.0, 170.0)):
        arc = chart.around(start, s, np.full(40, end))
        assert arc == pytest.approx(radius * np.radians(wrap_deg(end - start)), rel=TRUE)


def test_on_an_ellipse_rows_have_the_published_perimeter_and_quarters_a_quarter_of_it(elliptic_limb):
    # semi-axes 60 and 50 mm: 346.289559790 mm, Ramanujan S (1914) Q J Math 45:350-372, second formula
    chart = elliptic_limb.chart
    wall = (chart.stations > -50) & (chart.stations < 140)
    assert chart.perimeters[wall] == pytest.approx(346.289559790, rel=TRUE)
    assert 2 * np.pi * chart.mean_radius(40.0) == pytest.approx(346.289559790, rel=TRUE)
    for start in (0.0, 90.0, 180.0, 270.0):
        quarter = chart.around(start, np.array([40.0]), np.array([start + 90.0]))[0]
        assert quarter == pytest.approx(346.289559790 / 4, rel=TRUE)


# -- lengths over the end -------------------------------------------------------------------------


def test_over_a_hemisphere_the_way_to_the_pole_is_the_radius_times_the_angle(capsule_limb):
    chart = capsule_limb.chart
    polar = np.radians(np.linspace(0.0, 80.0, 30))
    points = np.stack([50 * np.cos(polar), np.zeros(30), -150.0 - 50 * np.sin(polar)], axis=1)
    found = chart.to_pole(*chart.locate(points))
    true = 50.0 * (np.pi / 2 - polar)
    assert found == pytest.approx(true, rel=TRUE, abs=0.05)  # mm; the pole is a vertex, its neighbours lie on faces
    assert chart.pole_mm == pytest.approx(150.0 + 50.0 * np.pi / 2, abs=0.1)


def test_over_the_end_of_a_cone_ways_follow_the_touching_sphere(cone_limb):
    chart = cone_limb.chart
    slope = np.arctan2(20.0, 210.0)
    ball, centre = 40.0 / np.cos(slope), 150.0 - 40.0 * np.tan(slope)
    for level in (0.0, 60.0, 120.0, 149.0, 160.0, 175.0):
        if level <= 150.0:
            radius = 40.0 + (150.0 - level) * np.tan(slope)
            way = ball * (np.pi / 2 - slope) + (150.0 - level) / np.cos(slope)
        else:
            radius = np.sqrt(ball**2 - (level - centre) ** 2)
            way = ball * np.arccos((level - centre) / ball)
        found = chart.to_pole(*chart.locate(np.array([[radius, 0.0, -level]])))[0]
        assert found == pytest.approx(way, rel=TRUE)


def test_the_way_round_the_end_at_a_polar_angle_is_its_own_circle(capsule_limb):
    chart = capsule_limb.chart
    for polar in np.radians([10.0, 40.0, 70.0, 80.0]):
        station, angle = chart.locate(np.array([[0.0, 50 * np.cos(polar), -150 - 50 * np.sin(polar)]]))
        arc = chart.around(angle[0] - 100.0, station, angle)[0]
        assert arc == pytest.approx(50 * np.cos(polar) * np.radians(100.0), rel=TRUE)


# -- generated limbs ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["transtibial_limb", "transfemoral_limb"])
def test_rows_are_as_long_as_the_mesh_sections_at_their_level(name, request):
    limb = request.getfixturevalue(name)
    chart = limb.chart
    wall = chart.stations[(chart.stations > chart.top_mm) & (chart.stations < chart.centre_mm)]
    found = cut(limb.mesh, -limb.mesh.vertices[:, 2], wall)
    closed = found.closed
    assert closed.sum() > 30
    mine = np.interp(wall, chart.stations, chart.perimeters)
    assert mine[closed] == pytest.approx(found.perimeters()[closed], rel=TRUE)


@pytest.mark.parametrize("name", ["transtibial_limb", "transfemoral_limb"])
def test_each_ray_meets_a_generated_limb_once_and_vertices_lie_where_the_chart_has_them(name, request):
    limb = request.getfixturevalue(name)
    chart = limb.chart
    assert not chart.folded.any()
    v = limb.mesh.vertices
    off = np.linalg.norm(chart.point(*chart.locate(v)) - v, axis=1)
    # between grid rays the radius is linear on chords of 4 to 5 mm edges: a tenth of a mm, more at sharp features
    assert np.median(off) < 0.05 and np.quantile(off, 0.99) < 0.4


def test_scanner_noise_neither_lengthens_the_way_nor_tilts_the_normals_much():
    clean = made.limb_from(transtibial(Transtibial(edge_mm=3.0)))
    rough = made.noisy(clean, 0.2)
    s, a = np.full(60, 90.0), np.linspace(-180, 177, 60)
    long = [limb.chart.along(5.0, s, a) for limb in (clean, rough)]
    # 0.2 mm on 3 mm edges makes a bare zigzag some 0.7 % longer and tilts bare faces by 7 degrees
    assert long[1] == pytest.approx(long[0], rel=TRUE)
    normals = [limb.chart.normal(s, a) for limb in (clean, rough)]
    lean = np.degrees(np.arccos(np.clip(np.einsum("ij,ij->i", *normals), -1, 1)))
    assert np.median(lean) < 2.5 and lean.max() < 9.0
    rows = (clean.chart.stations > 0) & (clean.chart.stations < 95)
    there = np.interp(clean.chart.stations[rows], rough.chart.stations, rough.chart.perimeters)
    assert there == pytest.approx(clean.chart.perimeters[rows], rel=TRUE)


# -- directions -----------------------------------------------------------------------------------


def test_normals_are_those_of_cylinder_cone_and_sphere(capsule_limb, cone_limb):
    s, a = np.linspace(-50.0, 140.0, 50), np.linspace(-180.0, 180.0, 50)
    turn = np.radians(a)
    level = np.stack([np.sin(turn), np.cos(turn), np.zeros(50)], axis=1)
    slope = np.arctan2(20.0, 210.0)
    tilted = np.cos(slope) * level - [0.0, 0.0, np.sin(slope)]
    polar = np.radians(np.linspace(5.0, 85.0, 50))
    stations = capsule_limb.chart.centre_mm + capsule_limb.chart.centre_radius_mm * polar
    ball = level * np.cos(polar)[:, None] - np.stack([np.zeros(50), np.zeros(50), np.sin(polar)], axis=1)
    for found, true in (
        (capsule_limb.chart.normal(s, a), level),
        (cone_limb.chart.normal(s, a), tilted),
        (capsule_limb.chart.normal(stations, a), ball),
    ):
        # faces of 3 mm stand 1.7 degrees off; smoothing over 2 mm takes a third of that away
        assert np.degrees(np.arccos(np.clip(np.einsum("ij,ij->i", found, true), -1, 1))).max() < 1.2
        assert np.linalg.norm(found, axis=1) == pytest.approx(1.0, abs=1e-12)


# -- the seam -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["capsule_limb", "transtibial_limb"])
def test_nothing_is_seen_of_the_seam_at_180(name, request):
    chart = request.getfixturevalue(name).chart
    s = np.linspace(-40.0, chart.pole_mm - 3.0, 60)
    near, over = np.full(60, 180.0 - 1e-7), np.full(60, -180.0 + 1e-7)
    # 2e-7 degrees are 2e-7 mm: what changes across is rounding and that
    for ask in (
        chart.point,
        chart.smooth_point,
        chart.normal,
        lambda s, a: chart.along(0.0, s, a),
        lambda s, a: chart.around(90.0, s, a),
        lambda s, a: chart.around(179.0, s, a),
        lambda s, a: chart.around(-179.0, s, a),
    ):
        assert np.abs(ask(s, near) - ask(s, over)).max() < 1e-5


def test_slopes_are_continuous_across_the_seam(transtibial_limb):
    chart = transtibial_limb.chart
    s = np.full(2001, 45.0)
    a = wrap_deg(180.0 + np.linspace(-5.0, 5.0, 2001))
    for values in (chart.around(150.0, s, a), chart.along(0.0, s, a), chart.smooth_point(s, a)[:, 0]):
        slope = np.diff(values) / 0.005
        change = np.abs(np.diff(slope))
        seam, elsewhere = change[985:1015], np.concatenate([change[:985], change[1015:]])
        assert seam.max() < 2 * elsewhere.max()  # mm per degree: no kink that is not everywhere


# -- steps ----------------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(
    st.floats(-30.0, 90.0), st.floats(-180.0, 180.0), st.floats(-25.0, 40.0), st.floats(-60.0, 60.0),
    st.sampled_from(["transtibial_limb", "cone_limb"]),
)  # fmt: skip
def test_a_step_is_the_inverse_of_along_and_around(request_cache, station, angle, along, around, name):
    chart = request_cache(name).chart
    there = chart.step(Spot(station, angle), along, around)
    s, a = np.array([there.station_mm]), np.array([there.angle_deg])
    assert chart.along(station, s, a)[0] == pytest.approx(along, abs=0.02)  # mm; read between rows of 2 mm
    assert chart.around(angle, s, a)[0] == pytest.approx(around, abs=0.02)
    assert -180.0 <= there.angle_deg < 180.0


@pytest.fixture(scope="module")
def request_cache(transtibial_limb, cone_limb):
    return {"transtibial_limb": transtibial_limb, "cone_limb": cone_limb}.__getitem__


def test_on_a_cylinder_a_step_is_known(capsule_limb):
    there = capsule_limb.chart.step(Spot(30.0, 170.0), 25.0, 50.0 * np.radians(30.0))
    assert there.station_mm == pytest.approx(55.0, abs=0.02)
    assert there.angle_deg == pytest.approx(-160.0, abs=0.05)  # towards lateral is towards growing angles


def test_a_step_over_the_end_goes_down_the_sphere(capsule_limb):
    chart = capsule_limb.chart
    there = chart.step(Spot(140.0, 40.0), 10.0 + 50.0 * np.radians(60.0), 0.0)
    point = chart.point(np.array([there.station_mm]), np.array([there.angle_deg]))[0]
    assert point[2] == pytest.approx(-150.0 - 50.0 * np.sin(np.radians(60.0)), abs=0.1)
    assert there.angle_deg == pytest.approx(40.0, abs=1e-6)


# -- places ---------------------------------------------------------------------------------------


def test_a_place_found_is_the_place_asked_for(transtibial_limb):
    chart = transtibial_limb.chart
    rng = np.random.default_rng(4)
    s, a = rng.uniform(-60.0, chart.pole_mm - 1.0, 300), rng.uniform(-180.0, 180.0, 300)
    for point in (chart.point(s, a), chart.smooth_point(s, a)):
        again_s, again_a = chart.locate(point)
        assert again_s == pytest.approx(s, abs=1e-9)
        assert wrap_deg(again_a - a) == pytest.approx(0.0, abs=1e-8)


def test_the_pole_is_where_the_axis_leaves_the_end(capsule_limb):
    chart = capsule_limb.chart
    for angle in (-180.0, -20.0, 0.0, 133.0):
        pole = chart.point(np.array([chart.pole_mm]), np.array([angle]))[0]
        assert pole == pytest.approx([0.0, 0.0, -200.0], abs=1e-6)


def test_the_end_begins_where_the_way_to_the_tip_equals_the_radius(capsule_limb, cone_limb):
    assert capsule_limb.chart.centre_mm == pytest.approx(150.0, abs=0.1)
    assert capsule_limb.chart.centre_radius_mm == pytest.approx(50.0, abs=0.1)
    # on the cone: 40 + (150 - c) t = end - c, with the end a ball's radius below its centre
    t = 20.0 / 210.0
    end = 150.0 - 40.0 * t + 40.0 * np.hypot(1.0, t)
    centre = (end - 40.0 - 150.0 * t) / (1.0 - t)
    assert cone_limb.chart.centre_mm == pytest.approx(centre, abs=0.1)


# -- where there is no skin -----------------------------------------------------------------------


def test_above_an_oblique_edge_there_is_no_skin_and_below_there_is(transfemoral_limb):
    chart, edge = transfemoral_limb.chart, transfemoral_limb.edge
    s, a = chart.locate(edge)
    assert not chart.is_captured(s - 4.0, a)[s - 4.0 > chart.top_mm].any()
    assert chart.is_captured(s + 4.0, a).all()
    whole = chart.stations > s.max() + 2.0
    assert chart.captured[whole].all()
    # the share of the upper rows that is skin is the share of the edge that lies above them
    order = np.argsort(a)
    for station in np.arange(chart.top_mm + 15.0, s.max() - 10.0, 20.0):
        row = int(np.argmin(np.abs(chart.stations - station)))
        reaches = np.interp(chart.angles, a[order], s[order], period=360.0) <= chart.stations[row]
        assert chart.captured[row].mean() == pytest.approx(reaches.mean(), abs=0.03)


def test_ways_near_an_oblique_edge_stay_true(transfemoral_limb):
    # along from 40 mm below the edge up to it: never shorter than the levels between, never twice as long
    chart = transfemoral_limb.chart
    s, a = chart.locate(transfemoral_limb.edge)
    gone = -np.array([chart.along(x + 40.0, np.array([x]), np.array([y]))[0] for x, y in zip(s, a, strict=True)])
    assert (gone >= 40.0 - 0.02).all() and (gone < 60.0).all()


def test_a_fold_that_rays_meet_twice_is_told():
    mesh = capsule(50.0, 150.0, 3.0, 60.0)
    v = mesh.vertices.copy()
    over = np.exp(-(((v[:, 2] + 60.0) / 9.0) ** 2) - ((np.arctan2(v[:, 0], v[:, 1])) / 0.4) ** 2)
    v[:, 1] += 30.0 * over
    v[:, 2] -= 40.0 * over  # a lip that hangs down over the wall below it
    chart = build_chart(Mesh(v, mesh.faces), "right")
    assert chart.folded.any()
    rows, columns = np.nonzero(chart.folded)
    assert (np.abs(chart.angles[columns]) < 60).all()
    assert (np.abs(chart.stations[rows] - 80.0) < 60.0).all()
    assert not build_chart(mesh, "right").folded.any()
