"""Weights of regions: exact where they must be, smooth between, as wide as asked."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy import ndimage

from rectify.engine.blend import quintic
from rectify.engine.weights import region_weight
from rectify.errors import RulesError
from rectify.limb.spot import Spot
from rectify.rulebook.plan import Band, EndCap, KeepClear, Outline, Oval, Strip
from rectify.synthetic import capsule
from tests import made
from tests.made import build_up, reduction

EDGE = 3.0
AT = Spot(60.0, 0.0)


def places(at, half=45.0, step=0.5):
    """A fine grid of places about a spot on a cylinder of radius 50: stations, angles, arc (mm), way (mm), mm² each."""
    x, y = (g.ravel() for g in np.meshgrid(np.arange(-half, half + step, step), np.arange(-half, half + step, step)))
    return at.station_mm + y, at.angle_deg + np.degrees(x / 50.0), x, y, step * step


def weigh(region, chart, at=AT, **grid):
    s, a, x, y, cell = places(at, **grid)
    return region_weight(region, chart, EDGE).at(s, a), x, y, cell


# -- against closed forms on a cylinder -----------------------------------------------------------


def test_a_round_build_up_is_a_quintic_of_the_distance_to_its_line(capsule_limb):
    weight, x, y, _ = weigh(build_up("a", 5.0, AT, Oval(24.0, 24.0), 12.0), capsule_limb.chart)
    true = quintic((12.0 + 12.0 - np.hypot(x, y)) / 12.0)
    # the arc is short by 3e-4 on chords of 3 mm, the circle is drawn with 96 corners (0.006 mm), the distance is read
    # from a raster of 1 mm: some 0.02 mm of 12 mm times the steepest slope
    assert weight == pytest.approx(true, abs=0.006)


def test_a_round_reduction_falls_to_zero_at_its_line(capsule_limb):
    weight, x, y, _ = weigh(reduction("a", 5.0, AT, Oval(60.0, 60.0), 14.0), capsule_limb.chart)
    assert weight == pytest.approx(quintic((30.0 - np.hypot(x, y)) / 14.0), abs=0.006)


@pytest.mark.parametrize("make", [build_up, reduction])
def test_weights_are_exactly_zero_outside_and_exactly_one_in_the_core(capsule_limb, make):
    weight, x, y, _ = weigh(make("a", 5.0, AT, Oval(40.0, 40.0), 10.0), capsule_limb.chart)
    r = np.hypot(x, y)
    full, nothing = (20.0, 30.0) if make is build_up else (10.0, 20.0)
    assert (weight[r < full - 0.1] == 1.0).all() and (weight[r > nothing + 0.1] == 0.0).all()
    between = weight[(r > full + 0.5) & (r < nothing - 0.5)]
    assert ((between > 0) & (between < 1)).all()
    far_s, far_a = np.array([-50.0, 150.0, 200.0, 60.0]), np.array([0.0, 180.0, 0.0, 180.0])
    assert region_weight(make("a", 5.0, AT, Oval(40.0, 40.0), 10.0), capsule_limb.chart, EDGE).at(
        far_s, far_a
    ).tolist() == [0.0] * 4


def test_turned_and_long_ovals_lie_where_they_are_said_to(capsule_limb):
    weight, x, y, _ = weigh(build_up("a", 5.0, AT, Oval(60.0, 20.0, turn_deg=30.0), 8.0), capsule_limb.chart)
    core = weight == 1.0
    # the long axis runs distally (y), its distal end turned by 30 degrees towards lateral (x)
    direction = np.linalg.eigh(np.cov(x[core], y[core]))[1][:, 1]
    direction *= np.sign(direction[1])
    assert np.degrees(np.arctan2(direction[0], direction[1])) == pytest.approx(30.0, abs=0.5)
    assert np.ptp(x[core] * direction[0] + y[core] * direction[1]) == pytest.approx(60.0, abs=1.5)


def test_a_strip_is_as_wide_as_asked_and_rounded_at_its_ends(capsule_limb):
    path = (Spot(40.0, -10.0), Spot(80.0, -10.0))
    strip = build_up("a", 3.0, Spot(60.0, -10.0), Strip(path, (12.0, 12.0)), 10.0)
    weight, x, y, _ = weigh(strip, capsule_limb.chart)
    x = x + 50.0 * np.radians(10.0)
    along = np.maximum(np.abs(y) - 20.0, 0.0)
    true = quintic((16.0 - np.hypot(x, along)) / 10.0)
    assert weight == pytest.approx(true, abs=0.006)


def test_a_strip_may_widen(capsule_limb):
    path = (Spot(35.0, 0.0), Spot(85.0, 0.0))
    weight, x, y, _ = weigh(build_up("a", 3.0, AT, Strip(path, (10.0, 30.0)), 8.0), capsule_limb.chart)
    row = np.abs(y - 0.0) < 0.3
    assert np.ptp(x[row & (weight == 1.0)]) == pytest.approx(20.0, abs=1.5)  # half way: half way between the widths
    assert (weight[np.hypot(x, y - 25.0) < 14.8] == 1.0).all()


def test_an_outline_is_its_polygon_with_rounded_corners(capsule_limb):
    ring = tuple(Spot(60.0 + y, np.degrees(x / 50.0)) for x, y in ((-25, -20), (25, -20), (25, 20), (-25, 20)))
    weight, x, y, cell = weigh(reduction("a", 4.0, AT, Outline(ring), 12.0), capsule_limb.chart)
    inside = (np.abs(x) < 25) & (np.abs(y) < 20)
    assert (weight[~inside & (np.hypot(np.maximum(np.abs(x) - 25, 0), np.maximum(np.abs(y) - 20, 0)) > 0.1)] == 0).all()
    assert (weight[(np.abs(x) < 12.9) & (np.abs(y) < 7.9)] == 1.0).all()
    # the line's corners are rounded to the feather: 4 (1 - pi/4) 12² are cut from the rectangle
    line = (weight > 0).sum() * cell
    assert line == pytest.approx(2000.0 - (4 - np.pi) * 144.0, rel=0.01)


def test_a_band_goes_all_round(capsule_limb):
    chart = capsule_limb.chart
    weight = region_weight(build_up("a", 3.0, AT, Band(40.0, 70.0), 10.0), chart, EDGE)
    s = np.linspace(20.0, 90.0, 141)
    for angle in (0.0, 93.0, 180.0, -50.0):
        depth = np.minimum(s - 40.0, 70.0 - s)
        assert weight.at(s, np.full(141, angle)) == pytest.approx(quintic((depth + 10.0) / 10.0), abs=0.004)
    assert weight.area_mm2 == pytest.approx(2 * np.pi * 50.0 * 30.0, rel=0.002)


def test_an_end_cap_reaches_as_far_from_the_pole_as_asked(capsule_limb):
    chart = capsule_limb.chart
    weight = region_weight(reduction("a", 3.0, Spot(chart.pole_mm, 0.0), EndCap(40.0), 15.0), chart, EDGE)
    polar = np.linspace(0.0, np.pi / 2, 80)
    s = chart.centre_mm + chart.centre_radius_mm * polar
    far = 50.0 * (np.pi / 2 - polar)
    assert weight.at(s, np.full(80, 20.0)) == pytest.approx(quintic((40.0 - far) / 15.0), abs=0.01)
    assert weight.at(np.array([100.0]), np.array([0.0]))[0] == 0.0


# -- profiles -------------------------------------------------------------------------------------


def test_a_dome_rises_over_its_whole_half_width(capsule_limb):
    weight, x, y, _ = weigh(reduction("a", 4.0, AT, Oval(48.0, 48.0), 10.0, profile="dome"), capsule_limb.chart)
    # zero at the line, 24 mm out; one at the least core of 3 mm radius: two edge lengths of 3 mm across
    assert weight == pytest.approx(quintic((24.0 - np.hypot(x, y)) / 21.0), abs=0.006)


def test_a_groove_is_full_along_its_middle_and_rounded_across(capsule_limb):
    groove = reduction("a", 6.0, AT, Oval(35.0, 55.0), 16.0, profile="groove")
    weight, x, y, _ = weigh(groove, capsule_limb.chart)
    assert (weight[(np.abs(x) < 11.0) & (np.abs(y) < 2.0)] == 1.0).all()
    assert (weight[(x / 27.5) ** 2 + (y / 17.5) ** 2 > 1.01] == 0.0).all()
    middle = np.abs(x) < 0.3
    for half in (middle & (y >= 0), middle & (y <= 0)):
        order = np.argsort(np.abs(y[half]))
        assert (np.diff(weight[half][order]) <= 1e-12).all()  # falls from the middle line outwards
    across = weight[middle & (np.abs(np.abs(y) - 10.0) < 0.3)]
    assert ((across > 0.05) & (across < 0.95)).all()


# -- the feather as held, and the least core ------------------------------------------------------


@pytest.mark.parametrize(("wide", "asked", "held"), [(60.0, 14.0, 14.0), (30.0, 16.0, 12.0), (20.0, 16.0, 7.0)])
def test_the_feather_of_a_reduction_is_held_to_what_fits(capsule_limb, wide, asked, held):
    region = reduction("a", 3.0, AT, Oval(wide, wide), asked)
    weight = region_weight(region, capsule_limb.chart, EDGE)
    assert weight.feather_mm == pytest.approx(held, abs=0.06)  # the inscribed circle is found to 0.05 mm


@pytest.mark.parametrize("edge", [0.8, 3.0, 5.0])
@pytest.mark.parametrize(
    "shape", [Oval(20.0, 60.0), Oval(18.0, 18.0), Oval(70.0, 16.0, 20.0), Strip((Spot(40, 0), Spot(80, 0)), (14, 14))]
)
@pytest.mark.parametrize("profile", ["flat", "dome", "groove"])
def test_the_core_is_at_least_3_mm_and_two_edges_wide(capsule_limb, edge, shape, profile):
    region = reduction("a", 2.0, AT, shape, 25.0, profile=profile)
    weight = region_weight(region, capsule_limb.chart, edge)
    s, a, x, _, _ = places(AT, half=15.0, step=0.1)
    side = round(np.sqrt(len(x)))
    full = (weight.at(s, a) == 1.0).reshape(side, side)
    across = 2 * 0.1 * ndimage.distance_transform_edt(full).max()
    assert across >= max(3.0, 2 * edge) - 0.25  # mm; cells of 0.1 mm and a radius found to 0.05 mm


@pytest.mark.parametrize(("wide", "good"), [(5.8, False), (6.2, True)])
def test_an_outline_without_room_for_a_core_is_refused_with_both_widths(capsule_limb, wide, good):
    region = reduction("popliteal", 2.0, AT, Oval(wide, 40.0), 4.0)
    if good:
        region_weight(region, capsule_limb.chart, EDGE)
        return
    with pytest.raises(RulesError, match="no room for a core") as error:
        region_weight(region, capsule_limb.chart, EDGE)
    assert error.value.key == "regions.popliteal.shape"
    assert "6.0 mm" in error.value.wanted and "5.8 mm" in error.value.found


@pytest.mark.parametrize("shape", [Band(60.0, 64.0), EndCap(2.0)])
def test_bands_and_caps_without_room_are_refused_too(capsule_limb, shape):
    with pytest.raises(RulesError, match="no room for a core"):
        region_weight(reduction("a", 2.0, AT, shape, 4.0), capsule_limb.chart, EDGE)


# -- smoothness -----------------------------------------------------------------------------------

REGIONS = {
    "oval": build_up("a", 4.0, AT, Oval(32.0, 28.0), 12.0),
    "reduction": reduction("a", 4.0, AT, Oval(50.0, 44.0), 14.0),
    "dome": reduction("a", 4.0, AT, Oval(50.0, 44.0), 14.0, profile="dome"),
    "strip": build_up("a", 3.0, AT, Strip((Spot(40, -6), Spot(60, 0), Spot(80, 3)), (12.0, 12.0, 12.0)), 10.0),
    "outline": reduction("a", 3.0, AT, Outline((Spot(40, -25), Spot(45, 28), Spot(85, 20), Spot(75, -30))), 12.0),
}


@pytest.mark.parametrize("kind", REGIONS)
def test_weights_have_no_kink_and_are_no_steeper_than_the_feather_allows(capsule_limb, kind):
    region, chart = REGIONS[kind], capsule_limb.chart
    weight = region_weight(region, chart, EDGE)
    step = 0.02
    t = np.arange(-40.0, 40.0, step)
    rise = weight.feather_mm if kind != "dome" else 22.0 - 3.0
    for turn in np.radians(np.arange(0.0, 180.0, 15.0)):
        s, a = 60.0 + 0.7 + t * np.sin(turn), np.degrees((t * np.cos(turn) - 0.4) / 50.0)
        w = weight.at(s, a)
        slope = np.diff(w) / step
        # steepest 1.875 / rise; the curvature of the quintic is at most 10 / sqrt(3) = 5.77 / rise². A jump of slope
        # would stand out against that times the step
        assert np.abs(slope).max() <= 1.03 * 1.875 / rise
        assert np.abs(np.diff(slope)).max() <= 1.6 * (5.77 / rise**2 + 1.875 / rise / 10.0) * step


def test_two_weights_at_the_seam_are_the_same_region_turned(capsule_limb):
    chart = capsule_limb.chart
    s, a, *_ = places(Spot(60.0, 0.0), half=30.0, step=1.0)
    here = region_weight(build_up("a", 4.0, Spot(60.0, 0.0), Oval(32.0, 20.0, 25.0), 10.0), chart, EDGE).at(s, a)
    for turned in (179.0, 180.0, -179.0):
        there = region_weight(build_up("a", 4.0, Spot(60.0, turned), Oval(32.0, 20.0, 25.0), 10.0), chart, EDGE)
        assert there.at(s, a + turned) == pytest.approx(here, abs=0.01)  # other vertices under the chart's rays
        # and continuous across: 2e-6 degrees are 2e-6 mm
        line = np.linspace(30.0, 90.0, 61)
        one, two = there.at(line, np.full(61, 180.0 - 1e-6)), there.at(line, np.full(61, -180.0 + 1e-6))
        assert one == pytest.approx(two, abs=1e-6)
        assert one.max() > 0.99


@pytest.mark.parametrize("angle", [179.0, 90.0, 15.0])
def test_a_mirrored_limb_has_the_mirrored_weights(transtibial_limb, angle):
    other = made.mirror_of(transtibial_limb)
    v = transtibial_limb.mesh.vertices
    region = build_up("a", 4.0, Spot(50.0, angle), Oval(40.0, 24.0, 20.0), 12.0)
    one = region_weight(region, transtibial_limb.chart, 4.0).at(*transtibial_limb.chart.locate(v))
    two = region_weight(region, other.chart, 4.0).at(*other.chart.locate(v * made.MIRROR))
    assert one == pytest.approx(two, abs=1e-9)
    assert one.max() == 1.0


# -- cut back -------------------------------------------------------------------------------------


@pytest.mark.parametrize("make", [build_up, reduction])
@pytest.mark.parametrize("profile", ["flat", "groove"])
def test_a_region_keeps_clear_of_a_place_feather_and_all(capsule_limb, make, profile):
    clear = KeepClear(Spot(60.0, np.degrees(22.0 / 50.0)), 9.0)
    region = make("a", 4.0, AT, Oval(44.0, 60.0), 8.0, profile=profile, keep_clear=(clear,))
    weight, x, y, _ = weigh(region, capsule_limb.chart)
    from_place = np.hypot(x - 22.0, y)
    assert weight[from_place < 8.9].max() < 1e-6
    assert (weight[np.hypot(x + 10.0, y) < 2.5] == 1.0).all()


# -- what is drawn --------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", REGIONS)
def test_the_drawn_line_is_where_a_build_up_is_full_and_a_reduction_is_nothing(capsule_limb, kind):
    region, chart = REGIONS[kind], capsule_limb.chart
    weight = region_weight(region, chart, EDGE)
    line = weight.outline[np.isfinite(weight.outline[:, 0])]
    on = weight.at(line[:, 0], line[:, 1])
    assert on == pytest.approx(1.0 if region.action == "build-up" else 0.0, abs=2e-3)  # 0.3 mm of 12, cubed
    ring = shapely.Polygon(np.stack([50.0 * np.radians(line[:, 1]), line[:, 0]], axis=1))
    assert weight.area_mm2 == pytest.approx(ring.area, rel=0.01)


# -- volumes of feathered patches -----------------------------------------------------------------

WIDE = made.limb_of(capsule(150.0, 150.0, 6.0, 120.0), 150.0).chart  # a large radius: the plane all but unrolled


def held_volume(region, chart, radius, mm):
    step = 0.4
    x, y = (g.ravel() for g in np.meshgrid(*[np.arange(-60.0, 60.0, step)] * 2))
    return mm * region_weight(region, chart, EDGE).at(20.0 + y, np.degrees(x / radius)).sum() * step**2


def test_a_round_patch_holds_the_published_volume():
    # plateau radius 12, feather 12, depth 5: 5170.164 mm³ for the quintic step, k = 2/7 in pi D (a² + a w + k w²)
    # (closed form, checked by numerical integration)
    patch = build_up("a", 5.0, Spot(20.0, 0.0), Oval(24.0, 24.0), 12.0)
    assert held_volume(patch, WIDE, 150.0, 5.0) == pytest.approx(5170.164, rel=0.003)
    assert np.pi * 5.0 * (144.0 + 144.0 + 2 / 7 * 144.0) == pytest.approx(5170.164, abs=1e-3)


def test_a_rounded_rectangle_holds_the_published_volume():
    # D (Lx Ly + (Lx + Ly) w + pi k w²) for a plateau with sharp corners and a feather outside; k = 2/7
    ring = tuple(Spot(20.0 + y, np.degrees(x / 150.0)) for x, y in ((-20, -15), (20, -15), (20, 15), (-20, 15)))
    patch = build_up("a", 5.0, Spot(20.0, 0.0), Outline(ring), 12.0)
    true = 5.0 * (40 * 30 + 70 * 12.0 + np.pi * 2 / 7 * 144.0)
    assert held_volume(patch, WIDE, 150.0, 5.0) == pytest.approx(true, rel=0.003)


def test_a_reduction_holds_the_same_with_its_line_at_the_foot():
    patch = reduction("a", 5.0, Spot(20.0, 0.0), Oval(48.0, 48.0), 12.0)
    assert held_volume(patch, WIDE, 150.0, 5.0) == pytest.approx(5170.164, rel=0.003)
