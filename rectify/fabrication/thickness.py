"""The wall of a finished shell, measured both ways: from inside to outside and from outside to inside.

At every vertex and every middle of a face of the one side, from outside at the middles of edges too (where a chord
comes nearest), the distance to the nearest point of the other side, whatever its faces. The rounded edge belongs to
neither side: there the wall runs out by its own radius.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.errors import RectifyError
from rectify.fabrication.shell import Shell
from rectify.fabrication.stand_off import Places, edges_between, middles
from rectify.geometry.mesh import Faces, Floats, Points
from rectify.geometry.nearest import Tree

__all__ = ["TOLERANCE_MM", "Thickness", "check_thickness", "thickness"]

TOLERANCE_MM = 0.1  # the wall is never thinner than asked by more


@dataclass(frozen=True)
class Thickness:
    """A wall measured one way.

    Parameters
    ----------
    points : how many places
    minimum_mm, mean_mm, maximum_mm
    lack_mm : the most by which it is thinner than asked at that place; 0 where it is nowhere thinner
    lack_xyz : where that is, limb frame, mm
    """

    points: int
    minimum_mm: float
    mean_mm: float
    maximum_mm: float
    lack_mm: float
    lack_xyz: tuple[float, float, float]


def thickness(shell: Shell) -> tuple[Thickness, Thickness]:
    """From inside to outside, and from outside to inside."""
    inner, faces = shell.within.mesh.vertices, shell.within.mesh.faces
    inside = _one_way(inner, shell.outer, faces, shell.wanted, middles(faces))
    return inside, _one_way(shell.outer, inner, faces, shell.wanted, middles(faces).and_(edges_between(faces)))


def check_thickness(both: tuple[Thickness, Thickness]) -> None:
    """Refuse a wall that is thinner than asked.

    Raises
    ------
    RectifyError
        By more than 0.1 mm.
    """
    worst = max(both, key=lambda way: way.lack_mm)
    if worst.lack_mm > TOLERANCE_MM:
        raise RectifyError(
            "the wall came out thinner than asked",
            wanted=f"no more than {TOLERANCE_MM:g} mm thinner",
            found=f"{worst.lack_mm:.2f} mm thinner at level {-worst.lack_xyz[2]:.0f} mm",
            hint="a finer mesh of the model helps",
        )


def _one_way(here: Points, there: Points, faces: Faces, wanted: Floats, more: Places) -> Thickness:
    places, asked = more.of(here), more.of(wanted)
    far, _, _ = Tree(there, faces).nearest(places)
    lack = asked - far
    worst = int(np.argmax(lack))
    x, y, z = places[worst].tolist()
    return Thickness(
        len(places), float(far.min()), float(far.mean()), float(far.max()), max(float(lack[worst]), 0.0), (x, y, z)
    )
