"""The angle between neighbouring faces, and how much a move adds to it."""

from __future__ import annotations

import numpy as np

from rectify.geometry.corners import columns
from rectify.geometry.edges import face_pairs
from rectify.geometry.mesh import Floats, Ints, Mesh, Points
from rectify.geometry.normals import dots, face_cross, lengths, unit

__all__ = ["added_dihedral"]

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
    was, now = (unit(face_cross(vertices, before.faces)) for vertices in (before.vertices, after))
    chord_was, chord_now = _chords(was, one, other), _chords(now, one, other)
    change = np.abs(chord_now - chord_was)
    most = (change > 0) & (change * _STEEPEST >= change.max())
    far = np.flatnonzero(most | (np.maximum(chord_was, chord_now) > _BLUNT))
    one, other = one[far], other[far]
    return float(np.degrees(np.abs(_angles(now[one], now[other]) - _angles(was[one], was[other])).max(initial=0.0)))


def _chords(normals: Points, one: Ints, other: Ints) -> Floats:
    total = np.zeros(len(one))
    for part in columns(normals):
        gap = part.take(one)
        gap -= part.take(other)
        gap *= gap
        total += gap
    return np.sqrt(total, out=total)


def _angles(a: Points, b: Points) -> Floats:
    return np.asarray(np.arctan2(lengths(np.cross(a, b)), dots(a, b)))
