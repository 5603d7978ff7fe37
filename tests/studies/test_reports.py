"""Change reports read as files from elsewhere, and set side by side."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest

from rectify.errors import FileError
from rectify.studies.reports import read_report, side_by_side
from tests.studies.conftest import Results


def report_of(folder: Path) -> Any:
    return json.loads((folder / "change-report.json").read_text(encoding="utf-8"))


def test_a_report_of_this_program_is_read_as_it_is(results: Results) -> None:
    assert read_report(results.first / "change-report.json") == report_of(results.first)


@pytest.mark.parametrize(
    ("change", "found"),
    [
        (lambda r: r.pop("regions"), "no regions"),
        (lambda r: r.update(format=2), "format 2"),
        (lambda r: r.update(side=3), "no side"),
        (lambda r: r["volume"].pop("after_ml"), "no volume.after_ml"),
        (lambda r: r["checks"].update(frame=[[1, 0], [0, 1]]), "no checks.frame"),
        (lambda r: r["levels"][0].pop("ap_after_mm"), "no levels.ap_after_mm"),
        (lambda r: r["regions"].update({"tibial-crest": 3}), "no regions.action"),
        (lambda r: r["scan"].update(faces="many"), "no scan.faces"),
    ],
)
def test_what_is_no_report_is_refused_with_what_is_missing(
    results: Results, tmp_path: Path, change: Any, found: str
) -> None:
    report = report_of(results.first)
    change(report)
    path = tmp_path / "change-report.json"
    path.write_text(json.dumps(report))
    with pytest.raises(FileError, match="is not a change report") as error:
        read_report(path)
    assert error.value.found == found


@pytest.mark.parametrize("text", ["", "{", "[1]", '"x"', '{"format": NaN}', "[" * 100_000])
def test_text_that_is_no_report_is_refused_in_words(tmp_path: Path, text: str) -> None:
    path = tmp_path / "change-report.json"
    path.write_text(text)
    with pytest.raises(FileError, match="is not a change report"):
        read_report(path)


def test_a_report_that_is_not_there_says_so(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be read"):
        read_report(tmp_path / "none.json")


def test_what_was_tuned_and_what_came_of_it_stand_side_by_side(results: Results) -> None:
    found = side_by_side(report_of(results.first), report_of(results.second))
    head, hollow = found["regions"]["fibular-head"], found["regions"]["popliteal"]
    assert head["change_mm"] == pytest.approx(1.0) and hollow["change_mm"] == pytest.approx(1.0)
    assert head["after_achieved_mm"] - head["before_achieved_mm"] == pytest.approx(1.0, abs=0.1)
    assert hollow["before_asked_mm"] < 0  # a reduction is negative
    assert found["tuned"] == ["KW-cpo: regions fibular-head change +1mm, popliteal change -1mm (redness)"]
    assert found["untuned"] == [] and found["landmarks"] == {}
    assert "tibial-tubercle" in found["alike"]


def test_the_same_report_twice_has_no_difference(results: Results) -> None:
    report = report_of(results.first)
    found = side_by_side(report, report)
    assert found["regions"] == {} and found["landmarks"] == {} and found["tuned"] == []
    assert set(found["alike"]) == set(report["regions"])
    assert all(row["ap_before_mm"] == row["ap_after_mm"] for row in found["levels"])


def test_a_landmark_that_moved_or_went_is_told(results: Results) -> None:
    one = report_of(results.first)
    two = copy.deepcopy(one)
    two["landmarks"]["fibular-head"]["level_mm"] += 4.0
    two["landmarks"]["fibular-head"]["angle_deg"] = (two["landmarks"]["fibular-head"]["angle_deg"] - 5.0) % 360
    gone = two["landmarks"].pop("tibial-tubercle")
    found = side_by_side(one, two)["landmarks"]
    assert found["fibular-head"]["distal_mm"] == pytest.approx(4.0)
    assert found["fibular-head"]["turned_deg"] == pytest.approx(-5.0)
    assert found["tibial-tubercle"] == {"before": gone["source"], "after": None, "distal_mm": None, "turned_deg": None}


def test_a_region_that_only_one_report_has_counts_as_nothing_in_the_other(results: Results) -> None:
    one = report_of(results.first)
    two = copy.deepcopy(one)
    region = two["regions"].pop("fibular-head")
    row = side_by_side(one, two)["regions"]["fibular-head"]
    assert row["after_asked_mm"] is None and row["change_mm"] == pytest.approx(-region["asked_mm"])
