"""Beliefs about places: conditioning against the closed form of two normal variables, and against sampling."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.limb.estimates.belief import Belief, Place

LOOSE = float("inf")


def pair(shared: float = 3.0, own: float = 4.0) -> Belief:
    """Two places that share a cause along and nothing around."""
    shares = {"cause": (shared, 0.0)}
    return Belief([Place("one", 10.0, 5.0, own, 2.0, shares), Place("two", 30.0, 100.0, own, 2.0, shares)])


def test_a_place_is_expected_where_it_is_said_with_own_and_shared_spread():
    mean, covariance = pair().of("two")
    assert mean == pytest.approx([30.0, 100.0])
    assert covariance == pytest.approx(np.array([[25.0, 0.0], [0.0, 4.0]]))  # 3 and 4 at right angles


def test_knowing_one_moves_the_other_by_the_regression_of_two_normal_variables():
    belief = pair()
    belief.known("one", 18.0, 5.0, 1.0, LOOSE)
    mean, covariance = belief.of("two")
    # covariance 9, variance seen 25 + 1: the slope is 9 / 26
    assert mean == pytest.approx([30.0 + 8.0 * 9.0 / 26.0, 100.0])
    assert covariance[0, 0] == pytest.approx(25.0 - 81.0 / 26.0)
    assert covariance[1, 1] == pytest.approx(4.0)


def test_a_place_known_exactly_is_there():
    belief = pair()
    belief.known("one", 12.0, 7.0, 0.0, 0.0)
    mean, covariance = belief.of("one")
    assert mean == pytest.approx([12.0, 7.0])
    assert np.abs(covariance).max() < 1e-9


def test_a_child_goes_with_its_parents_and_keeps_its_own_spread():
    belief = Belief(
        [
            Place("top", 10.0, 0.0, 2.0, 1.0),
            Place("end", 110.0, 20.0, 6.0, 1.0),
            Place("between", 5.0, 0.0, 1.0, 1.0, parents={"top": 0.25, "end": 0.75}),
        ]
    )
    mean, covariance = belief.of("between")
    assert mean == pytest.approx([5.0 + 0.25 * 10.0 + 0.75 * 110.0, 15.0])
    assert covariance[0, 0] == pytest.approx(0.25**2 * 4.0 + 0.75**2 * 36.0 + 1.0)
    belief.known("end", 130.0, 20.0, 0.0, 0.0)
    assert belief.of("between")[0][0] == pytest.approx(5.0 + 2.5 + 0.75 * 130.0)


def test_learning_what_knowing_would_give_is_the_same_as_knowing():
    known, learnt = pair(), pair()
    known.known("one", 18.0, 3.0, 2.0, 1.0)
    learnt.learn("one", *known.of("one"))
    assert learnt.mean == pytest.approx(known.mean)
    assert learnt.covariance == pytest.approx(known.covariance)


def test_learning_nothing_new_changes_nothing():
    belief = pair()
    before = belief.mean.copy(), belief.covariance.copy()
    belief.learn("one", *belief.of("one"))
    assert belief.mean == pytest.approx(before[0]) and belief.covariance == pytest.approx(before[1])


def test_no_knowledge_ever_widens_a_place():
    rng = np.random.default_rng(7)
    shares = [{"a": tuple(rng.normal(0, 3, 2)), "b": tuple(rng.normal(0, 3, 2))} for _ in range(5)]
    belief = Belief([Place(str(i), 0.0, 0.0, 2.0, 2.0, share) for i, share in enumerate(shares)])
    for name in ("3", "0", "4"):
        before = np.diag(belief.covariance).copy()
        belief.known(name, *rng.normal(0, 5, 2), 1.0, 1.0)
        assert (np.diag(belief.covariance) <= before + 1e-12).all()
        assert np.linalg.eigvalsh(belief.covariance).min() > -1e-9


def test_directions_are_compared_the_short_way_round():
    belief = Belief([Place("back", 0.0, 179.0, 1.0, 4.0)])
    belief.known("back", 0.0, -177.0, LOOSE, 0.0)  # 4 degrees on
    assert belief.of("back")[0][1] == pytest.approx(183.0)


def test_conditioning_agrees_with_sampling():
    rng = np.random.default_rng(11)
    n = 400_000
    cause, own = rng.normal(0, 3, n), rng.normal(0, 4, (2, n))
    one, two = 10 + cause + own[0], 30 + cause + own[1]
    near = np.abs(one + rng.normal(0, 1, n) - 18.0) < 0.2
    belief = pair()
    belief.known("one", 18.0, 5.0, 1.0, LOOSE)
    mean, covariance = belief.of("two")
    scatter = np.sqrt(covariance[0, 0] / near.sum())
    assert abs(two[near].mean() - mean[0]) < 4 * scatter
    assert two[near].std() == pytest.approx(np.sqrt(covariance[0, 0]), rel=0.05)
