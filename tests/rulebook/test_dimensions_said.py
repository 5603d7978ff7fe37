"""What a rulebook says of dimensions, and what a solution of them does to a plan."""

from __future__ import annotations

from pathlib import Path

import pytest

from rectify.errors import CaseError, LandmarkError, RulesError
from rectify.limb.spot import Spot
from rectify.rulebook import Facts, TapeValue
from rectify.rulebook.describe import describe
from rectify.rulebook.load import Rulebook
from rectify.rulebook.plan import Plan, Solution, Solved
from rectify.rulebook.resolve import resolve
from rectify.rulebook.tuning import read_tune
from tests.rulebook.books import BAR, book_text, load_text
from tests.rulebook.fake import FakeLimb, absent, mark, transtibial
from tests.rulebook.test_resolve import codes

PRESSED = """\
dimensions:
  - measure: ap
    at: mid-patellar-tendon
    between: [mid-patellar-tendon, {at: popliteal, distal: 10 mm}]
    target: {from: tape, tension: tight, change: -2 mm}
    by: bar
    within: 2 mm
"""
TIGHT, RELAXED = (
    TapeValue("ap", "mid-patellar-tendon", 0.0, mm, "liner", how) for mm, how in ((100, "tight"), (108, None))
)
SOLVED = Solution({"bar": Solved(6.4, "ap is to be 98 mm")}, ("bar 5 mm -> 6.4 mm",))


def made(
    book: Rulebook,
    tape: tuple[TapeValue, ...] = (TIGHT,),
    limb: FakeLimb | None = None,
    tune: object = None,
    **more: object,
) -> Plan:
    tunings = read_tune(tune, book, lambda _: (None, None))  # type: ignore[arg-type]
    facts = Facts(tape=tape, worn_mm=0.0, liner_mm=0.0)
    return resolve(book, limb or transtibial(), facts, tunings, scan_sha256="0" * 64, **more)  # type: ignore[arg-type]


@pytest.fixture
def book(tmp_path: Path) -> Rulebook:
    return load_text(tmp_path, book_text(more=PRESSED))


def test_only_a_value_taken_as_the_rulebook_asks_is_a_target(book: Rulebook) -> None:
    assert made(book, (RELAXED, TIGHT)).dimensions[0].target_mm == 98.0
    none = made(book, (RELAXED,))
    assert none.dimensions[0].target_mm is None and codes(none) == {"no-tape"}
    assert any("no such value taken tight" in warn.message for warn in none.warnings)


def test_tips_are_places_of_the_skin(book: Rulebook) -> None:
    (dimension,) = made(book).dimensions
    assert dimension.between == (Spot(0.0, 0.0), Spot(15.0, 180.0))
    assert dimension.at_text == "mid-patellar-tendon, tips on mid-patellar-tendon and popliteal"


def test_a_tip_on_an_absent_landmark_or_beyond_the_capture_leaves_the_dimension_out(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(more=PRESSED.replace("{at: popliteal, distal: 10 mm}", "popliteal")))
    gone = made(book, limb=transtibial(popliteal=absent()))
    assert gone.dimensions == () and "landmark-absent" in codes(gone)
    chart = transtibial().chart
    high = made(book, limb=transtibial(popliteal=mark(chart, (-100.0, 180.0))))
    assert high.dimensions == () and "beyond-capture" in codes(high)


def test_a_tip_that_nobody_marked_is_missed_by_name(book: Rulebook) -> None:
    with pytest.raises(LandmarkError, match="popliteal is not marked"):
        made(book, limb=transtibial(popliteal=None))


def test_a_tape_has_no_tips_and_a_length_was_not_taken_tight(tmp_path: Path) -> None:
    with pytest.raises(RulesError, match=r"dimensions\[0\]\.between: is of a calliper"):
        load_text(tmp_path, book_text(more=PRESSED.replace("measure: ap", "measure: circumference")))
    said = PRESSED.replace("{from: tape, tension: tight, change: -2 mm}", "{value: 98 mm, tension: tight}")
    with pytest.raises(RulesError, match="belongs to a value from the tape"):
        load_text(tmp_path, book_text(more=said))


def test_a_region_that_moves_for_a_dimension_must_say_how_far_it_may(tmp_path: Path) -> None:
    regions = BAR.replace("    allow: [2 mm, 7 mm]\n", "")
    with pytest.raises(RulesError, match="moves bar, which does not say how far it may be moved") as caught:
        load_text(tmp_path, book_text(regions, more=PRESSED))
    assert caught.value.key == "dimensions[0].by[0]" and caught.value.wanted == "allow: [least, most] in regions.bar"


def test_it_is_told_in_words(book: Rulebook) -> None:
    assert describe(book).dimensions == (
        "ap at mid-patellar-tendon, tips on mid-patellar-tendon and popliteal, 10 mm distal: "
        "the tape's value, taken tight -2 mm, within 2 mm, by bar",
    )


def test_a_solution_is_told_like_a_tuning_and_keeps_its_reason(book: Rulebook) -> None:
    plan = made(book, solution=SOLVED)
    (bar,) = plan.regions
    assert (bar.rulebook_mm, bar.solved_mm, bar.asked_mm) == (5.0, 6.4, 6.4)
    assert bar.change_mm == pytest.approx(1.4)
    assert [(t.by, t.text, t.why) for t in bar.tuned] == [("dimensions", "amount 5 mm -> 6.4 mm", "ap is to be 98 mm")]
    assert plan.dimensions[0].reason == "bar 5 mm -> 6.4 mm"


def test_tunings_come_after_a_solution_and_are_held_to_allow(book: Rulebook) -> None:
    def entry(**change: str) -> list[object]:
        return [{"by": "AB", "on": "2026-01-02", "why": "test", "regions": {"bar": change}}]

    plan = made(book, tune=entry(change="+0.5 mm"), solution=SOLVED)
    assert plan.regions[0].asked_mm == pytest.approx(6.9)
    assert [t.text for t in plan.regions[0].tuned] == ["amount 5 mm -> 6.4 mm", "amount 6.4 mm -> 6.9 mm"]
    assert made(book, tune=entry(amount="3 mm"), solution=SOLVED).regions[0].asked_mm == 3.0
    with pytest.raises(CaseError, match=r"makes it 7\.4 mm, past allow"):
        made(book, tune=entry(change="+1 mm"), solution=SOLVED)
    bare = made(book, tune=entry(change="+1 mm", feather="14 mm"), bare=True).regions[0]
    assert (bare.asked_mm, bare.feather_mm) == (5.0, 14.0)  # all but what is done to amounts
