"""How weights rise and how regions come together."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.integrate import quad

from rectify.engine.blend import QUINTIC_SLOPE, blend_kind, quintic, together

shares = st.floats(0.0, 1.0, allow_subnormal=False)
millimetres = st.floats(0.0, 15.0, allow_subnormal=False)


def regions(count=4, places=5):
    return st.integers(1, count).flatmap(
        lambda r: st.tuples(arrays(float, (r, places), elements=shares), arrays(float, (r, places), elements=millimetres))
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


def test_two_regions_by_hand():
    joint, amount = blend_kind(np.array([[0.5, 1.0, 0.0]] * 1 + [[0.5, 0.25, 0.0]]), np.array([[4.0] * 3, [2.0] * 3]))
    assert joint == pytest.approx([0.75, 1.0, 0.0])
    assert amount == pytest.approx([0.75 * 3.0, (4.0 + 0.5) / 1.25, 0.0])


def test_no_regions_move_nothing():
    joint, amount = blend_kind(np.zeros((0, 7)), np.zeros((0, 7)))
    assert joint.tolist() == [0.0] * 7 and amount.tolist() == [0.0] * 7


@given(regions(), st.randoms(use_true_random=False))
def test_the_order_of_regions_does_not_matter(given_regions, random):
    weights, amounts = given_regions
    order = list(range(len(weights)))
    random.shuffle(order)
    for one, two in zip(blend_kind(weights, amounts), blend_kind(weights[order], amounts[order]), strict=True):
        assert one == pytest.approx(two, abs=1e-12)


@given(regions())
def test_the_joint_move_is_never_over_the_largest_nor_under_the_joint_share_of_the_least(given_regions):
    weights, amounts = given_regions
    joint, amount = blend_kind(weights, amounts)
    there = weights > 0
    most = np.where(there, amounts, -np.inf).max(axis=0)
    least = np.where(there, amounts, 99.0).min(axis=0)
    anywhere = there.any(axis=0)
    assert (joint >= weights.max(axis=0) - 1e-12).all() and (joint <= 1 + 1e-12).all()
    assert (amount[anywhere] <= most[anywhere] + 1e-9).all()
    assert (amount[anywhere] >= (joint * least)[anywhere] - 1e-9).all()
    assert (amount[~anywhere] == 0).all()


@given(arrays(float, (3, 6), elements=shares), millimetres)
def test_between_regions_of_one_amount_there_is_no_dip(weights, mm):
    _, amount = blend_kind(weights, np.full((3, 6), mm))
    assert (amount >= mm * weights.max(axis=0) - 1e-9).all()
    assert (amount <= mm + 1e-9).all()


@given(arrays(float, (1, 6), elements=shares), millimetres)
def test_a_region_alone_is_its_weight_times_its_amount(weight, mm):
    joint, amount = blend_kind(weight, np.full((1, 6), mm))
    assert np.array_equal(joint, weight[0]) and np.array_equal(amount, weight[0] * mm)
    # and a second one that weighs nothing there changes it by rounding only
    both = blend_kind(np.vstack([weight, np.zeros((1, 6))]), np.array([[mm] * 6, [9.0] * 6]))
    assert both[1] == pytest.approx(amount, abs=1e-12)


@given(regions(count=2), st.integers(0, 1), st.floats(0.0, 3.0))
def test_more_amount_never_moves_less(given_regions, which, more):
    weights, amounts = given_regions
    up = amounts.copy()
    up[which % len(up)] += more
    assert (blend_kind(weights, up)[1] >= blend_kind(weights, amounts)[1] - 1e-9).all()


# -- build-up over reduction ----------------------------------------------------------------------


@given(shares, millimetres, millimetres)
def test_a_full_build_up_hides_any_reduction(w, build, reduce):
    full, none = np.array([1.0]), np.array([0.0])
    assert together(full, np.array([build]), np.array([reduce])) == pytest.approx([build])
    assert together(none, none, np.array([reduce])) == pytest.approx([-reduce])
    part = together(np.array([w]), np.array([w * build]), np.array([reduce]))[0]
    assert part == pytest.approx(w * build - (1 - w) * reduce)
    assert -reduce - 1e-12 <= part <= build + 1e-12
