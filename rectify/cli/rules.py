"""`rectify rules`: which rulebooks there are, what one says, where two differ, whether a file is good, the schema."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rectify.cli.ending import EXIT_INPUT, error_facts
from rectify.cli.say import json_option, message, print_json, result, table, told

__all__ = ["rules_group"]


@click.group(name="rules", short_help="Rulebooks: list them, show one, compare two, check files, print the schema.")
def rules_group() -> None:
    """Rulebooks: list them, show one, compare two, check files, print the schema."""


@rules_group.command(name="list", short_help="List the shipped rulebooks.")
@json_option
def list_command(as_json: bool) -> int:
    """List the shipped rulebooks."""
    from rectify.rulebook.load import list_rulebooks, load_rulebook

    books = [load_rulebook(name) for name in list_rulebooks()]
    if as_json:
        print_json({"rulebooks": [_head(book) for book in books], "exit_code": 0})
        return 0
    table(
        ("rulebook", "revision", "status", "amputation", "name"),
        [(book.key, str(book.revision), book.status, book.amputation, book.name) for book in books],
    )
    return 0


@rules_group.command(name="show", short_help="Show a rulebook, as written or as it comes out for a limb.")
@click.argument("name")
@click.option("--case", type=click.Path(path_type=Path), help="As it comes out for the limb of this case, in mm.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE.png",
    help="Also draw the limb laid flat, with every region: the case's, or a generated one of average build.",
)
@json_option
def show_command(name: str, case: Path | None, picture: Path | None, as_json: bool) -> int:
    """Show the rulebook NAME (or a file), with what it extends laid under it.

    With --case: resolved for that limb, its tunings included.
    """
    from dataclasses import asdict

    from rectify.cli.rules_picture import check_picture, draw_reference
    from rectify.cli.rules_show import tell_rulebook, tell_standing
    from rectify.rulebook.describe import describe
    from rectify.rulebook.evidence import standing_of
    from rectify.rulebook.load import load_rulebook

    check_picture(picture)
    if case is not None:
        return _show_for(name, case, picture, as_json=as_json)
    book = load_rulebook(_name_or_path(name))
    words, standing = describe(book), standing_of(book)
    drawn = draw_reference(book, picture) if picture is not None else None
    if as_json:
        print_json({**asdict(words), "standing": asdict(standing), "picture": drawn, "exit_code": 0})
        return 0
    tell_rulebook(words)
    tell_standing(standing)
    if drawn is not None:
        message(f"{picture}: on {drawn}")
    return 0


def _show_for(name: str, case: Path, picture: Path | None, *, as_json: bool) -> int:
    from dataclasses import asdict

    from rectify.api import open_case
    from rectify.cli.rules_picture import draw
    from rectify.cli.rules_show import tell_plan, tell_standing
    from rectify.rulebook.evidence import standing_of
    from rectify.rulebook.explain import origins
    from rectify.rulebook.load import is_resolved, load_rulebook

    opened, which = open_case(case), _name_or_path(name)
    limb, plan = opened.resolved(which)
    book = None if isinstance(which, Path) and is_resolved(which) else load_rulebook(which, folder=opened.folder)
    ways = origins(plan, book)
    standing = None if book is None else standing_of(book)
    drawn = f"the limb of case {opened.code}" if picture is not None else None
    if picture is not None:
        draw(limb, plan, picture, f"{plan.rulebook_key}, revision {plan.revision}, on {drawn}")
    if as_json:
        found: dict[str, Any] = {"case": str(case), "plan": asdict(plan), "origins": [asdict(way) for way in ways]}
        print_json({**found, "standing": standing and asdict(standing), "picture": drawn, "exit_code": 0})
    else:
        tell_plan(plan, ways)
        if standing is not None:
            tell_standing(standing)
        if drawn is not None:
            message(f"{picture}: on {drawn}")
    for warning in plan.warnings:
        message(f"{warning.severity}: {told(warning.message, warning.where)}")
    return 0


@rules_group.command(name="diff", short_help="Compare two rulebooks, in words and in mm on a limb.")
@click.argument("first")
@click.argument("second")
@click.option("--case", type=click.Path(path_type=Path), help="On the limb of this case; its tunings are left out.")
@json_option
def diff_command(first: str, second: str, case: Path | None, as_json: bool) -> int:
    """Compare the rulebooks FIRST and SECOND (names or files): where they differ, in words and in mm.

    Without --case on a generated limb of average build, bare, with a liner of 6 mm to be worn.
    """
    from dataclasses import asdict

    from rectify.cli.rules_diff import limb_to_compare_on, tell_comparison
    from rectify.rulebook.compare import compare
    from rectify.rulebook.load import load_rulebook

    folder = case.parent if case is not None and case.is_file() else case
    books = [load_rulebook(_name_or_path(name), folder=folder) for name in (first, second)]
    limb, facts, words = limb_to_compare_on(case, books)
    found = compare(books[0], books[1], limb, facts)
    if as_json:
        print_json({"on": words, **asdict(found), "exit_code": 0})
    else:
        tell_comparison(found, words)
    return 0


@rules_group.command(name="check", short_help="Check files: every fault, with its line.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE...")
@json_option
def check_command(files: tuple[Path, ...], as_json: bool) -> int:
    """Check rulebook files: every fault of every FILE, with its line and what would be right."""
    from dataclasses import asdict

    from rectify.errors import RectifyError
    from rectify.rulebook.checks import check_rulebook
    from rectify.rulebook.load import EVIDENCE_FILE, load_rulebook

    entries: list[dict[str, Any]] = []
    for file in files:
        if file.stem == EVIDENCE_FILE:
            message(f"{file}: the list of sources, not a rulebook; passed over")
            continue
        try:
            book = load_rulebook(file)
        except RectifyError as fault:
            message(str(fault))
            entries.append({"file": str(file), "good": False, "error": error_facts(fault)})
        else:
            found = [finding.warn() for finding in check_rulebook(book)]
            entries.append({"file": str(file), "good": True, **_head(book), "findings": [asdict(w) for w in found]})
            for finding in check_rulebook(book):
                message(f"note: {finding.error}")
            if not as_json:
                result(f"{file}: good, {len(book.regions)} regions, {book.status}, for {book.amputation}")
    code = 0 if all(entry["good"] for entry in entries) else EXIT_INPUT
    if as_json:
        print_json({"files": entries, "exit_code": code})
    return code


@rules_group.command(name="schema", short_help="Print the JSON Schema of a rulebook file.")
@click.option(
    "--of",
    "which",
    type=click.Choice(["rulebook", "report", "comparison"]),
    default="rulebook",
    show_default=True,
    help="Of a rulebook file, of change-report.json, or of comparison.json.",
)
@click.option("--json", "as_json", is_flag=True, help="It is JSON anyway.")
def schema_command(which: str, as_json: bool) -> int:
    """Print the JSON Schema of a rulebook file, so that an editor can help with writing one."""
    del as_json
    if which == "report":
        from rectify.report import report_schema

        print_json(report_schema())
        return 0
    if which == "comparison":
        from rectify.studies.schema import comparison_schema

        print_json(comparison_schema())
        return 0
    from rectify.rulebook.schema import rulebook_schema

    print_json(rulebook_schema())
    return 0


def _name_or_path(name: str) -> str | Path:
    return Path(name) if name.endswith((".yaml", ".yml")) else name


def _head(book: Any) -> dict[str, Any]:
    return {
        "rulebook": book.key,
        "name": book.name,
        "amputation": book.amputation,
        "status": book.status,
        "revision": book.revision,
        "sha256": book.sha256,
    }
