"""The faces about a vertex: one fan, or several that only meet in it.

At a sound vertex the faces follow one another across edges. Where two holes touch in a vertex, or a stray piece hangs
on one, they fall into several fans. Only indices are looked at.
"""

from __future__ import annotations

import numpy as np

from rectify.geometry.mesh import Faces, Ints
from rectify.geometry.pieces import pieces

__all__ = ["lesser_fans"]


def lesser_fans(faces: Faces) -> tuple[Ints, Ints]:
    """Vertices with more than one fan, and the faces of all their fans but the largest.

    Parameters
    ----------
    faces : (m, 3) int64
        At most two faces at an edge.

    Returns
    -------
    (k,) int64
        The vertices, ascending; empty where all is well.
    (j,) int64
        The faces, ascending. Of two fans with as many faces the one with the lower face stays.
    """
    m = len(faces)
    fan = _fans(faces)
    # each fan belongs to one vertex; a corner is 3 * face + place
    vertex_of = np.zeros(fan.max(initial=-1) + 1, dtype=np.int64)
    vertex_of[fan] = faces.reshape(-1)
    size = np.bincount(fan, minlength=len(vertex_of))
    first = np.full(len(vertex_of), m)
    np.minimum.at(first, fan, np.repeat(np.arange(m), 3))
    order = np.lexsort((first, -size, vertex_of))
    lead = np.ones(len(order), dtype=bool)
    lead[1:] = vertex_of[order][1:] != vertex_of[order][:-1]
    lesser = np.zeros(len(order), dtype=bool)
    lesser[order[~lead]] = True
    return np.unique(vertex_of[lesser]), np.unique(np.flatnonzero(lesser[fan]) // 3)


def _fans(faces: Faces) -> Ints:
    """For each corner (3 m,) which fan it is in."""
    m = len(faces)
    corner = np.arange(3 * m).reshape(m, 3)
    one = np.concatenate([corner[:, i] for i in range(3)])
    two = np.concatenate([corner[:, (i + 1) % 3] for i in range(3)])
    a, b = faces.reshape(-1)[one], faces.reshape(-1)[two]
    low_corner, high_corner = np.where(a < b, one, two), np.where(a < b, two, one)
    key = np.minimum(a, b) * np.int64(faces.max(initial=0) + 1) + np.maximum(a, b)
    order = np.argsort(key, kind="stable")
    same = np.flatnonzero(key[order][1:] == key[order][:-1])
    here, there = order[same], order[same + 1]
    one = np.concatenate([low_corner[here], high_corner[here]])
    other = np.concatenate([low_corner[there], high_corner[there]])
    return pieces(3 * m, one, other)[1]
