"""The tables of a comparison's page, made from its facts alone."""

from __future__ import annotations

from typing import Any

from rectify.report.markup import NONE, Column, Html, degrees, join, listed, number, section, signed, table, text

__all__ = [
    "alignment_section",
    "beside_section",
    "levels_section",
    "made_section",
    "places_section",
    "plans_section",
    "regions_section",
    "reports_section",
]

Facts = dict[str, Any]
_SHOWN_MM = 0.005


def _small(words: str) -> Html:
    return Html(f"<p><small>{text(words)}</small></p>")


def beside_section(facts: Facts) -> Html:
    """The overall figures beside what was read of them, with the sources."""
    s = facts["shapes"]
    columns = [
        Column("Figure", numbers=False),
        Column("Difference"),
        Column("Held against"),
        Column("What that says", numbers=False),
        Column("Source", numbers=False),
    ]
    rows = [
        [b["figure"], _unit(b["value"], b["unit"]), _unit(b["mark"], b["unit"]), b["says"], b["evidence"]]
        for b in s["beside"]
    ]
    d = s["distance"]
    share = join(
        [
            *("Within 0.25 mm: ", number(d["within_quarter_percent"], 0), " % of the area; 1 mm: "),
            *(number(d["within_one_percent"], 0), " %; 2 mm: ", number(d["within_two_percent"], 0), " %. Median "),
            *(signed(d["median_mm"], 2), " mm, 5 to 95 % of the area ", signed(d["p5_mm"], 2), " to "),
            *(signed(d["p95_mm"], 2), " mm."),
        ]
    )
    used = {b["evidence"] for b in s["beside"]}
    sources = [join([key, ": ", words]) for key, words in facts["citations"].items() if key in used]
    of = f"Figures of {s['frame']['counted']}"
    if s["above_trimline"] is not None:
        of += "; what lies above is cut away"
    note = (
        f"{of}. What was read is of other limbs and sockets: it says how large a difference is, not what it does on "
        "this limb."
    )
    return section(
        "beside",
        "How much it is",
        table("The difference beside what was read", columns, rows),
        Html(f"<p>{share}</p>"),
        _small(note),
        listed(sources, "sources"),
    )


def _unit(value: str, unit: str) -> str:
    return f"{value} {unit}".replace("-", "\u2212")


def places_section(s: Facts) -> Html:
    """Where they lie more than 1 mm apart."""
    if not s["places"]:
        return section("places", "Where they differ", Html("<p>Nowhere by more than 1 mm over more than 1 cm².</p>"))
    columns = [
        Column("Regions there", numbers=False),
        Column("Peak", "mm"),
        Column("Mean", "mm"),
        Column("Area", "cm²"),
        Column("Volume", "ml"),
        Column("Level", "mm"),
        Column("Angle"),
    ]
    rows = [
        [
            ", ".join(p["regions"]) or "none",
            signed(p["peak_mm"], 2),
            signed(p["mean_mm"], 2),
            number(p["area_mm2"] / 100),
            signed(p["volume_ml"]),
            number(p["level_mm"], 0),
            degrees(p["angle_deg"]),
        ]
        for p in s["places"]
    ]
    note = (
        "Places of more than 1 cm² where the surfaces lie more than 1 mm apart, the largest volume first; level and "
        "angle are those of the peak."
    )
    return section("places", "Where they differ", table("Places", columns, rows), _small(note))


def regions_section(s: Facts) -> Html:
    """The plan's regions, as laid out on BEFORE."""
    if not s["regions"]:
        return Html("")
    columns = [
        Column("Region", numbers=False),
        Column("Core", "median, mm"),
        Column("Mean", "mm"),
        Column("Median", "mm"),
        Column("5 %", "mm"),
        Column("95 %", "mm"),
        Column("Area", "cm²"),
        Column("Volume", "ml"),
        Column("Beside what people differ by", numbers=False),
    ]
    differ = {name: row for name, row in s["regions"].items() if not _same(row)}
    rows = [_region(name, row, row["core_mm"], row["beside"]) for name, row in differ.items()]
    if s["outside_regions"] is not None:
        rows.append(_region("outside regions", s["outside_regions"], None, ""))
    note = (
        "Feather included but for the core, where the region has its full weight. Volumes lie between the two "
        "surfaces; where regions overlap each counts its own, so they do not add up."
    )
    same = [name for name in s["regions"] if name not in differ]
    return section(
        "regions",
        "Regions",
        table("Regions of the plan, laid out on BEFORE", columns, rows),
        Html(f"<p>No difference: {text(', '.join(same))}.</p>") if same else "",
        _small(note),
    )


def _same(row: Facts) -> bool:
    """Whether nothing of a region would be shown but noughts."""
    return all(abs(row[key] or 0.0) < _SHOWN_MM for key in ("core_mm", "mean_mm", "p5_mm", "p95_mm"))


def _region(name: str, row: Facts, core: float | None, words: str) -> list[object]:
    return [
        name,
        signed(core, 2),
        *(signed(row[key], 2) for key in ("mean_mm", "median_mm", "p5_mm", "p95_mm")),
        number(row["area_mm2"] / 100),
        signed(row["volume_ml"]),
        words or NONE,
    ]


def levels_section(s: Facts) -> Html:
    """Tape, callipers and area at each level."""
    columns = [
        Column("Level", "mm"),
        Column("Circumference", "before, mm"),
        Column("after", "mm"),
        Column("Change", "mm"),
        Column("Change", "%"),
        Column("AP", "before, mm"),
        Column("Change", "mm"),
        Column("ML", "before, mm"),
        Column("Change", "mm"),
        Column("Area", "before, cm²"),
        Column("Change", "cm²"),
    ]
    rows: list[list[object]] = []
    for row in s["levels"]:
        was, now = row["circumference_before_mm"], row["circumference_after_mm"]
        if was is None or now is None:
            rows.append([number(row["level_mm"], 0), "open, or only one of the two is there"])
            continue
        rows.append(
            [
                number(row["level_mm"], 0),
                number(was),
                number(now),
                signed(now - was),
                signed(row["change_percent"], 2),
                *_pair(row, "ap"),
                *_pair(row, "ml"),
                number(row["area_before_mm2"] / 100),
                signed((row["area_after_mm2"] - row["area_before_mm2"]) / 100),
            ]
        )
    v = s["volume"]
    told = Html("<p>A hole lets no volume be told.</p>")
    if v["change_ml"] is not None:
        told = Html(
            f"<p>Volume below level {number(v['plane_level_mm'], 0)} mm: {number(v['before_ml'])} ml before, "
            f"{number(v['after_ml'])} ml after, {signed(v['change_ml'])} ml ({signed(v['change_percent'], 2)} %).</p>"
        )
    note = f"Levels from {s['frame']['origin']}, positive distally. Circumference is what a tape reads."
    return section("levels", "Levels and volume", table("Levels, proximal first", columns, rows), told, _small(note))


def _pair(row: Facts, name: str) -> tuple[Html, Html]:
    was, now = row[f"{name}_before_mm"], row[f"{name}_after_mm"]
    return number(was), signed(now - was)


def alignment_section(s: Facts) -> Html:
    """How the two were laid over each other, and how sure that is."""
    a = s["alignment"]
    rows = [["Method", a["method"]], ["Turned by", join([number(a["turned_deg"], 2), "°"])]]
    rows.append(["Shifted by", join([number(a["shifted_mm"], 2), " mm, AFTER's middle"])])
    told = (
        ("kept_rms_mm", "The half that agrees best lies apart by", " mm (rms)"),
        ("half_within_mm", "Half of the surface lies within", " mm"),
        ("landmarks_rms_mm", "Common landmarks are off by", " mm (rms)"),
        ("mirror_rms_mm", "A mirror image would lie apart by", " mm (rms)"),
        ("room_along_mm", "Half as bad again when moved along the limb by", " mm"),
        ("room_turn_deg", "Half as bad again when turned about it by", "°"),
    )
    rows += [[words, join([number(a[key], 2), unit])] for key, words, unit in told if a[key] is not None]
    rows.append(["Compared", join([number(s["distance"]["compared_percent"], 1), " % of BEFORE's surface"])])
    columns = [Column("What", numbers=False), Column("Figure", numbers=False)]
    matrix = "\n".join(" ".join(f"{x:12.6f}" for x in row) for row in a["after_to_before_frame"])
    marks = ""
    if a["landmarks"]:
        pairs = [[m["name"], number(m["off_mm"], 2)] for m in a["landmarks"]]
        marks = table("Common landmarks", [Column("Landmark", numbers=False), Column("Off", "mm")], pairs, "key")
    return section(
        "alignment",
        "How they were laid over each other",
        Html(f"<p>{text(a['why'][:1].upper() + a['why'][1:])}. Nothing was scaled.</p>"),
        table("Alignment", columns, rows, "key"),
        marks,
        Html(f"<p>From AFTER's own axes to BEFORE's:</p><pre class='mono'>{text(matrix)}</pre>"),
    )


def plans_section(plans: Facts) -> Html:
    """Where the plans differ, in words."""
    columns = [
        Column("Region", numbers=False),
        Column("What", numbers=False),
        Column("Before", numbers=False),
        Column("After", numbers=False),
        Column("By", numbers=False),
    ]
    groups = [(r["name"], r["differences"]) for r in plans["regions"]]
    groups += [("overall reduction", plans["overall"]), ("the rest", plans["rest"])]
    rows = [[name, d["what"], d["before"], d["after"], d["by"]] for name, found in groups for d in found]
    if not rows:
        return section("plans", "The plans", Html("<p>The plans say the same.</p>"))
    alike = _small(f"Alike: {', '.join(plans['alike'])}.") if plans["alike"] else ""
    return section("plans", "The plans", table("Where the plans differ", columns, rows), alike)


def reports_section(r: Facts) -> Html:
    """What the two change reports say of the same things."""
    columns = [
        Column("Region", numbers=False),
        Column("Asked", "before, mm"),
        Column("after", "mm"),
        Column("Achieved", "before, mm"),
        Column("after", "mm"),
        Column("Peak", "before, mm"),
        Column("after", "mm"),
        Column("Volume", "before, ml"),
        Column("after", "ml"),
    ]
    rows = [
        [
            name,
            *(signed(row[f"{w}_{key}_mm"], 2) for key in ("asked", "achieved", "peak") for w in ("before", "after")),
            *(signed(row[f"{w}_volume_ml"]) for w in ("before", "after")),
        ]
        for name, row in r["regions"].items()
    ]
    v = r["volume"]
    said = [
        f"{word}: {pair[0]}, then {pair[1]}"
        for word, pair in (("Status", r["status"]), ("Rulebook", r["rulebook"]))
        if pair[0] != pair[1]
    ]
    said += [f"Tuned: {entry}" for entry in r["tuned"]] + [f"No longer tuned: {entry}" for entry in r["untuned"]]
    said.append(f"Volume of the rectified model: {v['before_ml']:.1f} ml, then {v['after_ml']:.1f} ml")
    for name, row in r["landmarks"].items():
        moved = [f"{row['distal_mm']:+.1f} mm distal"] if row["distal_mm"] else []
        moved += [f"{row['turned_deg']:+.1f} degrees"] if row["turned_deg"] else []
        known = f"{row['before'] or 'not there'}, then {row['after'] or 'not there'}"
        said.append(f"Landmark {name}: {', '.join(moved) or known}")
    return section(
        "reports",
        "The change reports side by side",
        listed(said),
        table("Regions that differ, as reported", columns, rows) if rows else Html("<p>No region differs.</p>"),
        _report_levels(r["levels"]),
    )


def _report_levels(levels: list[Facts]) -> Html:
    """Circumference and widths of both rectified models, as reported."""
    columns = [Column("Level", "mm")]
    for word in ("Circumference", "AP", "ML"):
        columns += [Column(word, "before, mm"), Column("Change", "mm")]
    rows: list[list[object]] = []
    for row in levels:
        if row["circumference_before_mm"] is None or row["circumference_after_mm"] is None:
            continue
        rows.append(
            [number(row["level_mm"], 0), *(x for name in ("circumference", "ap", "ml") for x in _pair(row, name))]
        )
    return table("Levels of the rectified models, as reported", columns, rows) if rows else Html("")


def made_section(facts: Facts) -> Html:
    """What went in, file by file."""
    columns = [Column("Version", numbers=False), Column("File", numbers=False), Column("sha256", numbers=False)]
    rows = [
        [word, f["file"], Html(f"<code>{text(f['sha256'])}</code>")]
        for word, key in (("Before", "before"), ("After", "after"))
        for f in facts[key]["files"]
    ]
    return section("made", "What was compared", table("Files", columns, rows))
