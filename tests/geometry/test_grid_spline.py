"""Grids read between their values, against scipy and against functions that a spline must hit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from rectify.geometry.grid_spline import GridSpline, Reading, Steps

RNG = np.random.default_rng(11)


def read(grid, rows, columns, **how):
    """A grid's values at places."""
    spline = GridSpline.of(grid, **how)
    return Reading.at(rows, columns, spline.shape, spline.order).of(spline)


@pytest.mark.parametrize("count", [1, 40, 2000])
@pytest.mark.parametrize("shape", [(2, 2), (3, 5), (30, 41), (90, 7)])
@pytest.mark.parametrize("order", [1, 3])
def test_it_reads_what_scipy_reads_between_mirrors(shape, order, count):
    grid = RNG.normal(size=shape) * 50.0
    rows, columns = RNG.uniform(0, shape[0] - 1, count), RNG.uniform(0, shape[1] - 1, count)
    rows[0], columns[0] = shape[0] - 1, shape[1] - 1  # the very corner
    # scipy's own mirror is not exact on grids of a few rows: there the images in the mirror are written out
    wide = np.pad(grid, 40, mode="symmetric")
    expected = ndimage.map_coordinates(wide, [rows + 40, columns + 40], order=order, mode="reflect")
    assert read(grid, rows, columns, around=False, order=order) == pytest.approx(expected, abs=1e-10)


@pytest.mark.parametrize("order", [1, 3])
def test_round_and_round_it_reads_what_scipy_reads_of_three_turns(order):
    grid = RNG.normal(size=(12, 30)) * 50.0
    rows, columns = RNG.uniform(0, 11, 500), RNG.uniform(0, 30, 500)
    columns[:3] = 0.0, 29.999999, 29.0
    three = np.tile(grid, (1, 3))
    expected = ndimage.map_coordinates(three, [rows, columns + 30], order=order, mode="reflect")
    # scipy's ends are thirty columns away, and what they do falls by 0.27 with each
    assert read(grid, rows, columns, around=True, order=order) == pytest.approx(expected, abs=1e-9)


def test_it_goes_through_the_grids_own_values():
    grid = RNG.normal(size=(9, 16))
    rows, columns = (g.ravel().astype(float) for g in np.meshgrid(np.arange(9), np.arange(16), indexing="ij"))
    assert read(grid, rows, columns, around=True) == pytest.approx(grid.ravel(), abs=1e-12)


def test_waves_round_a_turn_are_read_with_the_error_of_a_spline():
    turn = np.arange(240) * 2 * np.pi / 240
    grid = np.tile(np.sin(3 * turn), (5, 1))
    columns = RNG.uniform(0, 240, 1000)
    found = read(grid, np.full(1000, 2.0), columns, around=True)
    # h^4 / 384 of the fourth derivative, 81: (2 pi / 240)^4 * 81 / 384 = 1e-7
    assert found == pytest.approx(np.sin(3 * columns * 2 * np.pi / 240), abs=2e-7)


def test_places_read_alone_and_together_are_the_same_to_the_bit():
    grid = RNG.normal(size=(20, 24))
    rows, columns = RNG.uniform(0, 19, 1000), RNG.uniform(0, 24, 1000)
    spline = GridSpline.of(grid, around=True)
    whole = Reading.at(rows, columns, spline.shape).of(spline)
    for part in (slice(3, 4), slice(100, 300)):
        assert np.array_equal(Reading.at(rows[part], columns[part], spline.shape).of(spline), whole[part])


@pytest.mark.parametrize("count", [5, 3000])
def test_one_row_goes_with_many_columns_and_one_column_with_many_rows(count):
    grid = RNG.normal(size=(20, 24))
    rows, columns = RNG.uniform(0, 19, count), RNG.uniform(0, 24, count)
    spline = GridSpline.of(grid, around=True)
    down, along = Steps.of(rows, 20), Steps.of(columns, 24)
    one = Reading(Steps.of(rows[:1], 20), along, spline.shape).of(spline)
    assert one == pytest.approx(Reading.at(np.full(count, rows[0]), columns, spline.shape).of(spline), abs=1e-14)
    one = Reading(down, Steps.of(columns[:1], 24), spline.shape).of(spline)
    assert one == pytest.approx(Reading.at(rows, np.full(count, columns[0]), spline.shape).of(spline), abs=1e-14)


def test_nowhere_nothing():
    assert len(read(np.zeros((4, 4)), np.zeros(0), np.zeros(0), around=True)) == 0
