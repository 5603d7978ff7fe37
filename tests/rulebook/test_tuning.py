"""Tunings and --set strings: what they may say, and where a fault is pointed at."""

from __future__ import annotations

from pathlib import Path

import pytest

from rectify.errors import CaseError, Faults, RulesError
from rectify.rulebook.load import Rulebook
from rectify.rulebook.tuning import parse_sets, read_tune
from rectify.rulebook.yamltext import parse_yaml
from tests.rulebook.books import BAR, HEAD_UP, book_text, line_of, load_text

ENTRY = """\
tune:
  - by: JT-cpo
    on: 2026-11-20
    after: fitting-1
    why: redness after ten minutes
    regions:
      fibular-head: {change: +1 mm}
"""


@pytest.fixture
def book(tmp_path: Path) -> Rulebook:
    return load_text(tmp_path, book_text(BAR + HEAD_UP, more="end: {lengthen: 3 mm}\n"))


def tune(text: str, book: Rulebook):  # type: ignore[no-untyped-def]
    document = parse_yaml(text, path="case.yaml", error=CaseError)
    mapping = document.mapping(CaseError)
    return read_tune(mapping["tune"], book, lambda keys: ("case.yaml", document.line(keys)))


def refused(text: str, book: Rulebook, match: str) -> list[CaseError]:
    with pytest.raises((CaseError, Faults), match=match) as caught:
        tune(text, book)
    errors = caught.value.errors if isinstance(caught.value, Faults) else [caught.value]
    assert all(isinstance(error, CaseError) and error.path == "case.yaml" for error in errors)
    return list(errors)  # type: ignore[arg-type]


def entry(regions: str) -> str:
    return ENTRY.replace("fibular-head: {change: +1 mm}", regions)


def test_an_entry_is_read_and_kept_as_it_was_written(book: Rulebook) -> None:
    (tuning,) = tune(ENTRY, book)
    assert (tuning.says.by, tuning.says.on, tuning.says.after) == ("JT-cpo", "2026-11-20", "fitting-1")
    change = tuning.says.regions["fibular-head"].change
    assert change is not None and change.value == 1.0
    assert dict(tuning.raw) == {
        "by": "JT-cpo", "on": "2026-11-20", "after": "fitting-1", "why": "redness after ten minutes",
        "regions": {"fibular-head": {"change": "+1 mm"}},
    }  # fmt: skip


def test_no_tuning_is_no_tuning(book: Rulebook) -> None:
    assert read_tune(None, book, lambda _: (None, None)) == ()
    assert read_tune([], book, lambda _: (None, None)) == ()
    with pytest.raises(CaseError, match="tune: is a mapping"):
        read_tune({"by": "x"}, book, lambda _: ("case.yaml", 1))


@pytest.mark.parametrize(
    ("regions", "match"),
    [
        ("fibular-head: {amount: +5 mm}", r"fibular-head\.amount: is \+5 mm, and takes no sign"),
        ("fibular-head: {amount: -5 mm}", r"fibular-head\.amount: is -5 mm, and takes no sign"),
        ("fibular-head: {change: 1 mm}", r"fibular-head\.change: is 1 mm, and does not say which way"),
        ("fibular-head: {amount: 5 mm, change: +1 mm}", "change: stands beside amount"),
        ("fibular-hed: {change: +1 mm}", r"no region fibular-hed in .*\n.*did you mean fibular-head\?"),
        ("fibular-head: {chnge: +1 mm}", r"chnge: is not a key here\n.*did you mean change\?"),
        ("fibular-head: {distal: 4 mm}", r"distal: moves from a landmark.*\n.*write move: {distal: 4 mm}"),
        ("fibular-head: {drop: yes, amount: 3 mm}", "drop: stands beside other changes"),
        ("fibular-head: {drop: no}", "drop: is no"),
        ("fibular-head: {widen: {}}", "widen: is empty"),
        ("fibular-head: {widen: {along: 4 mm}}", "does not say which way"),
        ("fibular-head: {widen: {along: +4 mm, width: +1 mm}}", "width: stands beside along or around"),
        ("fibular-head: {at: popliteal, path: [popliteal, distal-tibia]}", "path: is a second place"),
        ("fibular-head: {at: poplitel}", "no landmark poplitel"),
        ("bar: {add: {action: reduce}}", "adds bar, which is there already"),
        ("fibular-head: {move: {distal: 2 mm, proximal: 2 mm}}", "proximal and distal at once"),
        ("fibular-head: {beyond-allow: {by: JT}}", "beyond-allow.why: is missing"),
    ],
)
def test_a_fault_in_a_region_points_into_the_case(book: Rulebook, regions: str, match: str) -> None:
    text = entry(regions)
    errors = refused(text, book, match)
    assert errors[0].line == line_of(text, regions)
    assert errors[0].key is not None and errors[0].key.startswith("tune[0].regions.")


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ("by: JT-cpo", "by: Jane Smith", "no names of people in a case"),
        ("by: JT-cpo", "by: a-very-long-word-that-is-no-initial", "initials or a role"),
        ("on: 2026-11-20", "on: 2026-11-31", "on: is '2026-11-31'"),
        ("on: 2026-11-20", "on: 20.11.2026", "a date, like 2026-11-20"),
        ("    on: 2026-11-20\n", "", r"tune\[0\]\.on: is missing"),
        ("    why: redness after ten minutes\n", "", r"tune\[0\]\.why: is missing"),
        ("    regions:\n      fibular-head: {change: +1 mm}\n", "", r"tune\[0\]: changes nothing"),
        ("    regions:", "    end: {amount: 3 mm, change: +1 mm}\n    regions:", "end.change: stands beside amount"),
        ("    regions:", "    overall: {change: 1 %}\n    regions:", "does not say which way"),
    ],
)
def test_an_entry_says_who_when_why_and_what(book: Rulebook, old: str, new: str, match: str) -> None:
    refused(ENTRY.replace(old, new), book, match)


def test_the_faults_of_all_entries_are_told_together(book: Rulebook) -> None:
    text = entry("fibular-head: {amount: +5 mm}") + ENTRY.removeprefix("tune:\n").replace("fibular-head", "nowhere")
    errors = refused(text, book, "takes no sign")
    assert [error.key for error in errors] == ["tune[0].regions.fibular-head.amount", "tune[1].regions.nowhere"]


def test_what_an_earlier_entry_added_a_later_one_may_change(book: Rulebook) -> None:
    added = "spur: {add: {action: build-up, amount: 3 mm, at: mark-spur, shape: {oval: 25 mm}, feather: 12 mm}}"
    text = entry(added) + ENTRY.removeprefix("tune:\n").replace("fibular-head", "spur")
    assert [list(tuning.says.regions) for tuning in tune(text, book)] == [["spur"], ["spur"]]


def test_sets_become_one_entry_with_who_and_why(book: Rulebook) -> None:
    tuning = parse_sets(
        ["bar.amount=6mm", "fibular-head.change=+1mm", "bar.feather = 20 mm", "end.change=-1 mm"],
        book, by="JT-cpo", why="trial", on="2026-11-20",
    )  # fmt: skip
    assert tuning is not None
    assert dict(tuning.raw) == {
        "by": "JT-cpo", "why": "trial", "on": "2026-11-20",
        "regions": {"bar": {"amount": "6mm", "feather": "20 mm"}, "fibular-head": {"change": "+1mm"}},
        "end": {"change": "-1 mm"},
    }  # fmt: skip
    assert parse_sets([], book) is None
    bare = parse_sets(["bar.amount=6mm"], book)
    assert bare is not None and (bare.says.by, bare.says.why, bare.says.on) == (
        "unsigned",
        "set on the command line",
        None,
    )


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("bar", "is not region.key=value"),
        ("bar=6mm", "is not region.key=value"),
        ("bar.amount=", "is not region.key=value"),
        ("bra.amount=6mm", r"no region bra in .*\n.*did you mean bar\?"),
        ("bar.amuont=6mm", r"cannot set amuont\n.*did you mean amount\?"),
        ("bar.shape=oval", "cannot set shape"),
        ("overall.change=+1%", "no region overall"),
        ("end.feather=3mm", "cannot set feather"),
        ("bar.amount=6", r"--set bar\.amount: is 6 without a unit"),
        ("bar.amount=+6mm", r"--set bar\.amount: is \+6mm, and takes no sign"),
        ("bar.change=1mm", r"--set bar\.change: is 1mm, and does not say which way"),
        ("bar.feather=-1mm", "takes no sign"),
    ],
)
def test_a_set_that_is_not_good_is_refused_with_what_would_be(book: Rulebook, text: str, match: str) -> None:
    with pytest.raises((RulesError, Faults), match=match):
        parse_sets([text], book)


def test_the_same_thing_set_twice_is_refused_and_all_faults_told(book: Rulebook) -> None:
    with pytest.raises(Faults) as caught:
        parse_sets(["bar.amount=6mm", "bar.amount=5mm", "bra.amount=1mm"], book)
    assert [error.key for error in caught.value.errors] == ["--set bar.amount=5mm", "--set bra.amount=1mm"]


def test_an_end_that_is_not_there_cannot_be_set(tmp_path: Path) -> None:
    with pytest.raises(RulesError, match="does nothing to the end"):
        parse_sets(["end.amount=3mm"], load_text(tmp_path, book_text()))
