"""How lines are laid out: tables, warnings."""

from __future__ import annotations

import pytest

from rectify.cli.say import print_json, table, told


def test_figures_stand_to_the_right_and_words_to_the_left(capsys: pytest.CaptureFixture[str]) -> None:
    table(("level", "where", "mm"), [("5", "neck", "1.25"), ("-110", "head of it", "+10.5")])
    assert capsys.readouterr().out.splitlines() == [
        "level  where          mm",
        "    5  neck         1.25",
        " -110  head of it  +10.5",
    ]


def test_a_table_without_rows_is_its_heads(capsys: pytest.CaptureFixture[str]) -> None:
    table(("a", "b"), [])
    assert capsys.readouterr().out == "a  b\n"


def test_a_warning_names_its_region_once() -> None:
    assert told("the shape could not carry it", "regions.popliteal.amount") == "popliteal: the shape could not carry it"
    assert told("popliteal has no core", "regions.popliteal") == "popliteal has no core"
    assert told("nobody has released it", "release") == "nobody has released it"
    assert told("kept 21 mm clear of tibial-tubercle", "bar") == "bar: kept 21 mm clear of tibial-tubercle"
    assert told("the tape says 312 mm", "tape[0]") == "the tape says 312 mm"
    assert told("the plan says nothing of it", "") == "the plan says nothing of it"


def test_json_never_holds_what_is_no_number(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        print_json({"mm": float("nan")})
    assert capsys.readouterr().out == ""
