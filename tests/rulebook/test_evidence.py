"""On what a rulebook's amounts rest: counted, and each source told as its list tells it."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from rectify.data import rules_folder
from rectify.rulebook.evidence import SURE, standing_of
from rectify.rulebook.fields import NO_SOURCE
from rectify.rulebook.load import list_rulebooks, load_rulebook
from tests.rulebook.books import BAR, HEAD_UP, book_text, load_text

LIST = yaml.safe_load((rules_folder() / "evidence.yaml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", list_rulebooks())
def test_every_amount_of_a_shipped_rulebook_is_counted_once_and_its_source_is_told(name: str) -> None:
    book = load_rulebook(name)
    standing = standing_of(book)
    says = book.says
    assert standing.amounts == len(book.regions) + (says.overall is not None) + (says.end is not None)
    named = [part for parts in standing.parts for part in parts]
    assert len(named) == len(set(named)) == standing.amounts + (says.brim is not None)
    for source in standing.sources:
        if source.key in NO_SOURCE:
            assert (source.citation, source.sure) == ("", "") and "working assumption" in source.says
        else:
            entry = LIST["sources"][source.key]
            assert source.citation == " ".join(entry["citation"].split()) and source.sure == entry["sure"]


def test_only_the_liner_s_percentages_and_one_wall_rest_on_what_was_read() -> None:
    """No published table of depths was read: in every shipped rulebook the share is 0, but for what is taken off
    overall under a liner, and for the height of a quadrilateral's front wall."""
    counted = {name: standing_of(load_rulebook(name)).with_source for name in list_rulebooks()}
    assert {name: n for name, n in counted.items() if n} == {
        "transtibial-total-surface-bearing": 1,
        "transfemoral-quadrilateral": 1,
    }


def test_a_source_that_was_only_remembered_does_not_count(tmp_path: Path) -> None:
    (tmp_path / "evidence.yaml").write_text(
        "format: 1\nsources:\n  heard: {citation: A course, says: 4 mm, sure: memory}\n"
        "  ours: {citation: Our own models, says: 5 mm, sure: computed}\n",
        encoding="utf-8",
    )
    text = book_text(BAR.replace("common practice", "ours") + HEAD_UP.replace("common practice", "heard"))
    standing = standing_of(load_text(tmp_path, text))
    assert (standing.amounts, standing.with_source) == (2, 1)
    assert [(source.key, source.sure) for source in standing.sources] == [("ours", "computed"), ("heard", "memory")]
    assert standing.parts == (("bar",), ("fibular-head",))


def test_an_amount_without_a_word_on_its_source_says_that(tmp_path: Path) -> None:
    standing = standing_of(load_text(tmp_path, book_text(BAR.replace("    evidence: common practice\n", ""))))
    assert standing.sources[0].key == "not said" and standing.with_source == 0


def test_every_way_of_being_sure_has_its_words() -> None:
    assert {entry["sure"] for entry in LIST["sources"].values()} <= set(SURE)
