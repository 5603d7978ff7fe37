"""What colour the pencil was: plain words, or `#rrggbb`.

A word stands for a typical pencil of that colour on white plaster. It need not be exact: the finder takes any hue
near it and then learns the pencil's own colour from the strongest marks.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from rectify.errors import CaseError

__all__ = ["COLOURS", "PencilColour", "pencil_colour"]

# sRGB, 0 to 255, of a firm stroke on plaster in even light: common practice, no source
COLOURS: Mapping[str, tuple[int, int, int]] = MappingProxyType(
    {
        "blue-violet": (88, 76, 168),  # the indelible pencil, moistened
        "blue": (55, 95, 185),
        "violet": (130, 62, 150),
        "pink": (222, 105, 160),
        "red": (190, 55, 55),
        "green": (50, 130, 80),
        "brown": (120, 75, 50),
        "black": (45, 45, 48),
    }
)
_HEX = re.compile(r"#[0-9a-fA-F]{6}")


@dataclass(frozen=True)
class PencilColour:
    """A pencil's colour: the word or `#rrggbb` it was given by, and sRGB 0 to 255."""

    says: str
    rgb: tuple[int, int, int]


def pencil_colour(says: str) -> PencilColour:
    """Read a colour.

    Raises
    ------
    CaseError
        If it is neither one of COLOURS nor `#rrggbb`.

    Examples
    --------
    >>> pencil_colour("green").rgb
    (50, 130, 80)
    >>> pencil_colour("#5040A0").rgb
    (80, 64, 160)
    """
    word = str(says).strip().lower()
    if word in COLOURS:
        return PencilColour(word, COLOURS[word])
    if _HEX.fullmatch(word):
        return PencilColour(word, (int(word[1:3], 16), int(word[3:5], 16), int(word[5:7], 16)))
    near = difflib.get_close_matches(word, COLOURS, 1, 0.6)
    raise CaseError(
        f"no such pencil colour: {str(says)[:40]}",
        key="scan.marks.colour",
        wanted=" | ".join(COLOURS) + " | '#rrggbb'",
        hint=f"did you mean {near[0]}?" if near else "for any other colour write '#rrggbb', in quotes",
    )
