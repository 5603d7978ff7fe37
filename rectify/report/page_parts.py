"""The page's parts below the pictures: regions, overall and end, levels, tape, landmarks, how it was made."""

from __future__ import annotations

from typing import Any

from rectify.report import page_records as records
from rectify.report import page_tables as tables
from rectify.report.level_charts import level_chart
from rectify.report.markup import Html, join, listed, number, section, signed, text
from rectify.report.of_tape import TAPE_ACCEPTED_MM, TAPE_ACCEPTED_SHARE
from rectify.report.page_words import words_section

__all__ = ["parts", "warning_list"]

Facts = dict[str, Any]

_AMOUNTS = (
    "Amounts are distances along the surface's normal. Achieved is measured on the finished shape, at the core, from "
    "the surface the rulebook says (the reduced one, unless noted); from capture includes the overall reduction. Peak, "
    "mean, area and volume are of the region's own move, feather included. Allowed: the line is the span, the tick the "
    "rulebook's amount, the dot what was asked."
)
_SOURCES = (
    "\u201cfrom memory, unverified\u201d and \u201ccommon practice\u201d mean that no published source was read for "
    "the amount: it is a starting value. Other entries are keys of the rulebook's evidence list."
)
_LEVELS = (
    "Circumference is what a tape reads: the outline with its hollows bridged. Levels are along the axis from the "
    "origin, positive distally; AP and ML are square to the limb frame. Volume is of what lies distal of the level."
)
_TAPE = (
    f"Accepted: {TAPE_ACCEPTED_MM:g} mm, the typical difference between hand and digital measures (Geil 2007), or "
    f"{TAPE_ACCEPTED_SHARE:.0%} where that is more, as one observer's own repeats scatter (te Slaa 2011)."
)
_NO_TAPE = "The case gives no hand measurements: the capture's scale was not checked."
_LANDMARKS = (
    "A marked place is as good as the hand that marked it: over repeated casts the build-up at the fibular head "
    "scattered by 2.8 and 4.3 mm along the limb in two people's hands (Convery 2003, standard deviations)."
)


def parts(facts: Facts, overlays: Html) -> list[Html]:
    """Every part below the map, in order; `overlays` are the sections at five levels."""
    return [
        _regions(facts),
        overlays,
        _levels(facts),
        words_section(facts),
        _overall(facts),
        _measures(facts),
        _landmarks(facts),
        _made(facts),
    ]


def warning_list(warnings: list[Facts]) -> Html:
    """Warnings, each with its severity in a word and where it belongs."""
    words = {"stop": "Stop", "look": "Look", "note": "Note"}
    items = []
    for w in warnings:
        place, message = w["where"].removeprefix("regions."), text(w["message"])
        if place and place not in w["message"] and "[" not in place:
            message = Html(f"<b>{text(place)}</b>: {message}")
        items.append(f"<li class='{w['severity']}'><span class='tag'>{words[w['severity']]}</span> {message}</li>")
    return Html(f"<ul class='warnings'>{''.join(items)}</ul>")


def _small(words: str) -> Html:
    return Html(f"<p><small>{text(words)}</small></p>")


def _said(*words: object) -> Html:
    return Html(f"<p>{join(words)}</p>")


def _regions(facts: Facts) -> Html:
    if not facts["regions"]:
        return section("regions", "Regions", _said("The rulebook forms no region on this limb."))
    conditions = facts["rulebook"]["conditions"]
    changed = Html("<h3>What the case's facts changed in the rulebook</h3>" + listed(conditions)) if conditions else ""
    return section(
        "regions",
        "Regions",
        tables.region_table(facts),
        _small(_AMOUNTS),
        tables.reason_table(facts),
        _small(_SOURCES),
        changed,
    )


def _overall(facts: Facts) -> Html:
    volume = facts["volume"]
    return section(
        "overall",
        "Overall reduction, end and volume",
        *_overall_rows(facts["overall"]),
        _end(facts["end"]),
        _said(
            *("The whole closed model: ", number(volume["model_before_ml"]), " ml before, "),
            *(number(volume["model_after_ml"]), " ml after."),
        ),
        *_inside(volume["inside_socket"]),
    )


def _inside(inside: Facts | None) -> list[Html]:
    if inside is None:
        return []
    change, without = inside["change_percent"], inside["change_without_end_percent"]
    return [
        _said(
            *("Inside the socket, below the trimline's lowest place (level ", number(inside["plane_level_mm"], 0)),
            *(" mm): ", number(inside["before_ml"], 0), " ml before, ", signed(change), " %; "),
            *(signed(without), " % without what was done to the end."),
        )
    ]


def _overall_rows(overall: Facts | None) -> list[Html]:
    if overall is None:
        return [_said("The rulebook reduces nothing overall on this limb.")]
    when = "before the regions" if overall["holds"] == "before-regions" else "in the finished model"
    words = f"True {when}; fading over {overall['fade_mm']:.0f} mm beyond the first and the last row."
    if overall["spare"]:
        words += f" Spared: {', '.join(overall['spare'])}, fading over {overall['spare_fade_mm']:.0f} mm."
    return [tables.overall_table(overall), _small(words)]


def _end(end: Facts | None) -> Html:
    if end is None:
        return _said("The end was left alone.")
    how = "lengthened along the axis" if end["kind"] == "lengthen" else "padded along its normals"
    tuned = [" ", tables.changes(end["tuned_by"])] if end["tuned_by"] else []
    return _said(
        *(f"The end was {how} by ", number(end["asked_mm"]), " mm from level ", number(end["from_level_mm"])),
        *(" mm on (rulebook ", number(end["rulebook_mm"]), " mm): the distal end moved by "),
        *(signed(end["achieved_mm"]), " mm.", *tuned),
    )


def _levels(facts: Facts) -> Html:
    return section("levels", "Levels", level_chart(facts), tables.level_table(facts), _small(_LEVELS))


def _measures(facts: Facts) -> Html:
    tape = [records.tape_table(facts), _small(_TAPE)] if facts["tape"] else [_said(_NO_TAPE)]
    dimensions = [records.dimension_table(facts)] if facts["dimensions"] else []
    return section("measures", "Tape, dimensions and lengths", *tape, *dimensions, records.length_table(facts))


def _landmarks(facts: Facts) -> Html:
    return section("landmarks", "Landmarks", records.landmark_table(facts), _small(_LANDMARKS))


def _made(facts: Facts) -> Html:
    notes = [w for w in facts["warnings"] if w["severity"] == "note"]
    return section(
        "made",
        "How it was made",
        Html("<h3>For the record</h3>") if notes else "",
        warning_list(notes) if notes else "",
        Html("<h3>What was done to the capture</h3>"),
        listed(step["message"] for step in facts["capture"]),
        records.limit_table(facts),
        records.check_table(facts),
        records.input_table(facts),
        records.frame_table(facts),
    )
