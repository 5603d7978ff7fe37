"""`rectify release CASE --by WHO`: let this result go to a machine, bound to what it was made of."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import click

from rectify.cli.say import json_option, message, print_json, result, told

__all__ = ["release_command"]


@click.command(name="release", short_help="Let the result of a case go to a machine.")
@click.argument("case", type=click.Path(path_type=Path))
@click.option("--by", required=True, metavar="WHO", help="Initials or a role in one word, such as JT-cpo.")
@click.option("--on", metavar="DATE", help="The date, such as 2026-11-20. By default today.")
@json_option
def release_command(case: Path, by: str, on: str | None, as_json: bool) -> int:
    """Release the result of CASE: write who and when into its case.yaml, with the digest of plan and inputs.

    The plan is carried out first, and nothing is released that breaches a limit. Any later change of the scan, the
    landmarks, the case or the rulebook makes the result a draft again.
    """
    from rectify.api import apply, open_case
    from rectify.case import release_blockers, write_release
    from rectify.errors import LimitError

    day = on if on is not None else date.today().isoformat()
    _check(by, day)
    opened = open_case(case)
    made = apply(opened)
    if made.outcome.breaches and not release_blockers(opened, made.plan):
        raise LimitError(
            "; ".join(breach.message for breach in made.outcome.breaches),
            path=opened.document.path,
            hint="nothing was released; lower the amounts, or use another rulebook",
        )
    digest = write_release(opened, made.plan, by=by, on=day)
    look = [w for w in made.report["warnings"] if w["severity"] == "look" and w["code"] not in _ANSWERED]
    if as_json:
        facts = {"case": opened.code, "by": by, "on": day, "of": digest, "look": look, "exit_code": 0}
        print_json(facts)
    else:
        result(f"released {opened.code} by {by} on {day}")
        result(f"of {digest}")
    for warning in look:
        message(f"still to be looked at: {told(warning['message'], warning['where'])}")
    return 0


def _check(by: str, day: str) -> None:
    """Who and when, before any work: initials or a role, and a date, that the case file will give back as they are."""
    from rectify.errors import CaseError
    from rectify.rulebook.yamltext import parse_yaml

    def plain(text: str) -> bool:
        return bool(re.fullmatch(r"[A-Za-z0-9]+([._-][A-Za-z0-9]+)*", text)) and parse_yaml(text).value == text

    if not plain(by) or len(by) > _LONGEST:
        wanted = "initials or a role in one word, such as JT-cpo"
        raise CaseError(
            "cannot stand for who released it", key="--by", wanted=wanted, found=repr(by), hint="no full names"
        )
    try:
        date.fromisoformat(day)
    except ValueError:
        raise CaseError("is not a day", key="--on", wanted="a date as 2026-11-20", found=repr(day)) from None


_LONGEST = 24
_ANSWERED = ("not-released", "release-stale")
