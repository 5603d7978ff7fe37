"""The angle between neighbouring faces, and how much a move adds to it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.corners import columns
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
    was, now = (_normals(vertices, before) for vertices in (before.vertices, after))
    change, blunt = np.empty(len(one)), np.empty(len(one), dtype=np.bool_)
    for start in range(0, len(one), _PART):
        at = slice(start, start + _PART)
        chord_was, chord_now = _chords(was, one[at], other[at]), _chords(now, one[at], other[at])
        np.abs(chord_now - chord_was, out=change[at])
        np.greater(np.maximum(chord_was, chord_now), _BLUNT, out=blunt[at])
    far = np.flatnonzero(((change > 0) & (change * _STEEPEST >= change.max())) | blunt)
    one, other = one[far], other[far]
    return float(np.degrees(np.abs(_angles(now[one], now[other]) - _angles(was[one], was[other])).max(initial=0.0)))


def _normals(vertices: Points, mesh: Mesh) -> Points:
    """(m, 3) unit; what is in memory once need not be twice."""
    out = face_cross(vertices, mesh.faces)
    long = lengths(out)
    out.T[:] /= np.where(long > 0, long, 1.0)
    return out


def _chords(normals: Points, one: NDArray[np.int32], other: NDArray[np.int32]) -> Floats:
    total = np.zeros(len(one))
    for part in columns(normals):
        gap = part.take(one)
        gap -= part.take(other)
        gap *= gap
        total += gap
    return np.sqrt(total, out=total)


def _angles(a: Points, b: Points) -> Floats:
    return np.asarray(np.arctan2(lengths(np.cross(a, b)), dots(a, b)))
