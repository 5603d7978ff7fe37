"""The steepest slope of a feather, against the blend itself."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.rulebook.slope import STEEPNESS, amount_for, feather_for, slope_deg


def test_the_slope_is_the_steepest_of_the_quintic_blend() -> None:
    # second way: the blend sampled and differentiated by numpy
    t = np.linspace(0.0, 1.0, 200_001)
    height = 6.0 * (10 * t**3 - 15 * t**4 + 6 * t**5)
    steepest = float(np.max(np.diff(height) / np.diff(14.0 * t)))
    assert slope_deg(6.0, 14.0) == pytest.approx(np.degrees(np.arctan(steepest)), abs=1e-6)  # deg; grid of 2e5 steps


def test_the_feather_for_a_slope_has_that_slope() -> None:
    for limit in (20.0, 35.0, 45.0):
        assert slope_deg(7.0, feather_for(7.0, limit)) == pytest.approx(limit, abs=1e-12)


def test_no_amount_needs_no_feather_and_an_amount_without_one_is_a_step() -> None:
    assert slope_deg(0.0, 0.0) == 0.0
    assert slope_deg(1.0, 0.0) == 90.0


def test_the_most_that_a_feather_carries_needs_that_feather() -> None:
    for fall in STEEPNESS:
        assert feather_for(amount_for(13.0, 40.0, fall), 40.0, fall) == pytest.approx(13.0, abs=1e-12)
