"""The tables of a change report's page, made from its facts and from nothing else."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from rectify.report.markup import NONE, Column, Html, join, number, signed, table, text
from rectify.report.of_capture import MEASURES

__all__ = [
    "check_table",
    "dimension_table",
    "frame_table",
    "input_table",
    "landmark_table",
    "length_table",
    "level_table",
    "limit_table",
    "overall_table",
    "reason_table",
    "region_table",
    "tape_table",
]

Facts = dict[str, Any]
_PLANE_OFF_PERCENT = 5.0  # from here on a region's plane is worth a word
_UNCERTAIN = {"computed": "computed", "estimated": "estimated", "marked": "marked", "mark": "read from a pencil mark"}


def region_table(facts: Facts) -> Html:
    """What was asked of each region, and what came."""
    columns = [
        Column("Region", numbers=False), Column("Model", numbers=False), Column("Rulebook", "mm"), Column("Change", "mm"),
        Column("Asked", "mm"), Column("Achieved", "mm, at the core"), Column("From capture", "mm, at the core"),
        Column("Peak", "mm"), Column("Mean", "mm"), Column("Area", "cm²"), Column("Volume", "ml"), Column("Allowed", "mm"),
    ]
    rows = []
    for name, r in facts["regions"].items():
        said = r["amount"] if r["amount"] and r["amount"] != f"{r['rulebook_mm']:g} mm" else None
        rulebook = number(r["rulebook_mm"])
        off = r["backed_off"] or r["achieved_mm"] is None
        achieved = number(r["achieved_mm"], 2) if r["achieved_mm"] is not None else text("covered")
        rows.append([
            Html(f"{text(name)}<small>{_anchor(r['anchor'])}</small>"),
            "built up" if r["action"] == "build-up" else "reduced",
            Html(f"{rulebook}<br><small>{text(said)}</small>") if said else rulebook,
            signed(r["change_mm"]) if r["change_mm"] else NONE,
            number(r["asked_mm"]),
            Html(f"<span class='off'>{achieved}</span>") if off else achieved,
            number(r["achieved_from_capture_mm"], 2),
            number(r["peak_mm"]), number(r["mean_mm"]), number(r["area_mm2"] / 100), signed(r["volume_ml"]),
            _allowed(r),
        ])
    return table("Regions, in the rulebook's order", columns, rows, "regions")


def _anchor(anchor: Facts) -> Html:
    at = f"{anchor['landmark']}, " if anchor["landmark"] else ""
    sure = "" if anchor["source"] in ("marked", "mark") else f", {anchor['source']} \u00b1{anchor['uncertainty_mm']:.0f} mm"
    return Html(f"{text(at) if at else ''}level {number(anchor['level_mm'], 0)}, {anchor['angle_deg']:.0f}°{text(sure) if sure else ''}")


def _allowed(region: Facts) -> Html:
    """The allowed span as a line, the rulebook's amount as a tick, what was asked as a dot."""
    if region["allow_mm"] is None:
        return NONE
    low, high = region["allow_mm"]
    first, last = min(low, region["asked_mm"]), max(high, region["asked_mm"], low + 0.1)

    def x(amount: float) -> float:
        return 5.0 + 50.0 * (min(max(amount, first), last) - first) / (last - first)

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
        Column("Region", numbers=False), Column("Why", numbers=False), Column("Where the amount comes from", numbers=False),
        Column("Changed by", numbers=False), Column("To know", numbers=False),
    ]
    rows = [
        [name, r["why"], r["evidence"], _changes(r["tuned_by"]), join(_remarks(r), "; ") if any(_remarks(r)) else NONE]
        for name, r in facts["regions"].items()
    ]
    return table("Why each region is as it is", columns, rows)


def _changes(entries: Iterable[Facts]) -> Html:
    out = []
    for t in entries:
        when = ", ".join(word for word in (t["on"], f"after {t['after']}" if t["after"] else "") if word)
        beyond = f" Beyond what is allowed: {t['beyond_allow']}." if t["beyond_allow"] else ""
        out.append(Html(f"<b>{text(t['by'])}</b>{text(f' ({when})') if when else ''}: {text(t['change'])}. {text(t['why'])}."
                        f"{text(beyond) if beyond else ''}"))
    return join(out, "<br>") if out else NONE


def _remarks(r: Facts) -> list[str]:
    out = []
    if r["backed_off"]:
        out.append("backed off: the shape could not carry all of it")
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
        Column("At", numbers=False), Column("Level", "mm"), Column("Asked", f"% of {overall['basis']}"),
        Column("Achieved", f"% of {overall['basis']}"), Column("As circumference", "%"), Column("As volume", "%"),
    ]
    rows = [
        [row["at"] or "row", number(row["level_mm"]), number(row["asked_percent"]), number(row["achieved_percent"], 2),
         number(row["circumference_percent"], 2), number(row["volume_percent"], 2)]
        for row in overall["rows"]
    ]
    return table("Overall reduction of the wall", columns, rows)


def level_table(facts: Facts) -> Html:
    """Tape and callipers at each level, before and after."""
    columns = [
        Column("Level", "mm"), Column("Circumference", "before, mm"), Column("after", "mm"), Column("Change", "mm"),
        Column("Change", "%"), Column("AP", "before, mm"), Column("after", "mm"), Column("ML", "before, mm"), Column("after", "mm"),
    ]
    rows: list[list[object]] = []
    for row in facts["levels"]:
        was, now = row["circumference_before_mm"], row["circumference_after_mm"]
        if was is None or now is None:
            rows.append([number(row["level_mm"], 0), "open above the edge: not measured"])
            continue
        rows.append([
            number(row["level_mm"], 0), number(was), number(now), signed(now - was), signed(row["change_percent"], 2),
            *(number(row[key]) for key in ("ap_before_mm", "ap_after_mm", "ml_before_mm", "ml_after_mm")),
        ])
    return table("Levels, proximal first", columns, rows)


def tape_table(facts: Facts) -> Html:
    """Hand measurements beside the capture."""
    columns = [
        Column("Measure", numbers=False), Column("At", numbers=False), Column("Level", "mm"), Column("Tape", "mm"),
        Column("Capture", "mm"), Column("Difference", "mm"), Column("Accepted", "mm"), Column("Agrees", numbers=False),
    ]
    rows = []
    for row in facts["tape"]:
        off = row["distal_mm"]
        shift = f", {abs(off):.0f} mm {'distal' if off > 0 else 'proximal'}" if off else ""
        words = ", ".join(w for w in (f"over {row['over']}", row["tension"]) if w)
        layers = f"; {row['layers_off_mm']:.1f} mm of layers taken off" if row["layers_off_mm"] else ""
        agrees = {True: "yes", False: Html("<span class='off'>no</span>"), None: "not compared"}[row["agrees"]]
        rows.append([
            MEASURES[row["measure"]], Html(f"{text(row['at'] + shift)}<br><small>{text(words + layers)}</small>"),
            number(row["level_mm"]), number(row["tape_mm"], 0), number(row["capture_mm"]), signed(row["difference_mm"]),
            Html("\u00b1" + number(row["accepted_mm"])), agrees,
        ])
    return table("Tape and callipers beside the capture", columns, rows)


def dimension_table(facts: Facts) -> Html:
    """What the finished model should measure, and measures."""
    columns = [
        Column("Measure", numbers=False), Column("At", numbers=False), Column("Level", "mm"), Column("Before", "mm"),
        Column("After", "mm"), Column("Wanted", "mm"), Column("Within", "mm"), Column("Met", numbers=False),
    ]
    met = {True: "yes", False: Html("<span class='off'>no</span>"), None: "no target given"}
    rows = [
        [MEASURES[d["measure"]], d["at"], number(d["level_mm"]), number(d["before_mm"]), number(d["after_mm"]),
         number(d["target_mm"]), number(d["within_mm"]), met[d["met"]]]
        for d in facts["dimensions"]
    ]
    return table("Dimensions of the finished model", columns, rows)


def length_table(facts: Facts) -> Html:
    """Lengths along the axis."""
    columns = [
        Column("From", numbers=False), Column("To", numbers=False), Column("Before", "mm"), Column("After", "mm"),
        Column("Rests on places that are", numbers=False),
    ]
    rows = [
        [r["from"], r["to"], number(r["before_mm"]), number(r["after_mm"]) if r["after_mm"] is not None else "bone: as before",
         _sure(r["source"], r["uncertainty_mm"])]
        for r in facts["lengths"]
    ]
    return table("Lengths along the limb's axis", columns, rows)


def _sure(source: str, uncertainty: float) -> str:
    words = _UNCERTAIN[source]
    return f"{words}, \u00b1{uncertainty:.0f} mm" if uncertainty >= 0.5 else words


def landmark_table(facts: Facts) -> Html:
    """Where each landmark is, who says so, and how sure that is."""
    columns = [
        Column("Landmark", numbers=False), Column("Level", "mm"), Column("Angle", "degrees"), Column("Source", numbers=False),
        Column("Off the skin", "mm"), Column("x, y, z", "mm, limb frame"),
    ]
    rows: list[list[object]] = []
    for name, mark in facts["landmarks"].items():
        if mark["absent"]:
            rows.append([name, "absent: this limb has no such place"])
            continue
        source = _sure(mark["source"], mark["uncertainty_mm"]) + (", beyond the capture" if mark["beyond_capture"] else "")
        many = f" (first of {len(mark['points'])} points)" if mark["points"] else ""
        note = Html(f"<br><small>{text(mark['note'])}</small>") if mark["note"] else ""
        rows.append([
            name + many, number(mark["level_mm"]), number(mark["angle_deg"], 0), Html(f"{text(source)}{note}"),
            number(mark["off_surface_mm"]), join((number(c) for c in mark["xyz"]), ", "),
        ])
    return table("Landmarks, proximal first", columns, rows)


def limit_table(facts: Facts) -> Html:
    """The rulebook's limits, and what the result comes to."""
    units = {"percent": "%", "mm": "mm", "deg": "°"}
    columns = [Column("Limit", numbers=False), Column("Allowed"), Column("Found"), Column("Held", numbers=False)]
    rows = []
    for row in facts["limits"]:
        unit = units[row["unit"]]
        sign = signed if row["unit"] == "percent" else number
        allowed = f"up to {number(row['most'])}" if row["least"] is None else f"{sign(row['least'])} to {sign(row['most'])}"
        least, most = row["found_least"], row["found_most"]
        found = sign(most) if least is None or least == most else Html(f"{sign(least)} to {sign(most)}")
        rows.append([row["limit"], Html(f"{allowed} {unit}"), Html(f"{found} {unit}"),
                     "yes" if row["held"] else Html("<span class='off'>no</span>")])
    return table("The rulebook's limits", columns, rows, "key")


def check_table(facts: Facts) -> Html:
    """What was looked at on the finished surface."""
    c = facts["checks"]
    columns = [Column("Check", numbers=False), Column("Found", numbers=False)]
    rows = [
        ["closed surface", "yes" if c["watertight"] else "no"],
        ["bodies", c["bodies"]],
        ["faces through others", f"{c['self_intersections']} ({c['self_intersections_of_capture']} in the capture)"],
        ["faces turned over", c["flipped_faces"]],
        ["largest change of angle between neighbouring faces", f"{c['added_dihedral_deg']:.1f}°"],
        ["amounts held back by the shape", "yes" if c["backed_off"] else "no"],
        ["within the rulebook's limits", "yes" if c["within_limits"] else "no"],
        ["mesh", f"{facts['scan']['vertices']} points, {facts['scan']['faces']} faces, edges of {facts['scan']['edge_mm']:.2f} mm"],
    ]
    return table("Checks on the finished surface", columns, rows, "key")


def input_table(facts: Facts) -> Html:
    """The files that went in."""
    columns = [Column("Role", numbers=False), Column("File", numbers=False), Column("SHA-256", numbers=False)]
    rows = [[i["role"], i["file"], Html(f"<span class='mono'>{text(i['sha256'])}</span>")] for i in facts["inputs"]]
    book = facts["rulebook"]
    rows.append(["rulebook as merged", book["key"], Html(f"<span class='mono'>{text(book['sha256'])}</span>")])
    rows.append(["plan and inputs", "what a release is bound to", Html(f"<span class='mono'>{text(facts['digest'])}</span>")])
    return table("What went in", columns, rows)


def frame_table(facts: Facts) -> Html:
    """The transform from the scan's axes to the limb frame."""
    columns = [Column("Limb axis", numbers=False), Column("scan x"), Column("scan y"), Column("scan z"), Column("shift", "mm")]
    names = ("x, to the person's right", "y, anterior", "z, proximal")
    rows = [[name, *(number(v, 6) for v in row[:3]), number(row[3], 3)]
            for name, row in zip(names, facts["checks"]["frame"], strict=False)]
    return table("From the scan's own axes to the limb frame", columns, rows, "key")
