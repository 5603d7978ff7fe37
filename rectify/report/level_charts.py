"""Circumference and volume by level, before and after, with the tape: three panels down the limb, proximal on top.

Made from a report's facts alone. Shapes and dashes tell the lines apart, not colours.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from rectify.report.markup import Html, number, signed, text
from rectify.viewer.colours import BUILD_UP, INK, REDUCTION

__all__ = ["level_chart"]

Facts = dict[str, Any]
Scale = Callable[[float], float]

_WIDTH, _LEFT, _TOP, _BELOW, _GAP = 860.0, 52.0, 40.0, 24.0, 34.0
_SHARES = (0.46, 0.27, 0.27)
_MM_TALL = 1.35  # pixels per mm of level
_LEAST_TALL, _MOST_TALL = 220.0, 420.0
_SOFT, _RULE = "#565d63", "#cfc9bc"
_OF_THE_WIDEST = 0.5
_BAR = 0.62  # of the way between two levels


def level_chart(facts: Facts) -> Html:
    """A figure; empty where fewer than two sections are closed."""
    rows = [r for r in facts["levels"] if None not in (r["circumference_before_mm"], r["circumference_after_mm"])]
    if len(rows) < 2:
        return Html("")
    first, last = float(rows[0]["level_mm"]), float(rows[-1]["level_mm"])
    step = (last - first) / (len(rows) - 1)
    tall = float(np.clip((last - first) * _MM_TALL, _LEAST_TALL, _MOST_TALL))

    def y(level: float) -> float:
        return _TOP + tall * (level - first + step / 2) / (last - first + 1.5 * step)

    room = _WIDTH - _LEFT - 8.0 - 2 * _GAP
    edges = np.cumsum([0.0, *_SHARES]) * room + _LEFT + _GAP * np.array([0.0, 0.0, 1.0, 2.0])
    starts = [_LEFT, edges[1] + _GAP, edges[2] + _GAP]
    widths = [share * room for share in _SHARES]
    panels = [
        _girth(facts, rows, (starts[0], widths[0]), y, tall),
        _bars("change of circumference, mm", _girth_changes(rows), (starts[1], widths[1]), y, tall, step),
        _bars(f"change of volume per {step:.0f} mm, ml", _slices(rows), (starts[2], widths[2]), y, tall, step),
    ]
    height = _TOP + tall + _BELOW
    alt = text("Circumference and volume by level. " + _told(rows))
    return Html(
        f"<figure><svg id='by-level' role='img' aria-label=\"{alt}\" viewBox='0 0 {_WIDTH:g} {height:.0f}' "
        f"font-size='11' fill='{INK}'>{_levels(rows, y)}{''.join(panels)}</svg>"
        f"<figcaption>{text(_caption(facts))}</figcaption></figure>"
    )


def _caption(facts: Facts) -> str:
    tape = (
        " Rings: the tape, carried to the model's own layer; the bar is what is accepted."
        if any(_compared(row) for row in facts["tape"])
        else " The case gives no tape to compare."
    )
    return f"Dashed: as captured; solid: rectified.{tape} Right of a zero line more, left of it less."


def _told(rows: list[Facts]) -> str:
    changes = [(change, level) for level, change in _girth_changes(rows)]
    (least, low), (most, high) = min(changes), max(changes)
    return (
        f"The circumference changes by {signed(least)} mm at level {number(low, 0)} mm to {signed(most)} mm at level "
        f"{number(high, 0)} mm; the table of levels has every figure."
    )


def _levels(rows: list[Facts], y: Scale) -> str:
    out = [f"<text x='{_LEFT - 8:g}' y='{_TOP - 8:g}' text-anchor='end' fill='{_SOFT}'>level</text>"]
    for row in rows:
        level = row["level_mm"]
        if level % 50 == 0:
            line = f"<path d='M{_LEFT - 4:g} {y(level):.1f}H{_WIDTH:g}' stroke='{_RULE}' stroke-width='.8'/>"
            at = f"x='{_LEFT - 8:g}' y='{y(level) + 4:.1f}'"
            out.append(f"{line}<text {at} text-anchor='end'>{number(level, 0)}</text>")
    return "".join(out)


def _girth(facts: Facts, rows: list[Facts], at: tuple[float, float], y: Scale, tall: float) -> str:
    before = [r["circumference_before_mm"] for r in rows]
    after = [r["circumference_after_mm"] for r in rows]
    tape = [_on_model(row, rows, before) for row in facts["tape"] if _compared(row)]
    tape = [(level, value, ok) for level, value, ok in tape if rows[0]["level_mm"] <= level <= rows[-1]["level_mm"]]
    every = [*before, *after, *(value for _, value, _ in tape)]
    low, high = float(min(every)), float(max(every))
    low, high = low - 0.04 * (high - low) - 2, high + 0.04 * (high - low) + 2

    def x(value: float) -> float:
        return at[0] + at[1] * (value - low) / (high - low)

    levels = [r["level_mm"] for r in rows]
    dots = "".join(
        f"<path d='M{x(value - ok):.1f} {y(level):.1f}H{x(value + ok):.1f}' stroke='{INK}'/>"
        f"<circle cx='{x(value):.1f}' cy='{y(level):.1f}' r='3.6' fill='#fff' stroke='{INK}' stroke-width='1.6'/>"
        for level, value, ok in tape
    )
    return (
        f"{_frame('circumference, mm', at, tall, x, _ticks(low, high))}"
        f"<path d='{_line(before, levels, x, y)}' fill='none' stroke='{_SOFT}' stroke-width='1.6' "
        f"stroke-dasharray='5 3'/><path d='{_line(after, levels, x, y)}' fill='none' stroke='{INK}' "
        f"stroke-width='2.2'/>{dots}"
    )


def _compared(row: Facts) -> bool:
    return row["measure"] == "circumference" and row["difference_mm"] is not None


def _on_model(row: Facts, rows: list[Facts], before: Sequence[float]) -> tuple[float, float, float]:
    """Level, the tape's value carried to the layer that the model is of, and what is accepted."""
    captured = float(np.interp(row["level_mm"], [r["level_mm"] for r in rows], before))
    return row["level_mm"], captured - row["difference_mm"], row["accepted_mm"]


def _girth_changes(rows: list[Facts]) -> list[tuple[float, float]]:
    """Of the wall; toward the tip a level cuts ever less, and its change says nothing."""
    least = _OF_THE_WIDEST * max(r["circumference_before_mm"] for r in rows)
    wall = [r for r in rows if r["circumference_before_mm"] >= least]
    return [(r["level_mm"], r["circumference_after_mm"] - r["circumference_before_mm"]) for r in wall]


def _slices(rows: list[Facts]) -> list[tuple[float, float]]:
    """Middle level and change of volume of each slice between two levels, and of what lies past the last."""
    change = [r["volume_after_ml"] - r["volume_before_ml"] for r in rows]
    levels = [r["level_mm"] for r in rows]
    step = levels[1] - levels[0]
    return [
        (level + step / 2, now - beyond) for level, now, beyond in zip(levels, change, [*change[1:], 0.0], strict=True)
    ]


def _bars(
    title: str, values: list[tuple[float, float]], at: tuple[float, float], y: Scale, tall: float, step: float
) -> str:
    most = max(0.1, *(abs(value) for _, value in values))
    low, high = min(0.0, *(v for _, v in values)), max(0.0, *(v for _, v in values))
    low, high = low - 0.06 * most, high + 0.06 * most

    def x(value: float) -> float:
        return at[0] + at[1] * (value - low) / (high - low)

    thick = _BAR * (y(step) - y(0.0))
    bars = "".join(
        f"<rect x='{min(x(0.0), x(v)):.1f}' y='{y(level) - thick / 2:.1f}' width='{abs(x(v) - x(0.0)):.1f}' "
        f"height='{thick:.1f}' fill='{BUILD_UP if v > 0 else REDUCTION}'/>"
        for level, v in values
    )
    zero = f"<path d='M{x(0.0):.1f} {_TOP:g}v{tall:.1f}' stroke='{INK}' stroke-width='1'/>"
    return f"{_frame(title, at, tall, x, _ticks(low, high))}{bars}{zero}"


def _frame(title: str, at: tuple[float, float], tall: float, x: Scale, ticks: list[float]) -> str:
    left, width = at
    whole = all(float(tick).is_integer() for tick in ticks)
    marks = "".join(
        f"<path d='M{x(t):.1f} {_TOP - 4:g}v4' stroke='{INK}'/><text x='{x(t):.1f}' y='{_TOP - 8:g}' "
        f"text-anchor='middle'>{number(t, 0 if whole else 1)}</text>"
        for t in ticks
    )
    return (
        f"<text x='{left:.1f}' y='{_TOP - 24:g}' font-weight='600'>{text(title)}</text>"
        f"<rect x='{left:.1f}' y='{_TOP:g}' width='{width:.1f}' height='{tall:.1f}' fill='none' stroke='{_RULE}'/>"
        f"{marks}"
    )


def _ticks(low: float, high: float) -> list[float]:
    """Four or so round numbers between the ends."""
    rough = (high - low) / 4
    size = 10.0 ** np.floor(np.log10(rough))
    step = float(next(s for s in (1.0, 2.0, 5.0, 10.0) if s * size >= rough) * size)
    return [float(round(i * step, 9)) for i in range(int(np.ceil(low / step)), int(np.floor(high / step)) + 1)]


def _line(values: list[float], levels: list[float], x: Scale, y: Scale) -> str:
    return "M" + "L".join(f"{x(v):.1f} {y(level):.1f}" for v, level in zip(values, levels, strict=True))
