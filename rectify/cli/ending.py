"""How a command ends when something is in the way: a sentence, an exit code, and JSON where it is asked for.

    1    an internal fault, ours to mend; also: no sound shape was found
    2    the input or the command is wrong, nothing was written
    3    a limit of the rulebook was breached
    130  stopped by the person (Ctrl-C)

A traceback is shown only where RECTIFY_TRACEBACK is set.
"""

from __future__ import annotations

import os
import sys
import traceback
from pathlib import Path
from typing import Any

import click

from rectify.cli.say import message, print_json
from rectify.errors import Faults, RectifyError

__all__ = ["EXIT_FAULT", "EXIT_INPUT", "EXIT_STOPPED", "error_facts", "explain"]

EXIT_FAULT, EXIT_INPUT, EXIT_STOPPED = 1, 2, 130


def explain(problem: BaseException, *, as_json: bool) -> int:
    """Say what happened and return the exit code."""
    code, text, facts = _told(problem)
    message(text)
    if _traceback_wanted() and code == EXIT_FAULT:
        message("".join(traceback.format_exception(problem)).rstrip())
    if as_json:
        print_json({"error": facts, "exit_code": code})
    return code


def error_facts(problem: RectifyError) -> dict[str, Any]:
    """The error's fields; of several faults each one's."""
    facts: dict[str, Any] = dict(problem.as_dict())
    if isinstance(problem, Faults):
        facts["faults"] = [error_facts(fault) for fault in problem.errors if isinstance(fault, RectifyError)]
    return facts


def _told(problem: BaseException) -> tuple[int, str, dict[str, Any]]:
    if isinstance(problem, RectifyError):
        return problem.exit_code, str(problem), error_facts(problem)
    if isinstance(problem, click.Abort | KeyboardInterrupt):
        return EXIT_STOPPED, "stopped", {"kind": "Stopped", "message": "stopped"}
    if isinstance(problem, click.ClickException):
        return EXIT_INPUT, _usage(problem), {"kind": "UsageError", "message": problem.format_message()}
    if isinstance(problem, MemoryError):
        text = "there is not enough memory for this; use a coarser mesh or a machine with more"
        return EXIT_FAULT, f"rectify: {text}", {"kind": "MemoryError", "message": text}
    return _fault(problem)


def _usage(problem: click.ClickException) -> str:
    context = getattr(problem, "ctx", None)
    if context is None or isinstance(problem, click.exceptions.NoArgsIsHelpError):
        return problem.format_message()  # of the latter: the whole help
    help_line = f"`{context.command_path} --help` says what it takes"
    return f"{context.get_usage()}\n{problem.format_message()}\n    {help_line}"


def _fault(problem: BaseException) -> tuple[int, str, dict[str, Any]]:
    kind, place = type(problem).__name__, _place(problem)
    text = (
        f"rectify: internal fault, {kind} at {place}: not your input's fault; please report this line and the command "
        "(RECTIFY_TRACEBACK=1 shows more)"
    )
    return EXIT_FAULT, text, {"kind": kind, "message": "internal fault", "found": place}


def _place(problem: BaseException) -> str:
    """The innermost line of this program that the problem went through."""
    home = Path(__file__).resolve().parents[1]
    ours = "an unknown place"
    for frame in traceback.extract_tb(problem.__traceback__):
        file = Path(frame.filename)
        if file.is_relative_to(home):
            ours = f"{file.relative_to(home.parent).as_posix()}:{frame.lineno}"
    return ours


def _traceback_wanted() -> bool:
    return os.environ.get("RECTIFY_TRACEBACK", "") not in ("", "0") and sys.stderr is not None
