"""Sections at five levels: which, to scale, and what they hold against the facts."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest

from rectify.limb.spot import Spot
from rectify.report.section_overlays import chosen_levels, overlay_section
from tests import made
from tests.report.conftest import Write, demo, reported


def rows(*levels: float, closed: bool = True) -> list[dict[str, Any]]:
    girth = 300.0 if closed else None
    return [{"level_mm": z, "circumference_before_mm": girth, "circumference_after_mm": girth} for z in levels]


def test_five_levels_are_chosen_evenly_among_the_closed_ones() -> None:
    every = [*rows(-20.0, -10.0, closed=False), *rows(*np.arange(0.0, 201.0, 10.0))]
    levels = [row["level_mm"] for row in chosen_levels(every)]
    assert len(levels) == 5 and levels[0] >= 10.0 and levels[-1] <= 190.0
    assert np.ptp(np.diff(levels)) <= 10.0  # mm: to a whole level
    assert [row["level_mm"] for row in chosen_levels(rows(10.0, 20.0))] == [10.0, 20.0]
    assert chosen_levels(rows(10.0, closed=False)) == []


def paths(figure: str) -> list[np.ndarray]:
    """The outlines of one figure, captured and rectified, as drawn: (n, 2) mm."""
    pen = r"fill='none' stroke='#(?:565d63|20262b)' stroke-width='(?:\.9|1\.3)'"
    drawn = re.findall(rf"<path d='(M[^']+)' {pen}", figure)
    return [np.array([[float(x) for x in p.split()] for p in re.split("[ML]", d)[1:]]) for d in drawn]


def test_outlines_are_drawn_to_scale_and_figures_are_the_facts() -> None:
    result = demo("RB-102")
    html = overlay_section(result.report, result.outcome)
    figures = html.split("<figure>")[1:]
    chosen = chosen_levels(result.report["levels"])
    assert len(figures) == len(chosen) == 5
    assert len({re.findall(r"viewBox='([^']+)'", figure)[0] for figure in figures}) == 1  # one scale
    for figure, row in zip(figures, chosen, strict=True):
        before, after = paths(figure)
        assert np.ptp(before[:, 1]) == pytest.approx(row["ap_before_mm"], abs=0.2)  # mm: drawn to a tenth
        assert np.ptp(before[:, 0]) == pytest.approx(row["ml_before_mm"], abs=0.2)
        if row["level_mm"] > 10.0:  # clear of the brim, which the figures leave out
            assert np.ptp(after[:, 1]) == pytest.approx(row["ap_after_mm"], abs=0.2)
        for key in ("ap", "ml", "circumference"):
            assert f"{row[f'{key}_before_mm']:.1f} \u2192 {row[f'{key}_after_mm']:.1f}" in figure


def test_what_was_added_is_brown_outside_and_what_was_taken_teal_inside(write: Write) -> None:
    case = write()
    level = chosen_levels(reported(case, made.plan())[0]["levels"])[2]["level_mm"]
    front = made.build_up("front", 4.0, Spot(level, 0.0))
    back = made.reduction("back", 4.0, Spot(level, 180.0), feather=10.0)
    figure = overlay_section(*reported(case, made.plan(front, back))).split("<figure>")[3]
    brown, teal = (re.findall(rf"<path d='([^']+)' fill='{c}'", figure)[0] for c in ("#d4a056", "#62b0ac"))
    for drawn, upward in ((brown, True), (teal, False)):
        y = np.array([float(p.split()[1]) for p in re.split("[ML]", drawn)[1:]])
        assert (y < 0).all() if upward else (y > 0).all()  # anterior is drawn at the top, where y is negative


def test_lateral_is_on_the_persons_own_side_seen_from_above() -> None:
    for code in ("RB-101", "RB-102"):
        result = demo(code)
        html = overlay_section(result.report, result.outcome)
        left, right = re.findall(r"<text x='(?:-)?[\d.]+' y='-2'(?: text-anchor='end')?>(\w+)</text>", html)[:2]
        assert (left, right) == (("medial", "lateral") if result.case.side == "right" else ("lateral", "medial"))
