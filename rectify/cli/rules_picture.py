"""`rectify rules show --picture`: the limb laid flat with every region of a rulebook, as a PNG."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rectify.errors import OutputError

if TYPE_CHECKING:
    from rectify.limb.limb import Limb
    from rectify.rulebook.load import Rulebook
    from rectify.rulebook.plan import Plan

__all__ = ["check_picture", "draw", "draw_reference"]


def check_picture(path: Path | None) -> None:
    """Before any work: whether a picture can be written there.

    Raises
    ------
    OutputError
        It has another ending, is there already, or its folder is not.
    """
    if path is None:
        return
    if path.suffix.lower() != ".png":
        raise OutputError("cannot be drawn", path=path, wanted="a file that ends in .png")
    if path.exists():
        raise OutputError("is there already", path=path, hint="name another file, or take that one away")
    if not path.absolute().parent.is_dir():
        raise OutputError("has no folder", path=path, wanted="a folder that is there")


def draw_reference(book: Rulebook, path: Path) -> str:
    """Draw a rulebook on a generated limb of average build; returns which limb that is, in words."""
    from rectify.cli.rules_diff import limb_to_compare_on
    from rectify.rulebook.compare import planned

    limb, facts, words = limb_to_compare_on(None, [book])
    plan = planned(book, limb, facts, [])
    draw(limb, plan, path, f"{book.key}, revision {book.revision}, on {words}")
    return words


def draw(limb: Limb, plan: Plan, path: Path, title: str) -> None:
    """Rectify the limb and write its map.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    from rectify.engine import rectify_limb
    from rectify.report.unrolled import map_picture

    picture = map_picture(rectify_limb(limb, plan), title)
    try:
        with path.open("xb") as file:
            file.write(picture)
    except OSError as error:
        raise OutputError("cannot be written", path=path, found=error.strerror or str(error)) from error
