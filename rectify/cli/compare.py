"""`rectify compare BEFORE AFTER`: two versions of one limb, how far they lie apart, where, and how much that is."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import click

from rectify.cli.say import json_option, message, print_json, result, table

__all__ = ["compare_command"]

_HOW = ("auto", "none", "scan", "landmarks", "shape")  # as rectify.studies.align has them
_UNITS = ("mm", "cm", "m", "inch")
_WIDTH = 100
_FEW_DEG, _FEW_MM = 0.005, 0.005


@click.command(name="compare", short_help="Compare two versions of one limb, or a model made by hand.")
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
@click.option(
    "--align",
    "how",
    type=click.Choice(_HOW),
    default="auto",
    show_default=True,
    help="How AFTER is laid over BEFORE. auto: not at all where both come from one scan, else by landmarks that both "
    "have and by shape. scan: a model lies in the axes of the other's scan.",
)
@click.option("--before-units", type=click.Choice(_UNITS), help="Of a mesh file without units; mm by default.")
@click.option("--after-units", type=click.Choice(_UNITS), help="The same of AFTER.")
@click.option(
    "--before-landmarks", type=click.Path(path_type=Path), metavar="FILE", help="Landmarks of a mesh file, in its axes."
)
@click.option("--after-landmarks", type=click.Path(path_type=Path), metavar="FILE", help="The same of AFTER.")
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="DIR", help="Write comparison.json and comparison.html into it."
)
@click.option("--replace", is_flag=True, help="Put them in the place of a folder that is there.")
@json_option
def compare_command(
    before: Path,
    after: Path,
    how: str,
    before_units: str | None,
    after_units: str | None,
    before_landmarks: Path | None,
    after_landmarks: Path | None,
    out: Path | None,
    replace: bool,
    as_json: bool,
) -> int:
    """Compare BEFORE with AFTER: each a result folder, a case folder, a mesh file, or a change report.

    Distances are AFTER's from BEFORE, outward positive. Nothing is written without --out.
    """
    if replace and out is None:
        raise click.UsageError("--replace is for --out; there is none")
    from rectify.studies import compare
    from rectify.studies.save import check_place, save_comparison

    if out is not None:
        check_place(out, replace=replace)
    made = compare(
        before,
        after,
        how=how,
        before_units=before_units,
        after_units=after_units,
        before_landmarks=before_landmarks,
        after_landmarks=after_landmarks,
    )
    if out is not None:
        save_comparison(made, out, replace=replace)
    if as_json:
        print_json({**made.facts, "folder": None if out is None else str(out), "exit_code": made.exit_code})
    else:
        _tell(made.facts, out)
    for warning in made.facts["warnings"]:
        if warning["severity"] == "look":
            message(f"look: {warning['message']}")
        elif not as_json:
            message(f"note: {warning['message']}")
    return made.exit_code


def _tell(facts: dict[str, Any], out: Path | None) -> None:
    for word in ("before", "after"):
        result(f"{word:<10}{_version(facts[word])}")
    if facts["shapes"] is not None:
        _tell_shapes(facts["shapes"])
    if facts["plans"] is not None:
        _tell_plans(facts["plans"])
    if facts["reports"] is not None:
        _tell_reports(facts["reports"], shapes=facts["shapes"] is not None, plans=facts["plans"] is not None)
    if out is not None:
        result()
        result(f"files     {out}")
        for name in sorted(path.name for path in out.iterdir()):
            result(f"          {name}")


def _version(v: dict[str, Any]) -> str:
    words = [v["name"], v["kind"] if v["case"] is None else f"{v['kind']} of {v['case']}"]
    words += [word for word in (v["side"] and f"{v['side']} {v['amputation']}", v["rulebook"], v["status"]) if word]
    return ", ".join(words)


def _paragraph(text: str, head: str = "") -> None:
    lines = textwrap.wrap(text, _WIDTH - 10, break_long_words=False) or [""]
    for i, line in enumerate(lines):
        result(f"{head if i == 0 else '':<10}{line}")


def _head(text: str) -> None:
    result()
    result(text.upper())


# -- shapes -----------------------------------------------------------------------------------------


def _tell_shapes(s: dict[str, Any]) -> None:
    distance, volume = s["distance"], s["volume"]
    _paragraph(_aligned(s["alignment"]), "aligned")
    _paragraph(f"from {s['frame']['origin']}", "levels")
    _paragraph(
        f"{s['frame']['counted']}: {distance['compared_percent']:.0f} % of it, {distance['area_mm2'] / 100:.0f} cm²; "
        "AFTER less BEFORE, outward positive",
        "compared",
    )
    result()
    table(
        ("", "difference", "beside what was read", "source"),
        [(b["figure"], f"{b['value']} {b['unit']}", b["says"], b["evidence"]) for b in s["beside"]],
    )
    result()
    table(
        ("distance mm", "mean", "median", "5 %", "95 %", "size"),
        [
            (
                "all",
                *(_signed(distance[k]) for k in ("mean_mm", "median_mm", "p5_mm", "p95_mm")),
                _mm(distance["mean_size_mm"]),
            )
        ],
    )
    result(
        f"within 0.25 mm {distance['within_quarter_percent']:.0f} %, 1 mm {distance['within_one_percent']:.0f} %, "
        f"2 mm {distance['within_two_percent']:.0f} % of the area"
    )
    if volume["below_trimline_ml"] is not None:
        result(
            f"volume below the trimline {volume['below_trimline_ml']:+.1f} ml, "
            f"{_signed(volume['below_trimline_percent'])} %"
        )
    if volume["change_ml"] is not None:
        result(
            f"volume {volume['before_ml']:.0f} ml -> {volume['after_ml']:.0f} ml ({volume['change_ml']:+.1f} ml, "
            f"{volume['change_percent']:+.2f} %) below level {volume['plane_level_mm']:.0f} mm"
        )
    _tell_places(s)
    _tell_regions(s)
    _head("levels")
    table(
        ("level mm", "circumference", "after", "change", "AP change", "ML change", "area change cm²"),
        [_level(row) for row in s["levels"]],
    )


def _aligned(a: dict[str, Any]) -> str:
    words = [a["why"]]
    if a["turned_deg"] > _FEW_DEG or a["shifted_mm"] > _FEW_MM:
        words.append(f"turned by {a['turned_deg']:.2f} degrees, shifted by {a['shifted_mm']:.2f} mm")
    if a["kept_rms_mm"] is not None:
        words.append(f"{a['kept_rms_mm']:.2f} mm apart there (rms)")
    elif a["half_within_mm"] is not None:
        words.append(f"half of the surface lies within {a['half_within_mm']:.2f} mm")
    if a["landmarks"] and a["method"] != "none":
        words.append(f"{len(a['landmarks'])} common landmarks off by {a['landmarks_rms_mm']:.1f} mm (rms)")
    if a["room_along_mm"] is not None:
        words.append(
            f"half as bad again only when moved by {a['room_along_mm']:.1f} mm along the limb or "
            f"{a['room_turn_deg']:.1f} degrees about it"
        )
    if a["mirror_rms_mm"] is not None:
        words.append(f"a mirror image would be {a['mirror_rms_mm']:.2f} mm apart")
    return "; ".join(words)


def _tell_places(s: dict[str, Any]) -> None:
    _head("where they lie more than 1 mm apart")
    if not s["places"]:
        result("nowhere over more than 1 cm²")
        return
    table(
        ("peak mm", "mean", "cm²", "ml", "level mm", "angle", "regions"),
        [
            (
                _signed(p["peak_mm"]),
                _signed(p["mean_mm"]),
                f"{p['area_mm2'] / 100:.1f}",
                f"{p['volume_ml']:+.1f}",
                f"{p['level_mm']:.0f}",
                f"{p['angle_deg']:.0f}",
                ", ".join(p["regions"]) or "none",
            )
            for p in s["places"]
        ],
    )


def _tell_regions(s: dict[str, Any]) -> None:
    if not s["regions"]:
        return
    _head("regions, as laid out on before")
    differ = {name: row for name, row in s["regions"].items() if not _same(row)}
    rows = [(name, row, row["core_mm"], row["beside"]) for name, row in differ.items()]
    if s["outside_regions"] is not None:
        rows.append(("outside regions", s["outside_regions"], None, ""))
    table(
        ("region", "core mm", "mean", "median", "5 %", "95 %", "cm²", "ml", "beside what people differ by"),
        [
            (
                name,
                _signed(core),
                *(_signed(row[k]) for k in ("mean_mm", "median_mm", "p5_mm", "p95_mm")),
                f"{row['area_mm2'] / 100:.1f}",
                "-" if row["volume_ml"] is None else f"{row['volume_ml']:+.1f}",
                words,
            )
            for name, row, core, words in rows
        ],
    )
    same = [name for name in s["regions"] if name not in differ]
    if same:
        _paragraph(f"no difference: {', '.join(same)}")


def _same(row: dict[str, Any]) -> bool:
    return all(abs(row[key] or 0.0) < _FEW_MM for key in ("core_mm", "mean_mm", "p5_mm", "p95_mm"))


def _level(row: dict[str, Any]) -> tuple[str, ...]:
    def change(name: str, unit: str = "mm", per: float = 1.0) -> str:
        one, two = row[f"{name}_before_{unit}"], row[f"{name}_after_{unit}"]
        if one is None or two is None:
            return "-"
        shown = f"{(two - one) / per:+.1f}"
        return "0.0" if float(shown) == 0.0 else shown

    return (
        f"{row['level_mm']:.0f}",
        *(_mm(row[f"circumference_{word}_mm"], 1) for word in ("before", "after")),
        *(change(name) for name in ("circumference", "ap", "ml")),
        change("area", "mm2", 100.0),
    )


def _mm(value: float | None, decimals: int = 2) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"


def _signed(value: float | None) -> str:
    if value is None:
        return "-"
    shown = f"{value:+.2f}"
    return "0.00" if float(shown) == 0.0 else shown


# -- plans and reports ------------------------------------------------------------------------------


def _tell_plans(plans: dict[str, Any]) -> None:
    _head("plans")
    groups = [(r["name"], r["differences"]) for r in plans["regions"]]
    groups += [
        (name, plans[key]) for name, key in (("overall reduction", "overall"), ("the rest", "rest")) if plans[key]
    ]
    if not groups:
        result("they say the same")
    for name, differences in groups:
        for i, d in enumerate(differences):
            by = f"  ({d['by']})" if d["by"] else ""
            result(f"{name if i == 0 else '':<24}{d['what']}: {d['before']} -> {d['after']}{by}")


def _tell_reports(r: dict[str, Any], *, shapes: bool, plans: bool) -> None:
    _head("reports")
    for word, key in (("status", "status"), ("rulebook", "rulebook")):
        one, two = r[key]
        if one != two:
            result(f"{word}: {one} -> {two}")
    for sign, key in (("+", "tuned"), ("-", "untuned")):
        for entry in r[key]:
            _paragraph(f"{sign} {entry}", "tuning")
    if not shapes:
        v = r["volume"]
        result(f"volume of the rectified model {v['before_ml']:.0f} ml -> {v['after_ml']:.0f} ml")
    if r["regions"]:
        table(
            ("region", "asked mm", "after", "achieved", "after", "peak", "after"),
            [
                (
                    name,
                    *(_signed(row[f"{w}_{k}_mm"]) for k in ("asked", "achieved", "peak") for w in ("before", "after")),
                )
                for name, row in r["regions"].items()
            ],
        )
    elif not plans:
        result("no region differs")
    for name, row in r["landmarks"].items():
        moved = [f"{row['distal_mm']:+.1f} mm distal"] if row["distal_mm"] else []
        moved += [f"{row['turned_deg']:+.1f} degrees"] if row["turned_deg"] else []
        known = f"{row['before'] or 'not there'} -> {row['after'] or 'not there'}"
        result(f"landmark {name}: {', '.join(moved) or known}")
