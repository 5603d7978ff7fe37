"""The angle between neighbouring faces, and how much a move adds to it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.edges import face_pairs
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import dots, face_cross, lengths

__all__ = ["added_dihedral"]

_PART = 2**16  # pairs at a time
_BLUNT = 1.5  # a chord between unit normals: up to here (97 degrees) the angle grows 1 to _STEEPEST times as fast
_STEEPEST = 1.52  # 1 / sqrt(1 - (_BLUNT / 2)^2), rounded up


def added_dihedral(before: Mesh, after: Points) -> float:
    """Largest change of the angle between neighbouring faces when the vertices go to `after`, degrees.

    The chord between two unit normals is read off everywhere, and the angle itself only where that has changed nearly
    as much as anywhere: a change of angle is 1 to 1.52 times that of its chord, up to 97 degrees.
    """
    one, other = face_pairs(before)
    if not len(one):
        return 0.0
    change = _chords(before, before.vertices, one, other)
    blunt = change > _BLUNT
    now = _chords(before, after, one, other)
    blunt |= now > _BLUNT
    np.abs(np.subtract(now, change, out=change), out=change)
    far = np.flatnonzero(((change > 0) & (change * _STEEPEST >= change.max())) | blunt)
    one, other = one[far], other[far]
    was, now = (_angles(before, vertices, one, other) for vertices in (before.vertices, after))
    return float(np.degrees(np.abs(now - was).max(initial=0.0)))


def _chords(mesh: Mesh, vertices: Points, one: NDArray[np.int32], other: NDArray[np.int32]) -> Floats:
    """How far apart the unit normals of each two faces are, (k,)."""
    normals = face_cross(vertices, mesh.faces).T
    long = lengths(normals.T)
    normals /= np.where(long > 0, long, 1.0)
    out = np.empty(len(one))
    for start in range(0, len(one), _PART):
        at = slice(start, start + _PART)
        total = np.zeros(len(one[at]))
        for part in normals:
            gap = part.take(one[at]) - part.take(other[at])
            total += gap * gap
        np.sqrt(total, out=out[at])
    return out


def _angles(mesh: Mesh, vertices: Points, one: NDArray[np.int32], other: NDArray[np.int32]) -> Floats:
    a, b = (face_cross(vertices, mesh.faces[which]) for which in (one, other))
    return np.asarray(np.arctan2(lengths(np.cross(a, b)), dots(a, b)))
