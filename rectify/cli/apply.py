"""`rectify apply CASE`: rectify a case and write its result folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rectify.cli.say import json_option, message, print_json, result, told

if TYPE_CHECKING:
    from rectify.api import Result

__all__ = ["apply_command"]

_WITHOUT = ("stl", "3mf", "page")


@click.command(name="apply", short_help="Rectify a case: model, plan, change report.")
@click.argument("case", type=click.Path(path_type=Path))
@click.option("--rulebook", metavar="NAME|FILE", help="Use this rulebook (or plan) instead of the case's own.")
@click.option(
    "--set",
    "sets",
    multiple=True,
    metavar="REGION.KEY=VALUE",
    help="Change a region for this run: popliteal.amount=3mm, fibular-head.change=+1mm. May be given several times.",
)
@click.option("--why", metavar="TEXT", help="Why the changes of --set are made.")
@click.option("--by", metavar="WHO", help="Who makes them: initials or a role in one word.")
@click.option("--on", metavar="DATE", help="When they were decided, such as 2026-11-20.")
@click.option(
    "--saved",
    type=click.IntRange(min=0),
    metavar="N",
    help="The saved version to use; 0 for the case as it was written. By default the newest.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="The folder to make. By default <case>-rectified, here.",
)
@click.option(
    "--replace", is_flag=True, help="Put the result in the place of an earlier one's folder, which is deleted."
)
@click.option(
    "--without", multiple=True, type=click.Choice(_WITHOUT), help="Leave this out. May be given several times."
)
@json_option
def apply_command(
    case: Path,
    rulebook: str | None,
    sets: tuple[str, ...],
    why: str | None,
    by: str | None,
    on: str | None,
    saved: int | None,
    out: Path | None,
    replace: bool,
    without: tuple[str, ...],
    as_json: bool,
) -> int:
    """Rectify CASE (its folder) and write the positive model, the plan and the change report.

    All of the result is written, or nothing.
    """
    if not sets and (why or by or on):
        raise click.UsageError("--why, --by and --on say who made a --set and why; there is no --set")
    from rectify.api import apply, open_case
    from rectify.save import check_folder, save_result

    opened = open_case(case, saved=saved)
    folder = out if out is not None else Path(f"{opened.code}-rectified")
    check_folder(opened, folder, rulebook=rulebook, replace=replace)
    made = apply(opened, rulebook, sets=sets, by=by, why=why, on=on)
    place = save_result(made, folder, replace=replace, without=without)
    facts = _facts(made, place)
    if as_json:
        print_json(facts)
    else:
        _tell(made, facts)
    _tell_why(made, facts)
    return made.exit_code


def _facts(made: Result, folder: Path) -> dict[str, Any]:
    report = made.report
    return {
        "case": made.case.code,
        "side": made.case.side,
        "amputation": made.case.amputation,
        "rulebook": report["rulebook"],
        "version": report["version"],
        "status": report["status"],
        "volume": report["volume"],
        "look": [warning for warning in report["warnings"] if warning["severity"] == "look"],
        "limits_breached": [breach.message for breach in made.outcome.breaches],
        "folder": str(folder),
        "files": sorted(file.name for file in folder.iterdir()),
        "exit_code": made.exit_code,
    }


def _tell(made: Result, facts: dict[str, Any]) -> None:
    volume, plan = facts["volume"], made.plan
    change = f"{volume['change_ml']:+.0f} ml, {volume['change_percent']:+.1f} %"
    result(f"case      {facts['case']}, {facts['side']} {facts['amputation']}")
    result(f"rulebook  {plan.rulebook_name} ({plan.rulebook_key}, revision {plan.revision})")
    if facts["version"] is not None:
        version = facts["version"]
        result(f"version   {version['number']}, saved by {version['by']} on {version['on']}: {version['why']}")
    result(
        f"volume    {volume['before_ml']:.0f} ml -> {volume['after_ml']:.0f} ml ({change}) "
        f"below level {volume['plane_level_mm']:.0f} mm"
    )
    for head, said in zip(_heads("capture"), _captured(made), strict=False):
        result(f"{head}{said}")
    for head, warning in zip(_heads("look at"), facts["look"], strict=False):
        result(f"{head}{told(warning['message'], warning['where'])}")
    result(f"status    {facts['status']}")
    result(f"files     {facts['folder']}")
    for name in facts["files"]:
        result(f"          {name}")


def _captured(made: Result) -> list[str]:
    """What was done between the captured surface and the one that is rectified, as far as it moves the whole of it."""
    said = [step["message"] for step in made.report["capture"] if step["code"] in ("top-cut", "offset")]
    copied = [w["message"] for w in made.report["warnings"] if w["code"] == "rectified-already"]
    return said + copied


def _heads(word: str) -> Any:
    yield word.ljust(10)
    while True:
        yield " " * 10


def _tell_why(made: Result, facts: dict[str, Any]) -> None:
    """One line on stderr where the exit code is not 0."""
    if made.exit_code == 3:
        message("a limit was breached, so no shape was written: " + "; ".join(facts["limits_breached"]))
        message("    lower the amounts, or use another rulebook; the report in the folder says where")
    elif made.exit_code == 4:
        look = facts["look"]
        more = f", and {len(look) - 1} more" if len(look) > 1 else ""
        first = told(look[0]["message"], look[0]["where"]) if look else f"it is a {facts['status']}"
        message(f"a person must look before this goes to a machine: {first}{more}")
