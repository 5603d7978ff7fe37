"""What the commands that make something of a positive model share: where it comes from, and its measures in words."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from rectify.fabrication.positive import Positive

__all__ = ["angle", "ending", "length", "positive_from", "shape_options", "tell_looks", "whole"]

Command = TypeVar("Command", bound=Callable[..., Any])


class _Measure(click.ParamType[float]):
    """A length in mm or an angle in degrees, written with its unit."""

    def __init__(self, kind: str, signed: bool) -> None:
        self.name = kind
        self._signed = signed

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        from rectify.rulebook.quantity import QuantityError, parse_quantity

        if isinstance(value, float):
            return value
        kind: Any = self.name
        try:
            return parse_quantity(value, kind, sign="any" if self._signed else "none").value
        except QuantityError as wrong:
            more = f"; {wrong.hint}" if wrong.hint else ""
            self.fail(f"{wrong.message}; wanted: {wrong.wanted}{more}", param, ctx)


def length(*, signed: bool = False) -> click.ParamType[float]:
    """An option's type: a length with its unit."""
    return _Measure("length", signed)


def angle() -> click.ParamType[float]:
    """An option's type: an angle with its unit and perhaps a sign."""
    return _Measure("angle", True)


def shape_options(kind: str) -> Callable[[Command], Command]:
    """Where the model comes from and where the files go: the same on every command that makes something of it."""

    def add(command: Command) -> Command:
        for option in (
            click.option(
                "--replace", is_flag=True, help="Put it in the place of an earlier one's folder, which is deleted."
            ),
            click.option(
                "--out",
                type=click.Path(path_type=Path),
                metavar="DIR",
                help=f"The folder to make. By default <case>-{kind}, here.",
            ),
            click.option(
                "--trimline",
                type=click.Path(path_type=Path, dir_okay=False),
                metavar="FILE",
                help="Use the curve of this file (as <case>-trimline.json) instead of the rulebook's.",
            ),
            click.argument("source", type=click.Path(path_type=Path), metavar="CASE|RESULT"),
        ):
            command = option(command)
        return command

    return add


def positive_from(source: Path, trimline: Path | None) -> Positive:
    """The positive model of a case, rectified now, or of a result's folder."""
    from rectify.fabrication.positive import read_positive, with_trimline

    if (source / "case.yaml").is_file():
        from rectify.api import apply, open_case

        made = apply(open_case(source)).positive
    else:
        made = read_positive(source)
    return made if trimline is None else with_trimline(made, trimline)


def tell_looks(status: str, looks: list[str]) -> int:
    """The exit code, and a line on stderr where it is not 0."""
    from rectify.cli.say import message

    code = ending(status, looks)
    if code:
        more = f", and {len(looks) - 1} more" if len(looks) > 1 else ""
        message(f"a person must look before this goes to a machine: {looks[0] if looks else f'it is a {status}'}{more}")
    return code


def ending(status: str, looks: list[str]) -> int:
    """0, or 4 where a person must look first."""
    from rectify.api import EXIT_DONE, EXIT_LOOK

    return EXIT_LOOK if looks or status == "draft" else EXIT_DONE


def whole(value: float) -> str:
    """A number of mm without decimals, and without a minus zero."""
    return f"{round(value):d}"
