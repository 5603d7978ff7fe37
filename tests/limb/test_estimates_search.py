"""The search on a cylinder, where what should come out is known: the expectation itself, or what stands out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rectify.limb.estimates.relief import Ground, Relief
from rectify.limb.estimates.search import Window, search
from tests import made

RADIUS = 50.0
PER_DEGREE = np.radians(RADIUS)
CHART = made.capsule_limb(RADIUS, 150.0, 4.0).chart
BUMP = Relief((3.0, 12.0), (3.0, 12.0), 0.3)
RIDGE = Relief((3.0, 12.0), (8.0, 8.0), 0.3, tells="direction")
MEAN = np.array([60.0, 30.0])
WIDE = np.diag([9.0**2, (9.0 / PER_DEGREE) ** 2])  # 9 mm either way
LEAST = np.diag([1.5**2, 1.5**2])  # what the search adds, mm and degrees


def ground(
    height: float = 0.0, at: tuple[float, float] = (60.0, 30.0), long: bool = False, width: float = 6.0
) -> Ground:
    """A cylinder with a bump or, if long, a ridge along it."""
    along = CHART.stations[:, None] - at[0]
    around = np.radians(CHART.angles - at[1])[None, :] * RADIUS
    square = around**2 + (0.0 if long else along**2)
    return Ground(replace(CHART, radius=CHART.radius + height * np.exp(-square / (2 * width**2))), None)


def test_where_nothing_stands_out_the_expectation_comes_back():
    found = search(ground(), MEAN, WIDE, ((BUMP, 2.0),), 0.2)
    assert [found.spot.station_mm, found.spot.angle_deg] == pytest.approx(
        MEAN, abs=0.3
    )  # mm, degrees: a share of a cell
    assert found.mean == pytest.approx(MEAN, abs=0.1)
    assert np.diag(found.covariance) == pytest.approx(
        np.diag(WIDE + LEAST), rel=0.06
    )  # the window ends at 4 deviations
    assert found.narrowed == pytest.approx(1.0, abs=0.05)


def test_nine_tenths_of_a_round_normal_lie_within_2_146_deviations():
    even = WIDE - np.diag([0.0, 1.5**2 - (1.5 / PER_DEGREE) ** 2])  # so that both sides come to the same mm
    found = search(ground(), MEAN, even, (), 0.2)
    sd = np.hypot(9.0, 1.5)
    # chords of a curved wall are a little shorter than arcs
    assert found.radius_mm == pytest.approx(np.sqrt(2 * np.log(10.0)) * sd, rel=0.03)


def test_a_bump_off_the_expectation_is_found():
    off = (52.0, 41.0)
    found = search(ground(3.0, off), MEAN, WIDE, ((BUMP, 2.0),), 0.2)
    assert abs(found.spot.station_mm - off[0]) < 1.0  # mm
    assert abs(found.spot.angle_deg - off[1]) * PER_DEGREE < 1.0
    assert found.narrowed < 0.6
    assert found.radius_mm < 0.5 * search(ground(), MEAN, WIDE, (), 0.2).radius_mm


def test_a_faint_bump_is_trusted_less_than_a_clear_one():
    off = (52.0, 41.0)
    faint, clear = (search(ground(height, off), MEAN, WIDE, ((BUMP, 2.0),), 0.2) for height in (0.3, 3.0))
    assert faint.radius_mm > 1.3 * clear.radius_mm


def test_more_doubt_is_more_uncertainty():
    radii = [search(ground(1.0), MEAN, WIDE, ((BUMP, 2.0),), doubt).radius_mm for doubt in (0.05, 0.5, 0.95)]
    assert radii[0] < radii[1] < radii[2]


def test_a_ridge_tells_the_direction_and_leaves_the_level_alone():
    found = search(ground(3.0, (0.0, 38.0), long=True), MEAN, WIDE, ((RIDGE, 2.0),), 0.2)
    assert abs(found.spot.angle_deg - 38.0) * PER_DEGREE < 1.0  # mm
    assert found.mean[0] == pytest.approx(MEAN[0], abs=0.2)
    assert found.covariance[0, 0] == pytest.approx((WIDE + LEAST)[0, 0], rel=0.06)
    across = search(ground(3.0, (0.0, 38.0), long=True), MEAN, WIDE, ((RIDGE, 2.0),), 0.2, "direction")
    assert across.radius_mm < 0.6 * found.radius_mm  # a point of a line is only off across it
    along = search(ground(), MEAN, WIDE, (), 0.2, "level")
    assert along.radius_mm == pytest.approx(1.645 * np.hypot(9.0, 1.5), rel=0.03)  # nine tenths of one coordinate


def test_of_two_bumps_the_expected_one_wins():
    one, two = ground(3.0, (54.0, 34.0)), ground(3.0, (88.0, 70.0))
    both = Ground(replace(CHART, radius=one.chart.radius + two.chart.radius - CHART.radius), None)
    found = search(both, MEAN, WIDE * 4, ((BUMP, 2.0),), 0.2)
    assert abs(found.spot.station_mm - 54.0) < 2.0  # mm


def test_off_the_chart_there_is_nothing():
    assert search(ground(), np.array([-500.0, 0.0]), WIDE, (), 0.2) is None


def test_above_the_top_the_expectation_stands():
    top = CHART.top_mm
    found = search(ground(3.0), np.array([top - 30.0, 30.0]), np.diag([25.0, 9.0]), ((BUMP, 2.0),), 0.2)
    assert found.spot.station_mm == pytest.approx(top - 30.0, abs=0.5)
    assert found.narrowed == pytest.approx(1.0, abs=0.02)


def test_the_seam_at_the_back_is_invisible():
    here = search(ground(3.0, (52.0, 41.0)), MEAN, WIDE, ((BUMP, 2.0),), 0.2)
    behind = search(ground(3.0, (52.0, -169.0)), np.array([60.0, 180.0]), WIDE, ((BUMP, 2.0),), 0.2)
    # the bump lies 11 degrees on in both
    assert (behind.spot.angle_deg - 180.0) % 360.0 == pytest.approx(here.spot.angle_deg - 30.0, abs=0.1)
    assert behind.radius_mm == pytest.approx(here.radius_mm, rel=0.02)


def test_a_window_sums_to_one():
    window = Window.about(ground(), MEAN, WIDE)
    assert window.expected.sum() == pytest.approx(1.0)
    assert len(window.rows) == len(window.columns) == len(window.expected)
