"""How weights rise and how regions come together."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.integrate import quad

from rectify.engine.blend import QUINTIC_SLOPE, quintic, shares

parts = st.floats(0.0, 1.0, allow_subnormal=False)
millimetres = st.floats(0.0, 15.0, allow_subnormal=False)


def regions(count=4, places=5):
    return st.integers(1, count).flatmap(
        lambda r: st.tuples(
            arrays(float, (r, places), elements=parts), arrays(float, (r, places), elements=millimetres)
        )
    )


# -- the quintic step -----------------------------------------------------------------------------


def test_the_step_is_exactly_nothing_below_and_exactly_one_above():
    assert quintic(np.array([-3.0, -1e-300, 0.0, 1.0, 1.0 + 1e-12, 9.0])).tolist() == [0, 0, 0, 1, 1, 1]


def test_the_step_is_never_over_one_by_rounding():
    t = np.concatenate([np.linspace(0.9, 1.0, 100_001), 1.0 - np.geomspace(1e-17, 1e-2, 20_000)])
    assert quintic(t).max() <= 1.0  # a weight over one is not in the core and blends to less than nothing


def test_the_step_is_flat_to_second_order_at_both_ends():
    # 10 t³ near 0: the value, slope and curvature at a small t, against the closed form
    t = 1e-3
    for start, sign in ((0.0, 1.0), (1.0, -1.0)):
        rise = abs(quintic(np.array([start + sign * t]))[0] - start)
        assert rise == pytest.approx(10 * t**3, rel=0.01)


@given(st.floats(0.0, 1.0))
def test_the_step_is_symmetric_about_its_middle(t):
    assert quintic(np.array([t]))[0] + quintic(np.array([1.0 - t]))[0] == pytest.approx(1.0, abs=1e-14)


def test_the_step_is_steepest_in_the_middle_by_the_published_figure():
    # 30 t² (1 - t)² at 1/2: 1.875 (quintic smoothstep, closed form)
    t = np.linspace(0.0, 1.0, 2001)
    slope = np.diff(quintic(t)) / np.diff(t)
    assert (slope >= 0).all()
    assert slope.max() == pytest.approx(QUINTIC_SLOPE, rel=1e-6) and QUINTIC_SLOPE == 1.875
    assert t[int(np.argmax(slope))] == pytest.approx(0.5, abs=0.001)


def test_the_moments_of_the_step_are_those_of_the_patch_volume():
    # a round patch holds pi D (a² + a w + k w²) with k = 2/7: 2 pi times the moments of the step
    assert quad(lambda t: float(quintic(np.array([t]))[0]), 0, 1)[0] == pytest.approx(0.5, abs=1e-10)
    first = quad(lambda t: (1 - t) * float(quintic(np.array([t]))[0]), 0, 1)[0]
    assert 2 * first == pytest.approx(2 / 7, abs=1e-10)


# -- regions of one kind --------------------------------------------------------------------------


def blend(weights, amounts, build=True):
    """The joint move of regions of one kind, amounts in mm."""
    return (shares(weights, np.full(len(weights), build)) * amounts).sum(axis=0)


def joint(weights):
    return 1.0 - np.prod(1.0 - weights, axis=0)


def test_two_regions_by_hand():
    weights = np.array([[0.5, 1.0, 0.0], [0.5, 0.25, 0.0]])
    found = blend(weights, np.array([[4.0] * 3, [2.0] * 3]))
    # W = 1 - (1 - w1)(1 - w2), A = (w1 a1 + w2 a2) / (w1 + w2), D = W A
    assert found == pytest.approx([0.75 * 3.0, (4.0 + 0.5) / 1.25, 0.0])


def test_no_regions_have_no_shares():
    assert shares(np.zeros((0, 7)), np.zeros(0, dtype=bool)).shape == (0, 7)


@pytest.mark.parametrize("build", [True, False])
@given(regions())
def test_shares_add_up_to_the_joint_weight(build, given_regions):
    weights, _ = given_regions
    assert shares(weights, np.full(len(weights), build)).sum(axis=0) == pytest.approx(joint(weights), abs=1e-12)


@given(regions(), st.randoms(use_true_random=False), st.lists(st.booleans(), min_size=4, max_size=4))
def test_the_order_of_regions_does_not_matter(given_regions, random, kinds):
    weights, _ = given_regions
    builds = np.array(kinds[: len(weights)])
    order = list(range(len(weights)))
    random.shuffle(order)
    assert shares(weights[order], builds[order]) == pytest.approx(shares(weights, builds)[order], abs=1e-12)


@given(regions())
def test_the_joint_move_is_never_over_the_largest_nor_under_the_joint_share_of_the_least(given_regions):
    weights, amounts = given_regions
    found, whole, there = blend(weights, amounts), joint(weights), weights > 0
    most = np.where(there, amounts, -np.inf).max(axis=0)
    least = np.where(there, amounts, 99.0).min(axis=0)
    anywhere = there.any(axis=0)
    assert (found[anywhere] <= most[anywhere] + 1e-9).all()
    assert (found[anywhere] >= (whole * least)[anywhere] - 1e-9).all()
    assert (found[~anywhere] == 0).all()


@given(arrays(float, (3, 6), elements=parts), millimetres)
def test_between_regions_of_one_amount_there_is_no_dip(weights, mm):
    found = blend(weights, np.full((3, 6), mm))
    assert (found >= mm * weights.max(axis=0) - 1e-9).all()
    assert (found <= mm + 1e-9).all()


@given(arrays(float, (1, 6), elements=parts), millimetres)
def test_a_region_alone_is_its_weight_times_its_amount(weight, mm):
    assert np.array_equal(blend(weight, np.full((1, 6), mm)), weight[0] * mm)
    # and a second one that weighs nothing there changes it by rounding only
    both = blend(np.vstack([weight, np.zeros((1, 6))]), np.array([[mm] * 6, [9.0] * 6]))
    assert both == pytest.approx(weight[0] * mm, abs=1e-12)


@given(regions(count=2), st.integers(0, 1), st.floats(0.0, 3.0))
def test_more_amount_never_moves_less(given_regions, which, more):
    weights, amounts = given_regions
    up = amounts.copy()
    up[which % len(up)] += more
    assert (blend(weights, up) >= blend(weights, amounts) - 1e-9).all()


# -- build-up over reduction ----------------------------------------------------------------------


@given(arrays(float, (2, 5), elements=parts))
def test_a_build_up_takes_its_whole_weight_and_leaves_the_rest_to_the_reduction(weights):
    found = shares(weights, np.array([True, False]))
    assert np.array_equal(found[0], weights[0])
    assert found[1] == pytest.approx((1.0 - weights[0]) * weights[1], abs=1e-15)


def test_under_a_full_build_up_a_reduction_has_exactly_nothing():
    weights = np.array([[1.0, 1.0], [0.3, 1.0], [1.0, 0.0]])
    found = shares(weights, np.array([True, False, False]))
    assert (found[1:] == 0.0).all() and (found[0] == 1.0).all()


@given(arrays(float, (4, 5), elements=parts), st.lists(st.booleans(), min_size=4, max_size=4))
def test_no_share_is_negative_and_all_together_are_at_most_one(weights, kinds):
    found = shares(weights, np.array(kinds))
    assert (found >= 0).all() and (found.sum(axis=0) <= 1 + 1e-12).all()
