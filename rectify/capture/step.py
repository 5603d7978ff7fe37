"""One thing that was done to a capture, told so that a person can look there."""

from __future__ import annotations

from dataclasses import dataclass

from rectify.geometry.mesh import Floats

__all__ = ["Step", "place_of", "place_text"]


@dataclass(frozen=True)
class Step:
    """What was done, how much, and where.

    Parameters
    ----------
    code : str
        Stable: islands-dropped, hole-filled, top-trimmed ...
    message : str
        One sentence with its numbers.
    look : bool
        A person should look at it before the result goes to a machine.
    count : int
    area_mm2 : float
    place : (x, y, z) in the scan's own axes, mm; None where it is all over
    """

    code: str
    message: str
    look: bool = False
    count: int = 0
    area_mm2: float = 0.0
    place: tuple[float, float, float] | None = None


def place_text(point: Floats) -> str:
    """A place in the scan's axes, for a sentence."""
    return "(" + ", ".join(f"{x:.0f}" for x in point) + ")"


def place_of(point: Floats) -> tuple[float, float, float]:
    """A place as a step holds it."""
    return float(point[0]), float(point[1]), float(point[2])
