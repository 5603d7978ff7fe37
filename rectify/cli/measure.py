"""`rectify measure CASE`: what the captured limb measures, and whether the tape agrees."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rectify.cli.say import json_option, message, print_json, result, table, told

__all__ = ["measure_command"]


@click.command(name="measure", short_help="Measure a limb, and compare it with the tape.")
@click.argument("case", type=click.Path(path_type=Path))
@click.option(
    "--step",
    type=float,
    default=10.0,
    show_default=True,
    metavar="MM",
    help="Between levels, 1 to 100 mm.",
)
@json_option
def measure_command(case: Path, step: float, as_json: bool) -> int:
    """Measure the captured limb of CASE: levels, widths, lengths, volume, shape; compared with the tape.

    Nothing is written.
    """
    if not 1.0 <= step <= 100.0:  # what is not a number is not either
        raise click.BadParameter(f"{step:g} is not 1 to 100 mm", param_hint="'--step'")
    from rectify.api import open_case
    from rectify.report.facts import measure_facts

    facts = measure_facts(open_case(case), step)
    if as_json:
        print_json(facts)
    else:
        _tell(facts)
    for warning in facts["warnings"]:
        message(f"{warning['severity']}: {told(warning['message'], warning['where'])}")
    return 0


def _tell(facts: dict[str, Any]) -> None:
    volume, shape = facts["volume"], facts["shape"]
    result(f"case    {facts['case']}, {facts['side']} {facts['amputation']}")
    result(f"shape   {shape['class']} (distal over proximal circumference {shape['ratio']:.2f})")
    result(f"volume  {volume['volume_ml']:.0f} ml below level {volume['plane_level_mm']:.0f} mm")
    result()
    table(
        ("level mm", "circumference", "AP", "ML"),
        [
            (f"{row['level_mm']:.0f}", _mm(row["circumference_mm"]), _mm(row["ap_mm"]), _mm(row["ml_mm"]))
            for row in facts["levels"]
        ],
    )
    result()
    table(
        ("level mm", "circumference", "AP", "ML", "reference level", "known by"),
        [
            (
                f"{row['level_mm']:.0f}",
                _mm(row["circumference_mm"]),
                _mm(row["ap_mm"]),
                _mm(row["ml_mm"]),
                row["name"],
                _source(row),
            )
            for row in facts["references"]
        ],
    )
    result()
    table(
        ("length mm", "from", "to", "known by"),
        [(_mm(row["length_mm"]), row["from"], row["to"], _source(row)) for row in facts["lengths"]],
    )
    if facts["tape"]:
        result()
        table(
            ("tape mm", "capture", "accepted", "", "measure"),
            [
                (
                    _mm(row["tape_mm"]),
                    _mm(row["capture_mm"]),
                    f"+-{row['accepted_mm']:.0f}",
                    {True: "agrees", False: "DISAGREES", None: f"not compared: {row['not_compared']}"}[row["agrees"]],
                    f"{row['measure']} at {row['at']}" + (f" {row['distal_mm']:+.0f} mm" if row["distal_mm"] else ""),
                )
                for row in facts["tape"]
            ],
        )


def _mm(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"


def _source(row: dict[str, Any]) -> str:
    unsure = row["uncertainty_mm"]
    return f"{row['source']}, +-{unsure:.0f} mm" if unsure else str(row["source"])
