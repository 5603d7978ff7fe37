"""Two rulebooks compared on a limb in closed form, and on the generated ones; where an amount comes from."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rectify.errors import RulesError
from rectify.limb.landmarks import raw_landmarks
from rectify.limb.limb import Limb
from rectify.limb.vocabulary import AMPUTATIONS
from rectify.rulebook import Facts
from rectify.rulebook.compare import Comparison, compare, compare_plans, spread
from rectify.rulebook.explain import origins
from rectify.rulebook.load import list_rulebooks, load_rulebook
from rectify.rulebook.places import Places
from rectify.rulebook.plan import End, Solution, Solved, Spot
from rectify.rulebook.resolve import resolve
from rectify.rulebook.tuning import read_tune
from rectify.synthetic.reference import reference_limb
from tests.made import build_up, plan, reduction
from tests.rulebook.books import BAR, HEAD_UP, book_text, line_of, load_text
from tests.rulebook.fake import transtibial

OVERALL = """\
overall:
  basis: BASIS
  rows: [{at: mid-patellar-tendon, reduce: PERCENT}]
  evidence: common practice
"""


def compared(folder: Path, one: str, two: str) -> Comparison:
    return compare(load_text(folder, one, "one"), load_text(folder, two, "two"), transtibial())


def test_a_rulebook_does_not_differ_from_itself(tmp_path: Path) -> None:
    text = book_text(BAR + HEAD_UP, more=OVERALL.replace("BASIS", "volume").replace("PERCENT", "3 %"))
    found = compared(tmp_path, text, text)
    assert (found.regions, found.overall, found.rest) == ((), (), ())
    assert found.alike == ("bar", "fibular-head")


@pytest.mark.parametrize(
    ("old", "new", "what", "second", "by"),
    [
        ("amount: 5 mm", "amount: 6.5 mm", "amount", "-6.50 mm", "-1.50 mm"),
        ("amount: 5 mm", "amount: 12 % of radius", "amount", "-6.00 mm (12 % of radius)", "-1.00 mm"),
        ("feather: 16 mm", "feather: 14 mm", "feather", "14 mm", "-2.00 mm"),
        ("along: 36 mm", "along: 40 mm", "extent", "40 mm along, 50 mm around", ""),
        (
            "at: mid-patellar-tendon",
            "at: mid-patellar-tendon\n    distal: 4 mm",
            "place",
            "level 4 mm, 0 deg",
            "4.0 mm distal",
        ),
        ("allow: [2 mm, 7 mm]", "allow: [3 mm, 7 mm]", "allow", "3 mm to 7 mm", ""),
        ("evidence: common", "profile: dome\n    evidence: common", "profile", "dome", ""),
        (
            "evidence: common",
            "when: {shaping: {hand: 0.5}}\n    evidence: common",
            "when",
            "shaping hand: times 0.5",
            "",
        ),
    ],
)
def test_one_change_is_one_difference(tmp_path: Path, old: str, new: str, what: str, second: str, by: str) -> None:
    assert old in BAR
    found = compared(tmp_path, book_text(BAR + HEAD_UP), book_text(BAR.replace(old, new) + HEAD_UP))
    (region,) = found.regions
    (row,) = region.differences
    assert (region.name, row.what, row.second, row.by) == ("bar", what, second, by)
    assert found.alike == ("fibular-head",) and not found.overall and not found.rest


def test_a_region_that_only_one_has_counts_as_nothing_in_the_other(tmp_path: Path) -> None:
    found = compared(tmp_path, book_text(BAR + HEAD_UP), book_text(BAR))
    (region,) = found.regions
    assert (region.name, region.first_mm, region.second_mm, region.change_mm) == ("fibular-head", 4.0, None, -4.0)
    assert (region.differences[0].first, region.differences[0].second) == ("there", "not there")


def test_overall_rows_are_told_both_ways(tmp_path: Path) -> None:
    """5 % of circumference is 9.75 % of volume (closed form)."""
    rows = [
        OVERALL.replace("BASIS", b).replace("PERCENT", p) for b, p in (("circumference", "5 %"), ("volume", "9.75 %"))
    ]
    found = compared(tmp_path, *(book_text(BAR, more=row) for row in rows))
    assert [row.what for row in found.overall] == ["basis"]  # the same reduction, said in two ways
    other = compared(tmp_path, book_text(BAR), book_text(BAR, more=rows[0]))
    (row,) = other.overall
    assert (row.first, row.second) == ("no row", "5.00 % of circumference, 9.75 % of volume")


def test_end_and_limits_are_compared(tmp_path: Path) -> None:
    one = book_text(BAR, more="end: {lengthen: 2 mm}\nlimits: {reduction: 8 mm}\n")
    two = book_text(BAR, more="end: {pad: 5 mm}\nlimits: {reduction: 8 mm, build-up: 9 mm}\n")
    rest = {row.what: (row.first, row.second, row.by) for row in compared(tmp_path, one, two).rest}
    assert rest == {
        "end": ("lengthen 2 mm, from level 120 mm", "pad 5 mm, from level 120 mm", "+3.00 mm"),
        "limit build-up": ("no limit", "at most 9 mm", ""),
    }


def test_rulebooks_for_two_amputations_are_not_compared() -> None:
    with pytest.raises(RulesError, match="different amputations"):
        compare(load_rulebook("transtibial-base"), load_rulebook("transfemoral-base"), transtibial())


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (0.0, ""),
        (1.0, "within one person's scatter"),
        (-1.01, "within what two people differ by"),
        (2.0, "within what two people differ by"),
        (-2.01, "more than two people differ by"),
    ],
)
def test_differences_are_held_against_what_people_differ_by(change: float, words: str) -> None:
    """Convery et al. (2003) Prosthet Orthot Int 27(3):207-213: 1 mm and 2 mm."""
    assert spread(change) == words


@pytest.mark.parametrize("amputation", AMPUTATIONS)
def test_every_shipped_rulebook_can_be_compared_on_the_reference_limb(amputation: str) -> None:
    made = reference_limb(amputation)
    marks = raw_landmarks(made.landmarks)
    limb = Limb.from_capture(made.mesh, side=made.side, amputation=amputation, landmarks=marks)
    books = [book for book in map(load_rulebook, list_rulebooks()) if book.amputation == amputation]
    for book in books:
        found = compare(books[0], book, limb)
        assert {r.name for r in found.regions} | set(found.alike) <= set(books[0].regions) | set(book.regions)
        assert (book is not books[0]) or not (found.regions or found.overall or found.rest)
        back = compare(book, books[0], limb)
        assert {r.name: -r.change_mm for r in back.regions} == pytest.approx(
            {r.name: r.change_mm for r in found.regions}
        )


def test_a_rulebook_for_pressed_limbs_is_resolved_for_one_and_that_is_said(tmp_path: Path) -> None:
    one = load_text(tmp_path, book_text(BAR), "one")
    two = load_text(tmp_path, book_text(BAR, more="needs: {shaping: pressure}\n"), "two")
    (note,) = compare(one, two, transtibial(), Facts(shaping="none")).notes
    assert note == "two is for limbs shaped by pressure, and was resolved for one"


# -- where an amount comes from -------------------------------------------------------------------


def test_every_step_of_an_amount_is_told_in_its_order(tmp_path: Path) -> None:
    bar = BAR.replace("amount: 5 mm", "amount: 10 % of radius").replace(
        "    evidence", "    when: {tissue: {soft: 1.2}}\n    evidence"
    )
    text = book_text(bar + HEAD_UP)
    book = load_text(tmp_path, text)
    entry = {
        "by": "AB",
        "on": "2026-01-02",
        "after": "fitting-1",
        "why": "too loose",
        "regions": {"bar": {"change": "+0.5 mm"}},
    }
    tune = read_tune([entry], book, lambda _: (None, None))
    solution = Solution({"bar": Solved(5.5, "ap is to be 98 mm")})
    plan = resolve(book, transtibial(), Facts(tissue="soft"), tune, scan_sha256="0" * 64, solution=solution)
    bar_way, head_way = origins(plan, book)
    assert bar_way.steps == (
        "the rulebook says 10 % of radius",
        "tissue is soft: times 1.2",
        "6 mm on this limb",
        "amount 6 mm -> 5.5 mm by dimensions: ap is to be 98 mm",
        "amount 5.5 mm -> 6 mm by AB on 2026-01-02, after fitting-1: too loose",
    )
    assert (bar_way.asked_mm, bar_way.evidence) == (6.0, "common practice")
    assert bar_way.line == line_of(text, "amount: 10 % of radius") and bar_way.file == str(tmp_path / "book.yaml")
    assert head_way.steps == ("the rulebook says 4 mm",)


def test_what_was_held_to_allow_says_so_and_without_a_rulebook_there_are_no_lines(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(BAR.replace("amount: 5 mm", "amount: 30 % of radius")))
    plan = resolve(book, transtibial(), Facts(), scan_sha256="0" * 64)
    (way,) = origins(plan)
    assert way.steps == (
        "the rulebook says 30 % of radius",
        "30 % of radius is 15 mm on this limb, held to 7 mm by allow",
    )
    assert (way.file, way.line) == (None, None)


def test_an_added_region_is_the_tunings(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(BAR))
    add = {"action": "build-up", "amount": "3 mm", "at": "fibular-head", "shape": {"oval": "25 mm"}, "feather": "12 mm"}
    entry = {"by": "AB", "on": "2026-01-02", "why": "tender", "regions": {"extra": {"add": add}}}
    plan = resolve(book, transtibial(), Facts(), read_tune([entry], book, lambda _: (None, None)), scan_sha256="0" * 64)
    way = origins(plan, book)[1]
    assert way.steps == ("the tuning says 3 mm", "added by AB on 2026-01-02: tender") and way.line is None


# -- plans ------------------------------------------------------------------------------------------


def test_plans_are_told_apart_in_the_words_of_rulebooks() -> None:
    one = plan(
        reduction("bar", 6.0, Spot(0.0, 0.0)), build_up("head", 4.0, Spot(14.0, 110.0)), end=End("pad", 3.0, 150.0)
    )
    two = plan(
        reduction("bar", 5.0, Spot(4.0, 10.0)), build_up("crest", 3.0, Spot(60.0, 0.0)), end=End("pad", 5.0, 150.0)
    )
    found = compare_plans(one, two)
    bar, head, crest = (next(r for r in found.regions if r.name == name) for name in ("bar", "head", "crest"))
    assert bar.change_mm == 1.0 and [d.what for d in bar.differences] == ["amount", "place"]
    assert bar.differences[1].by == "4.0 mm distal, 10.0 deg round"
    assert head.change_mm == -4.0 and crest.change_mm == 3.0
    assert [(d.what, d.by) for d in found.rest] == [("end", "+2.00 mm")]
    assert compare_plans(one, one).regions == () and compare_plans(one, one).alike == ("bar", "head")


def test_a_move_round_the_limb_is_told_in_mm_where_there_is_one(capsule_limb: Limb) -> None:
    pair = (plan(reduction("bar", 6.0, Spot(40.0, angle))) for angle in (0.0, 10.0))
    (bar,) = compare_plans(*pair, Places(capsule_limb)).regions
    # 10 degrees at a radius of 50 mm
    assert bar.differences[0].by == f"{50.0 * np.pi / 18:.1f} mm round the limb"


def test_plans_for_other_amputations_are_not_compared() -> None:
    with pytest.raises(RulesError, match="for different amputations"):
        compare_plans(plan(), plan(amputation="transfemoral"))
