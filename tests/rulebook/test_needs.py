"""What a rulebook needs of a capture and of its landmarks: refused by name where it is not so."""

from __future__ import annotations

from pathlib import Path

import pytest

from rectify.errors import Faults, InputError, LandmarkError, RulesError
from rectify.rulebook import Facts
from rectify.rulebook.describe import describe
from tests.rulebook.books import BAR, HEAD_UP, book_text, load_text
from tests.rulebook.fake import mark, transtibial
from tests.rulebook.test_resolve import planned

MARKED = HEAD_UP.replace("    feather: 12 mm\n", "    feather: 12 mm\n    needs: mark\n")


def guessed(name: str):  # type: ignore[no-untyped-def]
    limb = transtibial()
    spot = limb.landmarks[name].spots[0]
    place = (spot.station_mm, spot.angle_deg)
    unsure = mark(limb.chart, place, source="estimated", uncertainty_mm=6.0)
    return transtibial(**{name.replace("-", "_"): unsure})


def test_a_region_that_needs_a_mark_refuses_an_estimate_by_name(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(MARKED))
    assert [r.name for r in planned(book).regions] == ["fibular-head"]
    with pytest.raises(LandmarkError) as caught:
        planned(book, guessed("fibular-head"))
    assert caught.value.message == "fibular-head is only estimated, and fibular-head may not rest on an estimate"
    assert caught.value.key == "regions.fibular-head.needs" and caught.value.line is not None
    assert "mark it" in caught.value.hint


def test_without_it_a_build_up_on_an_estimate_is_only_wider(tmp_path: Path) -> None:
    (region,) = planned(load_text(tmp_path, book_text(HEAD_UP)), guessed("fibular-head")).regions
    assert region.shape.along_mm == 30.0 + 2 * 6.0  # type: ignore[union-attr]


def test_what_a_region_is_kept_clear_of_must_be_marked_too(tmp_path: Path) -> None:
    clear = BAR.replace("    feather", "    keep-clear: {of: tibial-tubercle, by: 4 mm}\n    needs: mark\n    feather")
    book = load_text(tmp_path, book_text(clear))
    planned(book)
    with pytest.raises(LandmarkError, match="tibial-tubercle is only estimated, and bar may not rest on an estimate"):
        planned(book, guessed("tibial-tubercle"))


def test_needs_takes_the_one_word(tmp_path: Path) -> None:
    with pytest.raises(RulesError, match=r"regions\.fibular-head\.needs"):
        load_text(tmp_path, book_text(MARKED.replace("needs: mark", "needs: luck")))


SHAPED = "needs: {shaping: [pressure, vacuum]}\n"


@pytest.mark.parametrize("shaping", ["pressure", "vacuum"])
def test_a_limb_shaped_as_the_rulebook_wants_is_taken(tmp_path: Path, shaping: str) -> None:
    plan = planned(load_text(tmp_path, book_text(more=SHAPED)), facts=Facts(shaping=shaping))
    assert plan.needs == ("shaping pressure or vacuum",)


@pytest.mark.parametrize(
    ("facts", "found"),
    [(Facts(shaping="hand"), "shaping: hand"), (Facts(), "the case does not say how it was shaped")],
)
def test_a_limb_shaped_otherwise_is_refused(tmp_path: Path, facts: Facts, found: str) -> None:
    book = load_text(tmp_path, book_text(more=SHAPED))
    with pytest.raises(InputError, match="the limb was not shaped as this rulebook takes it to be") as caught:
        planned(book, facts=facts)
    assert caught.value.found == found and caught.value.wanted == "shaping: pressure or vacuum"


def test_needs_are_told_in_words(tmp_path: Path) -> None:
    told = describe(load_text(tmp_path, book_text(MARKED, more=SHAPED)))
    assert told.needs == ("a limb shaped by pressure or vacuum",)
    assert told.regions[0].needs == "its landmarks marked: an estimate will not do"


def test_a_word_that_is_no_shaping_is_refused_with_those_that_are(tmp_path: Path) -> None:
    with pytest.raises((RulesError, Faults), match="vacum"):
        load_text(tmp_path, book_text(more="needs: {shaping: vacum}\n"))
