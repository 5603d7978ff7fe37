"""The table of what the tests took: a skipped test, thin coverage and an unknown room fail it, slowness does not."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.budget import BUDGETS, main, room_of

FILE = """<testsuites><testsuite>
<testcase classname="tests.engine.test_blend" name="a" time="1.5"/>
<testcase classname="tests.engine.test_blend" name="b" time="{seconds}">{inside}</testcase>
<testcase classname="{extra}" name="c" time="0.25"/>
</testsuite></testsuites>"""


def table(
    folder: Path, seconds: float = 1.0, inside: str = "", extra: str = "tests.test_house", covered: int = 95
) -> int:
    tests, coverage = folder / "tests.xml", folder / "coverage.json"
    tests.write_text(FILE.format(seconds=seconds, inside=inside, extra=extra))
    summary = {"covered_lines": covered, "num_statements": 100, "covered_branches": 0, "num_branches": 0}
    coverage.write_text(json.dumps({"files": {"rectify/engine/blend.py": {"summary": summary}}}))
    return main([str(tests), str(coverage)])


def test_seconds_are_summed_by_room(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert table(tmp_path) == 0
    rows = {line.split()[0]: line.split() for line in capsys.readouterr().out.splitlines()}
    assert rows["engine"][1:5] == ["2", "2.5", str(BUDGETS["engine"][0]), "95"]
    assert rows["house"][1:3] == ["1", "0.2"] and rows["all"] == ["all", "3", "2.8"]


def test_a_slow_room_is_marked_and_passes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert table(tmp_path, seconds=5000.0) == 0
    assert "over budget" in capsys.readouterr().out


def test_a_skipped_test_fails(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert table(tmp_path, inside="<skipped/>") == 1
    assert "skipped: tests.engine.test_blend.b" in capsys.readouterr().out


def test_thin_coverage_fails(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert table(tmp_path, covered=89) == 1
    assert "room engine: 89.0 % covered, wanted 90 % or more" in capsys.readouterr().out


def test_a_room_without_a_budget_fails(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert table(tmp_path, extra="tests.cellar.test_wine") == 1
    assert "room cellar has no budget" in capsys.readouterr().out


def test_a_test_belongs_to_the_room_it_lies_in() -> None:
    names = (
        "tests.limb.test_chart",
        "tests.test_install",
        "rectify.limb.chart",
        "rectify.errors",
        "rectify.report.facts",
    )
    assert [room_of(name.split(".")) for name in names] == ["limb", "house", "limb", "top", "report"]
