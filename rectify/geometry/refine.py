"""Divide long edges where a finer mesh is wanted; the surface itself stays where it is, to the last point.

Every divided edge is divided for both its faces, so a closed surface stays closed. Vertices keep their numbers and
their bits; new ones lie on the middles of edges and come after them.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Faces, Floats, Ints, Mesh, Points

__all__ = ["refine"]

_ALIKE_MM = 1e-9
_ROUNDS = 12  # each halves the longest edge: from 100 mm to 0.03 mm


def refine(mesh: Mesh, near: Callable[[Points, Floats], NDArray[np.bool_]], longest_mm: float) -> Mesh:
    """The same surface with no edge longer than `longest_mm` where `near` says so.

    Parameters
    ----------
    mesh : Mesh
    near : callable
        Given middles (k, 3) mm and lengths (k,) mm of edges: which of them lie where the mesh is to be fine.
    longest_mm : float

    Returns
    -------
    Mesh
        Without colours.
    """
    mesh = Mesh(mesh.vertices, mesh.faces)
    for _ in range(_ROUNDS):
        low, high, keys = _edges(mesh)
        a, b = mesh.vertices[low], mesh.vertices[high]
        length = np.linalg.norm(b - a, axis=1)
        long = np.flatnonzero(length > longest_mm)
        chosen = long[near((a[long] + b[long]) / 2, length[long])]
        if not len(chosen):
            break
        mesh = _divided(mesh, keys[chosen])
    return mesh


def _edges(mesh: Mesh) -> tuple[Ints, Ints, Ints]:
    """Lower vertex, higher vertex and key of every edge once, by rising key."""
    n = np.int64(len(mesh.vertices))
    keys = np.unique(_keys(mesh.faces, n))
    return keys // n, keys % n, keys


def _keys(faces: Faces, n: np.int64) -> Ints:
    ahead = faces[:, [1, 2, 0]]
    return np.asarray(np.minimum(faces, ahead) * n + np.maximum(faces, ahead))


def _divided(mesh: Mesh, chosen: Ints) -> Mesh:
    """Every chosen edge (keys, rising) divided at its middle."""
    v, f = mesh.vertices, mesh.faces
    n = np.int64(len(v))
    keys = _keys(f, n)
    at = np.minimum(np.searchsorted(chosen, keys), len(chosen) - 1)
    cut = chosen[at] == keys
    middle = np.where(cut, n + at, -1)
    points = np.concatenate([v, (v[chosen // n] + v[chosen % n]) / 2])
    count = cut.sum(axis=1)
    parts = [
        f[count == 0],
        _one(*_from(f, middle, count == 1, np.argmax(cut, axis=1))),
        _two(points, *_from(f, middle, count == 2, (np.argmin(cut, axis=1) + 1) % 3)),
        _three(f[count == 3], middle[count == 3]),
    ]
    return Mesh(points, np.concatenate(parts))


def _from(faces: Faces, middle: Ints, which: NDArray[np.bool_], lead: Ints) -> tuple[Faces, Ints]:
    """Chosen faces and their middles, turned so that edge `lead` comes first."""
    turn = (lead[which, None] + np.arange(3)) % 3
    return np.take_along_axis(faces[which], turn, axis=1), np.take_along_axis(middle[which], turn, axis=1)


def _one(f: Faces, m: Ints) -> Faces:
    a, b, c, ab = f[:, 0], f[:, 1], f[:, 2], m[:, 0]
    return np.concatenate([np.stack([a, ab, c], axis=1), np.stack([ab, b, c], axis=1)])


def _two(points: Points, f: Faces, m: Ints) -> Faces:
    """The first two edges are divided: a tip, and a rest divided along its shorter diagonal."""
    a, b, c, ab, bc = f[:, 0], f[:, 1], f[:, 2], m[:, 0], m[:, 1]
    longer = np.linalg.norm(points[a] - points[bc], axis=1) - np.linalg.norm(points[ab] - points[c], axis=1)
    one = (longer < -_ALIKE_MM) | ((longer < _ALIKE_MM) & (a < c))  # a mirrored surface is divided alike
    near = np.stack([a, ab, np.where(one, bc, c)], axis=1)
    far = np.stack([np.where(one, a, ab), bc, c], axis=1)
    return np.concatenate([np.stack([ab, b, bc], axis=1), near, far])


def _three(f: Faces, m: Ints) -> Faces:
    a, b, c, ab, bc, ca = f[:, 0], f[:, 1], f[:, 2], m[:, 0], m[:, 1], m[:, 2]
    rows = ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))
    return np.concatenate([np.stack(row, axis=1) for row in rows])
