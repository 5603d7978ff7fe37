"""Conditions and factors on the facts of a case."""

from __future__ import annotations

import pytest

from rectify.rulebook.facts import Facts
from rectify.rulebook.when_says import read_when
from rectify.rulebook.whens import weigh


def test_a_condition_holds_for_its_words_only() -> None:
    when = read_when({"suspension": ["suction", "vacuum"]})
    assert weigh(when, Facts(suspension="vacuum")).holds
    outcome = weigh(when, Facts(suspension="pin"))
    assert not outcome.holds
    assert outcome.says == ("suspension is pin, wanted suction or vacuum",)


def test_factors_multiply_and_a_word_not_listed_counts_one() -> None:
    when = read_when({"shaping": {"hand": 0.5}, "tissue": {"soft": 1.2}})
    assert weigh(when, Facts(shaping="hand", tissue="soft")).factor == pytest.approx(0.6, abs=1e-15)
    assert weigh(when, Facts(shaping="vacuum", tissue="firm")) == weigh(None, Facts())
    assert weigh(when, Facts(shaping="hand", tissue="firm")).says == ("shaping is hand: times 0.5",)


def test_a_factor_of_zero_leaves_it_out() -> None:
    assert not weigh(read_when({"suspension": {"pin": 0}}), Facts(suspension="pin")).holds


def test_what_nobody_said_meets_no_condition_and_has_factor_one_and_is_named() -> None:
    condition = weigh(read_when({"tissue": "soft"}), Facts())
    assert not condition.holds and condition.unknown == ("tissue",)
    factor = weigh(read_when({"shaping": {"hand": 0.4}, "liner": {"3 mm": 0.5}}), Facts())
    assert (factor.holds, factor.factor, factor.unknown) == (True, 1.0, ("shaping", "liner"))


@pytest.mark.parametrize(("worn", "factor"), [(0.0, 0.5), (3.0, 0.5), (4.5, 0.75), (6.0, 1.0), (9.0, 1.3), (12.0, 1.3)])
def test_liner_factors_run_straight_between_the_thicknesses_and_hold_at_the_ends(worn: float, factor: float) -> None:
    when = read_when({"liner": {"6 mm": 1, "3 mm": 0.5, "9 mm": 1.3}})
    assert weigh(when, Facts(liner_mm=worn)).factor == pytest.approx(factor, abs=1e-12)


@pytest.mark.parametrize(("worn", "holds"), [(2.99, False), (3.0, True), (6.0, True), (6.01, False), (None, False)])
def test_a_range_of_liners_takes_its_ends(worn: float | None, holds: bool) -> None:
    assert weigh(read_when({"liner": {"at-least": "3 mm", "at-most": "6 mm"}}), Facts(liner_mm=worn)).holds is holds


def test_truth_values_of_rectified_are_words_too() -> None:
    when = read_when({"rectified": False})
    assert weigh(when, Facts(rectified=False)).holds
    assert not weigh(when, Facts(rectified=True)).holds
    assert not weigh(when, Facts()).holds
