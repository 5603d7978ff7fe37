"""Circumference and volume by level: places of lines, rings and bars against the facts."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest

from rectify.report.level_charts import _slices as slices
from rectify.report.level_charts import _ticks as ticks
from rectify.report.level_charts import level_chart
from tests.report.conftest import demo


def lines(html: str) -> tuple[np.ndarray, np.ndarray]:
    """The two outlines, captured and rectified: (n, 2) pixels."""
    drawn = re.findall(r"<path d='(M[\d.L -]+)' fill='none' stroke='#\w+' stroke-width='(?:1\.6|2\.2)'", html)
    before, after = (np.array([[float(x) for x in p.split()] for p in re.split("[ML]", d)[1:]]) for d in drawn)
    return before, after


@pytest.fixture(scope="module")
def facts() -> dict[str, Any]:
    return demo("RB-102").report


def test_lines_lie_where_the_figures_say(facts: dict[str, Any]) -> None:
    before, after = lines(level_chart(facts))
    rows = [r for r in facts["levels"] if r["circumference_before_mm"] is not None]
    assert len(before) == len(after) == len(rows)
    girth = np.array([[r["circumference_before_mm"], r["circumference_after_mm"]] for r in rows])
    per_mm = np.polyfit(np.r_[girth[:, 0], girth[:, 1]], np.r_[before[:, 0], after[:, 0]], 1)
    assert np.abs(np.polyval(per_mm, girth[:, 0]) - before[:, 0]).max() < 0.1  # pixels: drawn to a tenth
    assert np.abs(np.polyval(per_mm, girth[:, 1]) - after[:, 0]).max() < 0.1
    levels = np.array([r["level_mm"] for r in rows])
    assert np.abs(np.polyval(np.polyfit(levels, before[:, 1], 1), levels) - before[:, 1]).max() < 0.1


def test_the_tape_stands_where_it_differs_from_the_captured_line(facts: dict[str, Any]) -> None:
    html = level_chart(facts)
    before, _ = lines(html)
    rings = re.findall(r"<circle cx='([\d.]+)' cy='([\d.]+)'", html)
    tape = [row for row in facts["tape"] if row["measure"] == "circumference"]
    assert len(rings) == len(tape) > 0
    girth = [r["circumference_before_mm"] for r in facts["levels"]]
    per_mm = np.polyfit(girth, before[:, 0], 1)[0]
    for (x, y), row in zip(rings, tape, strict=True):
        on_line = np.interp(float(y), before[:, 1], before[:, 0])
        assert float(x) - on_line == pytest.approx(-row["difference_mm"] * per_mm, abs=0.3)  # pixels


def test_slices_add_up_to_the_change_of_what_lies_below_the_first_level(facts: dict[str, Any]) -> None:
    rows = [r for r in facts["levels"] if r["circumference_before_mm"] is not None]
    change = rows[0]["volume_after_ml"] - rows[0]["volume_before_ml"]
    assert sum(value for _, value in slices(rows)) == pytest.approx(change, abs=1e-9)


def test_without_a_tape_the_chart_says_so_and_without_sections_there_is_none(facts: dict[str, Any]) -> None:
    assert "gives no tape" in level_chart({**facts, "tape": []})
    open_rows = [{**row, "circumference_after_mm": None} for row in facts["levels"]]
    assert level_chart({**facts, "levels": open_rows}) == ""


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (-3.2, 11.0), (180.0, 345.0), (-0.05, 0.06)])
def test_ticks_are_round_few_and_inside(low: float, high: float) -> None:
    found = ticks(low, high)
    assert 2 <= len(found) <= 6 and low <= found[0] and found[-1] <= high
    step = found[1] - found[0]
    assert f"{step:e}"[0] in "125" and np.allclose(np.diff(found), step)
