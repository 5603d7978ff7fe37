"""Tables of what was changed: regions and their reasons, overall rows, levels. Made from a report's facts alone."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from rectify.report.markup import NONE, Column, Html, degrees, join, number, signed, table, text

__all__ = ["DONE", "changes", "level_table", "overall_table", "reason_table", "region_table"]

Facts = dict[str, Any]
_WIDTHS = ("ap_before_mm", "ap_after_mm", "ml_before_mm", "ml_after_mm", "volume_before_ml", "volume_after_ml")
_PLANE_OFF_PERCENT = 5.0  # from here on a region's plane is worth a word


def region_table(facts: Facts) -> Html:
    """What was asked of each region, and what came."""
    columns = [
        Column("Region", numbers=False),
        Column("Model", numbers=False),
        Column("Rulebook", "mm"),
        Column("Change", "mm"),
        Column("Asked", "mm"),
        Column("Achieved", "mm, at the core"),
        Column("From capture", "mm, at the core"),
        Column("Peak", "mm"),
        Column("Mean", "mm"),
        Column("Area", "cm²"),
        Column("Volume", "ml"),
        Column("Allowed", "mm"),
    ]
    rows = []
    for name, r in facts["regions"].items():
        said = r["amount"] if r["amount"] and r["amount"] != f"{r['rulebook_mm']:g} mm" else None
        rulebook = number(r["rulebook_mm"])
        off = r["backed_off"] or r["achieved_mm"] is None
        achieved = number(r["achieved_mm"], 2) if r["achieved_mm"] is not None else text("covered")
        rows.append(
            [
                Html(f"{text(name)}<small>{_anchor(r['anchor'])}</small>"),
                DONE[r["action"]],
                Html(f"{rulebook}<small>from {text(said)}</small>") if said else rulebook,
                signed(r["change_mm"]) if r["change_mm"] else NONE,
                number(r["asked_mm"]),
                Html(f"<span class='off'>{achieved}</span>") if off else achieved,
                number(r["achieved_from_capture_mm"], 2),
                number(r["peak_mm"]),
                number(r["mean_mm"]),
                number(r["area_mm2"] / 100),
                signed(r["volume_ml"]),
                _allowed(r),
            ]
        )
    return table("Regions, in the rulebook's order", columns, rows, "regions")


DONE = {
    "build-up": "built up",
    "reduce": "reduced",
    "squeeze": "squeezed",
    "flatten": "flattened",
    "raise": "raised",
    "shelf": "shelf",
}


def _anchor(anchor: Facts) -> Html:
    """Where a region lies: the landmark, the place, and how sure that is where nobody marked it."""
    marked = anchor["source"] in ("marked", "mark")
    return join(
        [
            f"{anchor['landmark']}, " if anchor["landmark"] else Html(""),
            *("level ", number(anchor["level_mm"], 0), ", ", degrees(anchor["angle_deg"])),
            Html("") if marked else f", {anchor['source']} \u00b1{anchor['uncertainty_mm']:.0f} mm",
        ]
    )


def _allowed(region: Facts) -> Html:
    """The allowed span as a line, the rulebook's amount as a tick, what was asked as a dot."""
    if region["allow_mm"] is None:
        return NONE
    low, high = region["allow_mm"]
    first, last = min(low, region["asked_mm"]), max(high, region["asked_mm"], low + 0.1)

    def x(amount: float) -> float:
        return float(5.0 + 50.0 * (min(max(amount, first), last) - first) / (last - first))

    bar = (
        "<svg class='bar' width='60' height='11' viewBox='0 0 60 11' aria-hidden='true'>"
        f"<path d='M{x(low):.1f} 2v7M{x(high):.1f} 2v7M{x(low):.1f} 5.5H{x(high):.1f}' stroke='#565d63' fill='none'/>"
        f"<path d='M{x(region['rulebook_mm']):.1f} 1v9' stroke='#5a2a86' stroke-width='1.6'/>"
        f"<circle cx='{x(region['asked_mm']):.1f}' cy='5.5' r='3' fill='#20262b'/></svg>"
    )
    return Html(f"{number(low)} to {number(high)}{bar}")


def reason_table(facts: Facts) -> Html:
    """Why each region is there, where its amount comes from, who changed it."""
    columns = [
        Column("Region", numbers=False),
        Column("Why", numbers=False),
        Column("Where the amount comes from", numbers=False),
        Column("Changed by", numbers=False),
        Column("To know", numbers=False),
    ]
    rows = [
        [name, r["why"], r["evidence"], changes(r["tuned_by"]), join(_remarks(r), "; ") if any(_remarks(r)) else NONE]
        for name, r in facts["regions"].items()
    ]
    return table("Why each region is as it is", columns, rows)


def changes(entries: Iterable[Facts]) -> Html:
    """Who changed what, when and why, one change a line."""
    out = []
    for t in entries:
        when = ", ".join(word for word in (t["on"], f"after {t['after']}" if t["after"] else "") if word)
        beyond = f" Beyond what is allowed: {t['beyond_allow']}." if t["beyond_allow"] else ""
        out.append(
            Html(
                f"<b>{text(t['by'])}</b>{text(f' ({when})') if when else ''}: {text(t['change'])}. {text(t['why'])}."
                f"{text(beyond) if beyond else ''}"
            )
        )
    return join(out, "<br>") if out else NONE


def _remarks(r: Facts) -> list[str]:
    out = []
    if r["backed_off"]:
        at = r["backed_off_at"]
        place = f"most at level {at['level_mm']:.0f} mm, {at['angle_deg']:.0f}°"
        out.append(f"backed off: the shape could not carry all of it, {place}")
    if r["achieved_mm"] is None:
        out.append("other regions reach over all of its core")
    if r["from"] == "capture":
        out.append("measured from the captured surface")
    if r["feather_mm"] < r["feather_asked_mm"] - 0.05:
        out.append(f"feather held to {r['feather_mm']:.1f} of {r['feather_asked_mm']:.1f} mm")
    if r["filled_percent"] > 0:
        out.append(f"{r['filled_percent']:.0f} % of its core lies on a filled hole")
    if r["plane_off_percent"] > _PLANE_OFF_PERCENT:
        out.append(f"wide: lengths in it are off by up to {r['plane_off_percent']:.0f} %")
    if r["overlaps"]:
        out.append(f"meets {', '.join(r['overlaps'])}")
    return out


def overall_table(overall: Facts) -> Html:
    """The overall reduction row by row, counted both ways."""
    columns = [
        Column("At", numbers=False),
        Column("Level", "mm"),
        Column("Asked", f"% of {overall['basis']}"),
        Column("Achieved", f"% of {overall['basis']}"),
        Column("As circumference", "%"),
        Column("As volume", "%"),
    ]
    rows = [
        [
            row["at"] or "row",
            number(row["level_mm"]),
            number(row["asked_percent"]),
            number(row["achieved_percent"], 2),
            number(row["circumference_percent"], 2),
            number(row["volume_percent"], 2),
        ]
        for row in overall["rows"]
    ]
    return table("Overall reduction of the wall", columns, rows)


def level_table(facts: Facts) -> Html:
    """Tape and callipers at each level, before and after."""
    columns = [
        Column("Level", "mm"),
        Column("Circumference", "before, mm"),
        Column("after", "mm"),
        Column("Change", "mm"),
        Column("Change", "%"),
        Column("AP", "before, mm"),
        Column("after", "mm"),
        Column("ML", "before, mm"),
        Column("after", "mm"),
        Column("Volume distal", "before, ml"),
        Column("after", "ml"),
    ]
    rows: list[list[object]] = []
    for row in facts["levels"]:
        was, now = row["circumference_before_mm"], row["circumference_after_mm"]
        if was is None or now is None:
            rows.append([number(row["level_mm"], 0), "open above the edge: not measured"])
            continue
        rows.append(
            [
                number(row["level_mm"], 0),
                number(was),
                number(now),
                signed(now - was),
                signed(row["change_percent"], 2),
                *(number(row[key]) for key in _WIDTHS),
            ]
        )
    return table("Levels, proximal first", columns, rows)
