"""What the case knows of a limb and its capture, in the words `when` uses.

The case file is read elsewhere; this is the part of it that a rulebook can ask about. None always means
that nobody said so: nothing is assumed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["FACT_WORDS", "Facts", "Layer", "Measure", "TapeValue"]

Measure = Literal["ap", "ml", "circumference"]

FACT_WORDS: dict[str, tuple[str, ...]] = {
    "shaping": ("none", "hand", "pressure", "vacuum", "weight-bearing"),
    "surface": (
        "skin",
        "liner",
        "impression-inside",
        "impression-outside",
        "positive-model",
        "socket-inside",
    ),
    "rectified": ("yes", "no"),
    "tissue": ("soft", "average", "firm"),
    "sensation": ("normal", "reduced", "absent"),
    "circulation": ("normal", "reduced"),
    "skin": ("intact", "fragile", "open"),
    "volume": ("stable", "changing"),
    "suspension": ("pin", "suction", "vacuum", "sleeve", "cuff", "lanyard", "self", "none"),
    "shape": ("conical", "cylindrical", "bulbous"),  # these two are measured on the limb
    "length": ("short", "average", "long"),
}


@dataclass(frozen=True)
class Layer:
    """What lies between the skin and the captured surface, from inside out."""

    kind: str  # liner, plastic-film, sock ...
    thickness_mm: float
    measured: bool = False


@dataclass(frozen=True)
class TapeValue:
    """One hand measurement, calliper or tape, at a level `offset_mm` distal of a landmark along the axis."""

    measure: Measure
    at: str
    offset_mm: float
    value_mm: float
    over: str = "skin"  # skin | liner
    tension: str | None = None


@dataclass(frozen=True)
class Facts:
    """The facts of one case.

    `shape` and `length` are classes of the limb as measured; None where this amputation has no such classes.
    `liner_mm` is the label of the liner worn between skin and socket (0: none); `worn_mm` how far all that is worn
    makes the surface lie outside the skin, a liner's stretch allowed for.
    """

    shaping: str | None = None
    surface: str | None = None
    rectified: bool | None = None
    tissue: str | None = None
    sensation: str | None = None
    circulation: str | None = None
    skin: str | None = None
    volume: str | None = None
    suspension: str | None = None
    shape: str | None = None
    length: str | None = None
    liner_mm: float | None = None
    worn_mm: float | None = None
    layers: tuple[Layer, ...] = ()
    tape: tuple[TapeValue, ...] = ()

    def word(self, fact: str) -> str | None:
        """The case's word for a fact of FACT_WORDS; None where nobody said."""
        value = getattr(self, fact)
        if isinstance(value, bool):
            return "yes" if value else "no"
        return None if value is None else str(value)
