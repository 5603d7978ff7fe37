"""Tables of what was measured and what went in: tape, dimensions, lengths, landmarks, limits, checks, inputs.

Made from a report's facts alone.
"""

from __future__ import annotations

from typing import Any

from rectify.report.markup import Column, Html, degrees, join, number, signed, table, text
from rectify.report.of_tape import MEASURES

__all__ = [
    "check_table",
    "dimension_table",
    "frame_table",
    "input_table",
    "landmark_table",
    "length_table",
    "limit_table",
    "tape_table",
]

Facts = dict[str, Any]
_SOURCES = {"computed": "computed", "estimated": "estimated", "marked": "marked", "mark": "read from a pencil mark"}


def tape_table(facts: Facts) -> Html:
    """Hand measurements beside the capture."""
    columns = [
        Column("Measure", numbers=False),
        Column("At", numbers=False),
        Column("Level", "mm"),
        Column("Tape", "mm"),
        Column("Capture", "mm"),
        Column("Difference", "mm"),
        Column("Accepted", "mm"),
        Column("Agrees", numbers=False),
    ]
    rows = []
    for row in facts["tape"]:
        off = row["distal_mm"]
        shift = f", {abs(off):.0f} mm {'distal' if off > 0 else 'proximal'}" if off else ""
        words = ", ".join(w for w in (f"over {row['over']}", row["tension"]) if w)
        layers = f"; {row['layers_off_mm']:.1f} mm of layers taken off" if row["layers_off_mm"] else ""
        agrees = {True: "yes", False: Html("<span class='off'>no</span>"), None: row["not_compared"]}[row["agrees"]]
        rows.append(
            [
                MEASURES[row["measure"]],
                Html(f"{text(row['at'] + shift)}<br><small>{text(words + layers)}</small>"),
                number(row["level_mm"]),
                number(row["tape_mm"], 0),
                number(row["capture_mm"]),
                signed(row["difference_mm"]),
                Html("\u00b1" + number(row["accepted_mm"])),
                agrees,
            ]
        )
    return table("Tape and callipers beside the capture", columns, rows)


def dimension_table(facts: Facts) -> Html:
    """What the finished model should measure, and measures."""
    columns = [
        Column("Measure", numbers=False),
        Column("At", numbers=False),
        Column("Level", "mm"),
        Column("Before", "mm"),
        Column("After", "mm"),
        Column("Wanted", "mm"),
        Column("Within", "mm"),
        Column("Met", numbers=False),
    ]
    met = {True: "yes", False: Html("<span class='off'>no</span>"), None: "no target given"}
    rows = [
        [
            MEASURES[d["measure"]],
            Html(text(d["at"]) + (f"<br><small>{text(d['reason'])}</small>" if d["reason"] else "")),
            number(d["level_mm"]),
            number(d["before_mm"]),
            number(d["after_mm"]),
            number(d["target_mm"]),
            number(d["within_mm"]),
            met[d["met"]],
        ]
        for d in facts["dimensions"]
    ]
    return table("Dimensions of the finished model", columns, rows)


def length_table(facts: Facts) -> Html:
    """Lengths along the axis."""
    columns = [
        Column("From", numbers=False),
        Column("To", numbers=False),
        Column("Before", "mm"),
        Column("After", "mm"),
        Column("Rests on places that are", numbers=False),
    ]
    rows = [
        [
            r["from"],
            r["to"],
            number(r["before_mm"]),
            number(r["after_mm"]) if r["after_mm"] is not None else "bone: as before",
            _sure(r["source"], r["uncertainty_mm"]),
        ]
        for r in facts["lengths"]
    ]
    return table("Lengths along the limb's axis", columns, rows)


def _sure(source: str, uncertainty: float) -> str:
    words = _SOURCES[source]
    return f"{words}, \u00b1{uncertainty:.0f} mm" if uncertainty >= 0.5 else words


def landmark_table(facts: Facts) -> Html:
    """Where each landmark is, who says so, and how sure that is."""
    columns = [
        Column("Landmark", numbers=False),
        Column("Level", "mm"),
        Column("Angle"),
        Column("Source", numbers=False),
        Column("Off the skin", "mm"),
        Column("x, y, z", "mm, limb frame"),
    ]
    rows: list[list[object]] = []
    for name, mark in facts["landmarks"].items():
        if mark["absent"]:
            rows.append([name, "absent: this limb has no such place"])
            continue
        source = _sure(mark["source"], mark["uncertainty_mm"]) + (
            ", beyond the capture" if mark["beyond_capture"] else ""
        )
        many = f" (first of {len(mark['points'])} points)" if mark["points"] else ""
        note = Html(f"<br><small>{text(mark['note'])}</small>") if mark["note"] else ""
        rows.append(
            [
                name + many,
                number(mark["level_mm"]),
                degrees(mark["angle_deg"]),
                Html(f"{text(source)}{note}"),
                number(mark["off_surface_mm"]),
                join((number(c) for c in mark["xyz"]), ", "),
            ]
        )
    return table("Landmarks, proximal first", columns, rows)


def limit_table(facts: Facts) -> Html:
    """The rulebook's limits, and what the result comes to."""
    units = {"percent": "%", "mm": "mm", "deg": "°"}
    columns = [Column("Limit", numbers=False), Column("Allowed"), Column("Found"), Column("Held", numbers=False)]
    rows = []
    for row in facts["limits"]:
        unit = units[row["unit"]]
        sign = signed if row["unit"] == "percent" else number
        allowed = (
            f"up to {number(row['most'])}" if row["least"] is None else f"{sign(row['least'])} to {sign(row['most'])}"
        )
        least, most = row["found_least"], row["found_most"]
        found = sign(most) if least is None or least == most else Html(f"{sign(least)} to {sign(most)}")
        rows.append(
            [
                MEASURES.get(row["limit"], row["limit"]),
                Html(f"{allowed} {unit}"),
                Html(f"{found} {unit}"),
                "yes" if row["held"] else Html("<span class='off'>no</span>"),
            ]
        )
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
        ["mesh", _mesh(facts["scan"])],
    ]
    return table("Checks on the finished surface", columns, rows, "key")


def _mesh(scan: Facts) -> str:
    return f"{scan['vertices']} points, {scan['faces']} faces, edges of {scan['edge_mm']:.2f} mm"


def input_table(facts: Facts) -> Html:
    """The files that went in."""
    columns = [Column("Role", numbers=False), Column("File", numbers=False), Column("SHA-256", numbers=False)]
    rows = [[i["role"], i["file"], Html(f"<span class='mono'>{text(i['sha256'])}</span>")] for i in facts["inputs"]]
    book = facts["rulebook"]
    rows.append(["rulebook as merged", book["key"], Html(f"<span class='mono'>{text(book['sha256'])}</span>")])
    rows.append(
        ["plan and inputs", "what a release is bound to", Html(f"<span class='mono'>{text(facts['digest'])}</span>")]
    )
    return table("What went in", columns, rows)


def frame_table(facts: Facts) -> Html:
    """The transform from the scan's axes to the limb frame."""
    columns = [
        Column("Limb axis", numbers=False),
        Column("scan x"),
        Column("scan y"),
        Column("scan z"),
        Column("shift", "mm"),
    ]
    names = ("x, to the person's right", "y, anterior", "z, proximal")
    rows = [
        [name, *(number(v, 6) for v in row[:3]), number(row[3], 3)]
        for name, row in zip(names, facts["checks"]["frame"], strict=False)
    ]
    return table("From the scan's own axes to the limb frame", columns, rows, "key")
