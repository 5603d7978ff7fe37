"""How much: scaling, allow, limits, tunings."""

from __future__ import annotations

from pathlib import Path

import pytest

from rectify.errors import CaseError, RulesError
from rectify.rulebook import Facts
from tests.rulebook.books import BAR, HEAD_UP, book_text, load_text
from tests.rulebook.fake import CapsuleChart, transtibial
from tests.rulebook.test_resolve import codes, planned, region, tunings

SHARE = BAR.replace("amount: 5 mm", "amount: 12 % of radius")


@pytest.mark.parametrize(
    ("radius", "expected", "held"), [(50.0, 6.0, False), (40.0, 4.8, False), (70.0, 7.0, True), (12.0, 2.0, True)]
)
def test_a_share_of_radius_follows_the_limb_and_is_held_to_allow(
    tmp_path: Path, radius: float, expected: float, held: bool
) -> None:
    plan = planned(load_text(tmp_path, book_text(SHARE)), transtibial(CapsuleChart(radius=radius)))
    bar = region(plan, "bar")
    assert bar.rulebook_mm == bar.asked_mm == pytest.approx(expected, abs=1e-12)
    assert (bar.change_mm, bar.amount_text) == (0.0, "12 % of radius")
    assert ("amount-held-to-allow" in codes(plan, "bar")) is held


def test_being_held_is_said_with_what_it_would_have_been(tmp_path: Path) -> None:
    when = "    when: {shaping: {hand: 0.5}}\n"
    plan = planned(
        load_text(tmp_path, book_text(SHARE + when)), transtibial(CapsuleChart(radius=30.0)), Facts(shaping="hand")
    )
    (warn,) = [warn for warn in plan.warnings if warn.code == "amount-held-to-allow"]
    assert warn.severity == "note"
    assert warn.message == "12 % of radius times 0.5 is 1.8 mm on this limb, held to 2 mm by allow"


@pytest.mark.parametrize(
    ("change", "asked"),
    [
        ("amount: 3 mm", 3.0),
        ("change: +1.5 mm", 6.5),
        ("change: -3 mm", 2.0),
        ("amount: 7 mm", 7.0),
        ("amount: 10 % of radius", 5.0),
    ],
)
def test_a_tuning_sets_or_adds_within_allow(tmp_path: Path, change: str, asked: float) -> None:
    book = load_text(tmp_path, book_text(BAR.replace("feather: 16 mm", "feather: 16.5 mm").replace("36 mm", "38 mm")))
    bar = region(planned(book, tune=tunings(book, f"regions: {{bar: {{{change}}}}}")), "bar")
    assert (bar.rulebook_mm, bar.asked_mm) == (5.0, pytest.approx(asked, abs=1e-12))
    assert bar.change_mm == pytest.approx(asked - 5.0, abs=1e-12)


def test_each_tuning_sees_what_the_earlier_ones_made(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text())
    entries = ("regions: {bar: {change: +1 mm}}", "regions: {bar: {amount: 3 mm}}", "regions: {bar: {change: +0.5 mm}}")
    bar = region(planned(book, tune=tunings(book, *entries)), "bar")
    assert bar.asked_mm == 3.5
    assert [t.text for t in bar.tuned] == ["amount 5 mm -> 6 mm", "amount 6 mm -> 3 mm", "amount 3 mm -> 3.5 mm"]


@pytest.mark.parametrize(("change", "new"), [("amount: 7.01 mm", "7.01 mm"), ("change: -3.01 mm", "1.99 mm")])
def test_a_tuning_past_allow_is_refused_where_it_stands(tmp_path: Path, change: str, new: str) -> None:
    book = load_text(tmp_path, book_text())
    with pytest.raises(CaseError, match=f"makes it {new}, past allow") as caught:
        planned(book, tune=tunings(book, f"regions: {{bar: {{{change}}}}}"))
    error = caught.value
    assert (error.path, error.line, error.wanted) == ("case.yaml", 2, "2 mm to 7 mm")
    assert error.key == f"tune[0].regions.bar.{change.split(':')[0]}"
    assert error.hint is not None and "beyond-allow" in error.hint


def test_somebody_may_answer_for_going_past_allow_and_it_must_be_looked_at(tmp_path: Path) -> None:
    wide = BAR.replace("36 mm", "50 mm").replace("feather: 16 mm", "feather: 20 mm")
    book = load_text(tmp_path, book_text(wide))
    for where in (
        "regions: {bar: {amount: 8 mm, beyond-allow: {by: JT, why: agreed}}}",
        "beyond-allow: {by: JT, why: agreed}, regions: {bar: {amount: 8 mm}}",
    ):
        plan = planned(book, tune=tunings(book, where))
        (warn,) = [warn for warn in plan.warnings if warn.code == "beyond-allow"]
        assert (warn.severity, warn.message) == ("look", "8 mm, past allow (2 mm to 7 mm); JT: agreed")
        assert region(plan, "bar").tuned[0].beyond_allow == "JT: agreed"
    inside = planned(book, tune=tunings(book, "regions: {bar: {amount: 6 mm, beyond-allow: {by: JT, why: agreed}}}"))
    assert region(inside, "bar").tuned[0].beyond_allow is None
    assert "beyond-allow" not in codes(inside)


def test_no_tuning_passes_a_limit_whoever_answers_for_it(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(HEAD_UP, more="limits: {build-up: 8 mm}\n"))
    beyond = "beyond-allow: {by: JT, why: agreed}"
    assert planned(book, tune=tunings(book, f"regions: {{fibular-head: {{amount: 8 mm, feather: 20 mm, {beyond}}}}}"))
    with pytest.raises(CaseError, match=r"makes it 8\.1 mm, past the limit") as caught:
        planned(book, tune=tunings(book, f"regions: {{fibular-head: {{amount: 8.1 mm, feather: 20 mm, {beyond}}}}}"))
    assert caught.value.hint == "no tuning passes a limit"


def test_a_set_past_allow_says_where_to_write_it_instead(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text())
    with pytest.raises(RulesError, match="past allow") as caught:
        planned(book, sets=["bar.amount=9mm"])
    assert caught.value.hint is not None and "write it as a tuning in the case" in caught.value.hint


def test_an_amount_below_zero_is_refused_and_zero_is_not(tmp_path: Path) -> None:
    free = BAR.replace("    allow: [2 mm, 7 mm]\n", "")
    book = load_text(tmp_path, book_text(free))
    assert region(planned(book, tune=tunings(book, "regions: {bar: {change: -5 mm}}")), "bar").asked_mm == 0.0
    with pytest.raises(CaseError, match="takes the amount below 0 mm") as caught:
        planned(book, tune=tunings(book, "regions: {bar: {change: -5.1 mm}}"))
    assert caught.value.hint == "to leave the region out, write drop: yes"


def test_an_added_region_past_a_limit_is_refused_where_it_stands(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(more="limits: {build-up: 3 mm}\n"))
    add = "{action: build-up, amount: AMOUNT, at: popliteal, shape: {oval: 25 mm}, feather: 12 mm}"
    fine = f"regions: {{new: {{add: {add.replace('AMOUNT', '3 mm')}}}}}"
    assert region(planned(book, tune=tunings(book, fine)), "new").asked_mm == 3.0
    with pytest.raises(CaseError, match=r"new\.add\.amount: is 3\.1 mm on this limb, past the limit"):
        planned(book, tune=tunings(book, fine.replace("3 mm", "3.1 mm")))
