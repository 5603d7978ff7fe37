"""Relief maps against closed forms: Gaussian bumps on a cylinder smooth to Gaussians, a shifted circle's directions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rectify.limb.chart import Chart
from rectify.limb.estimates.relief import Ground, Relief
from tests import made

RADIUS = 50.0
BUMP = Relief((3.0, 12.0), (3.0, 12.0), 0.3)
RIDGE = Relief((3.0, 12.0), (8.0, 8.0), 0.3)
BEAD = replace(BUMP, round=True)
CHART = made.capsule_limb(RADIUS, 150.0, 4.0).chart
AT = (60.0, 30.0)  # station and angle of what is put on


def with_radius(change: np.ndarray) -> Chart:
    """The cylinder with so many mm more of radius per cell."""
    return replace(CHART, radius=np.where(CHART.stations[:, None] <= CHART.centre_mm, RADIUS, CHART.radius) + change)


def away() -> tuple[np.ndarray, np.ndarray]:
    """mm along and around from the place."""
    along = CHART.stations[:, None] - AT[0] + 0.0 * CHART.angles
    return along, np.radians(CHART.angles - AT[1])[None, :] * RADIUS + 0.0 * along


def read(chart: Chart, kind: Relief, station: float = AT[0], angle: float = AT[1]) -> float:
    ground = Ground(chart, None)
    row, column = np.argmin(np.abs(ground.stations - station)), np.argmin(np.abs(ground.angles - angle))
    return float(ground.relief(kind)[row, column])


def kept(width: float, sigma: float) -> float:
    """How much of a Gaussian's height is left after smoothing in one direction."""
    return width / np.hypot(width, sigma)


def test_a_bump_reads_as_its_smoothed_heights_differ():
    along, around = away()
    chart = with_radius(4.0 * np.exp(-(along**2 + around**2) / (2 * 7.0**2)))
    wanted = 4.0 * (kept(7.0, 3.0) ** 2 - kept(7.0, 12.0) ** 2)
    assert read(chart, BUMP) == pytest.approx(wanted, rel=0.02)  # the grid's cells are 2 by 1.3 mm
    assert read(chart, replace(BUMP, rise=-1.0)) == pytest.approx(-wanted, rel=0.02)
    # smoothed in one direction only, the other keeps what the finer sigma leaves
    one_way = 4.0 * kept(7.0, 3.0) * (kept(7.0, 3.0) - kept(7.0, 12.0))
    assert read(chart, BEAD) == pytest.approx(one_way, rel=0.02)


def test_a_ridge_stands_out_as_a_ridge_and_not_as_a_bead():
    _, around = away()
    chart = with_radius(3.0 * np.exp(-(around**2) / (2 * 5.0**2)))
    assert read(chart, RIDGE) == pytest.approx(3.0 * (kept(5.0, 3.0) - kept(5.0, 12.0)), rel=0.02)
    assert abs(read(chart, BEAD)) < 0.02  # mm: nothing along


def test_a_plain_limb_and_its_round_end_have_no_relief():
    ground = Ground(CHART, None)
    assert np.abs(ground.relief(BUMP)).max() < 0.02  # mm: the chords of a 4 mm mesh on a radius of 50 mm


def test_a_taper_and_a_swelling_all_round_are_no_relief():
    swell = 8.0 * np.exp(-(((CHART.stations - 50.0) / 25.0) ** 2))[:, None]
    assert np.abs(Ground(with_radius(swell + 0.0 * away()[0]), None).relief(BUMP)).max() < 0.02  # mm


def test_the_seam_is_no_edge():
    turned = np.roll(np.exp(-(away()[0] ** 2 + away()[1] ** 2) / 98.0), 100, axis=1)  # 150 degrees on, over the seam
    assert read(with_radius(4.0 * turned), BUMP, AT[0], -180.0) == pytest.approx(
        read(with_radius(4.0 * np.roll(turned, 60, axis=1)), BUMP, AT[0], -90.0), abs=1e-9
    )


def test_there_is_no_relief_without_skin():
    captured = CHART.captured.copy()
    captured[:20, :40] = False
    along, around = away()
    chart = replace(with_radius(np.exp(-(along**2 + around**2) / 98.0)), captured=captured)
    ground = Ground(chart, None)
    above = len(ground.stations) - len(chart.stations)
    assert not ground.relief(BUMP)[: above + 20, :40].any()
    assert not ground.relief(BUMP)[:above].any()
    assert ground.relief(BUMP)[above + 40 :, 60:].any()


def test_the_grid_carries_on_above_the_top_at_its_own_levels():
    ground = Ground(CHART, None)
    assert np.diff(ground.stations[:60]) == pytest.approx(2.0, abs=0.05)  # mm, the chart's rows
    assert ground.level[0, 0] == pytest.approx(CHART.top_mm - 80.0)
    assert ground.out[:40] == pytest.approx(np.broadcast_to(ground.out[40], (40, 240)))


@pytest.mark.parametrize("zero", [None, 25.0])
def test_directions_are_about_the_sections_own_middle(zero):
    shift = 9.0  # mm: every section's circle lies that far in front of the axis
    turn = np.radians(CHART.angles)
    circle = shift * np.cos(turn) + np.sqrt(RADIUS**2 - (shift * np.sin(turn)) ** 2)
    wall = CHART.stations <= CHART.centre_mm
    chart = replace(CHART, radius=np.where(wall[:, None], circle[None, :], CHART.radius))
    ground = Ground(chart, None if zero is None else _spot(50.0, zero))
    about = np.degrees(np.arctan2(circle * np.sin(turn), circle * np.cos(turn) - shift))
    wanted = about if zero is None else about - np.interp(zero, CHART.angles, about)
    row = int(np.argmin(np.abs(ground.stations - 40.0)))
    off = (ground.phi[row] - wanted + 180.0) % 360.0 - 180.0
    assert np.abs(off).max() < 0.1  # degrees: the lengths' surface is smoothed over 3 mm


def _spot(station: float, angle: float):
    from rectify.limb.spot import Spot

    return Spot(station, angle)
