"""What a command says: results on standard output, messages on standard error, JSON where it is asked for.

A reader that has had enough (`rectify rules list | head -1`) is no fault: what is left to say is dropped, and the
command's work and exit code stand. Letters that a terminal cannot show are replaced, never an error.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Sequence
from typing import Any, TextIO, TypeVar

import click

__all__ = ["finish_streams", "json_option", "message", "print_json", "result", "settle_streams", "table", "told"]

_NAME = frozenset("abcdefghijklmnopqrstuvwxyz0123456789-")  # a region, or one word of the case
Command = TypeVar("Command", bound=Callable[..., Any])


def json_option(command: Command) -> Command:
    """The option `--json`, the same on every command."""
    return click.option("--json", "as_json", is_flag=True, help="Print the result as JSON; messages go to stderr.")(
        command
    )


def result(text: str = "") -> None:
    """A line of the result."""
    _write(sys.stdout, text + "\n")


def message(text: str) -> None:
    """A line for the person: what is wrong, what to look at."""
    _write(sys.stderr, text + "\n")


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Rows under their heads; columns of figures stand to the right."""
    lines = [tuple(heads), *map(tuple, rows)]
    widths = [max(len(line[i]) for line in lines) for i in range(len(heads))]
    right = [bool(rows) and all(row[i][:1] in "-+0123456789" for row in rows) for i in range(len(heads))]
    for line in lines:
        cells = (text.rjust(w) if r else text.ljust(w) for text, w, r in zip(line, widths, right, strict=True))
        result("  ".join(cells).rstrip())


def told(message: str, where: str) -> str:
    """A warning in one line; the region it is about stands in front, unless the message names it already."""
    region = where.removeprefix("regions.").split(".")[0] if where.startswith("regions.") else where
    named = not region or not set(region) <= _NAME or region in message
    return message if named else f"{region}: {message}"


def print_json(value: Any) -> None:
    """The result for another program. Numbers that are not finite have no place in JSON: they are ValueErrors."""
    result(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def settle_streams() -> None:
    """Let no letter be an error, whatever the terminal can show."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")


def finish_streams() -> None:
    """Hand over what is still held back, and let nothing fail after that."""
    for stream in (sys.stdout, sys.stderr):
        _write(stream, "")


def _write(stream: TextIO, text: str) -> None:
    try:
        stream.write(text)
        stream.flush()
    except BrokenPipeError:
        _drop(stream)


def _drop(stream: TextIO) -> None:
    """Nobody listens any more: send the rest nowhere, so that the flush at exit does not complain."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, stream.fileno())
    os.close(nowhere)
