"""How the shape follows the hand: for one region, where each vertex of the view goes for each mm of its amount.

Between the engine's results the page moves vertices along these lines; the engine's own, guarded result takes their
place when the hand lets go. The lines are exact while the region's weight stays as it is and the guard has nothing to
hold back: the move of a region is its share, times its amount, along the normal.
"""

from __future__ import annotations

import struct

import numpy as np

from rectify.engine import Outcome
from rectify.geometry.mesh import Ints

__all__ = ["hand_of"]


def hand_of(outcome: Outcome, name: str, kept: Ints) -> bytes:
    """The lines of one region.

    Parameters
    ----------
    outcome : Outcome
    name : str
        Of a region of its plan.
    kept : (v,) int64
        The vertices of the view.

    Returns
    -------
    bytes, little-endian
        k as uint32; k indices into the view as uint32; k times 3 mm per mm as float32; k times the change of the
        move shown, mm per mm, as float32.

    Raises
    ------
    KeyError
        No such region.
    """
    index = {region.name: i for i, region in enumerate(outcome.plan.regions)}[name]
    region = outcome.plan.regions[index]
    asked = outcome.asked
    sign = 1.0 if region.action == "build-up" else -1.0
    share = asked.share[index][kept]
    at = np.flatnonzero(share > 0)
    normals = asked.places.normals if region.measured_from == "capture" else asked.normals
    lines = sign * share[at, None] * normals[kept[at]]
    moves = np.einsum("ij,ij->i", lines, asked.places.normals[kept[at]])
    parts = (at.astype("<u4"), lines.astype("<f4"), moves.astype("<f4"))
    return struct.pack("<I", len(at)) + b"".join(np.ascontiguousarray(part).tobytes() for part in parts)
