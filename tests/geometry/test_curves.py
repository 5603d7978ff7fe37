"""Curves through values, against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline, PchipInterpolator

from rectify.geometry.curves import monotone, smooth


@pytest.mark.parametrize("seed", range(25))
def test_both_curves_are_scipys(seed):
    rng = np.random.default_rng(seed)
    k = int(rng.integers(2, 40))
    knots = np.cumsum(rng.uniform(0.2, 5.0, k)) - 30.0
    values = np.round(rng.normal(size=k), int(rng.integers(0, 4)))  # rounded: some are the same as the next
    at = np.concatenate([knots, rng.uniform(knots[0], knots[-1], 200)])
    assert monotone(knots, values)(at) == pytest.approx(PchipInterpolator(knots, values)(at), abs=1e-12)
    size = np.abs(values).max() + 1.0  # a spline through uneven knots swings out: rounding swings with it
    assert smooth(knots, values)(at) == pytest.approx(CubicSpline(knots, values)(at), abs=1e-9 * size)


@pytest.mark.parametrize("ends", [(1.0, -8.0, 0.0, 4.0), (0.0, 0.0, 1.0, 1.0), (-1.0, 5.0, 4.9, 9.0)])
def test_the_ends_of_a_monotone_curve_are_scipys(ends):
    knots, values = np.array([0.0, 1.0, 4.0, 5.0]), np.array(ends)
    at = np.linspace(0.0, 5.0, 101)
    assert monotone(knots, values)(at) == pytest.approx(PchipInterpolator(knots, values)(at), abs=1e-13)


def test_a_spline_through_a_cubic_is_that_cubic_everywhere():
    knots = np.array([0.0, 0.7, 2.0, 3.1, 5.0])

    def cubic(x):
        return 1.0 - 2.0 * x + 0.5 * x**2 - 0.1 * x**3

    at = np.linspace(-2.0, 8.0, 50)  # carried on beyond the ends too
    assert smooth(knots, cubic(knots))(at) == pytest.approx(cubic(at), abs=1e-10)


def test_a_monotone_curve_stays_between_its_values():
    rng = np.random.default_rng(3)
    knots = np.arange(12.0)
    values = np.cumsum(rng.exponential(size=12))
    found = monotone(knots, values)(np.linspace(0.0, 11.0, 2000))
    assert (np.diff(found) >= -1e-12).all() and found.min() >= values[0] and found.max() <= values[-1] + 1e-12
