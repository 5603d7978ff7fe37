"""`rectify marks CASE`: the pencil marks of a capture, and which landmarks they may be."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rectify.cli.say import json_option, message, print_json, result, table

__all__ = ["marks_command"]


@click.command(name="marks", short_help="Read the pencil marks of a coloured capture.")
@click.argument("case", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write the landmarks, those of the case and the sure marks, to a new file.",
)
@json_option
def marks_command(case: Path, out: Path | None, as_json: bool) -> int:
    """Find the pencil marks of CASE, with place, kind and size, and propose which landmarks they are.

    The sure ones are taken by `rectify apply` as they stand; the others are for a person to name. Without --out
    nothing is written.
    """
    from rectify.api import open_case
    from rectify.case.marks import mark_facts, write_landmarks

    opened = open_case(case)
    facts = mark_facts(opened)
    if out is not None:
        write_landmarks(opened, out)
        facts["file"] = str(out)
    if as_json:
        print_json(facts)
    else:
        _tell(facts)
    return 0


def _tell(facts: dict[str, Any]) -> None:
    table(
        ("level mm", "angle", "kind", "size mm", "landmark", "sure", ""),
        [
            (
                _number(row["level_mm"]),
                _number(row["angle_deg"], 360),
                row["kind"],
                _number(row["size_mm"]),
                row["name"] or "?",
                f"{row['confidence']:.0%}",
                row["taken"] + (f"; else {_else(row['alternatives'])}" if row["alternatives"] else ""),
            )
            for row in facts["marks"]
        ],
    )
    for note in facts["notes"]:
        message(note)
    if "file" in facts:
        result(f"landmarks written to {facts['file']}")


def _else(alternatives: list[dict[str, Any]]) -> str:
    return ", ".join(f"{entry['name']} {entry['confidence']:.0%}" for entry in alternatives[:2])


def _number(value: float | None, turn: int = 0) -> str:
    if value is None:
        return "-"
    return f"{round(value) % turn}" if turn else f"{value:.0f}"
