"""Cut a surface along the zero line of a field, and keep the side where the field is positive."""

from __future__ import annotations

import numpy as np

from rectify.geometry.corners import any_corner
from rectify.geometry.mesh import Floats, Ints, Mesh

__all__ = ["clip", "without_unused"]

_ON = 0.08  # a vertex nearer to the line than this share of an edge counts as on it, so that no sliver is left


def clip(mesh: Mesh, field: Floats) -> tuple[Mesh, Ints]:
    """The part of a surface where a field is positive, its crossed faces divided along straight lines.

    Parameters
    ----------
    mesh : Mesh
    field : (n,) float64
        A value per vertex, read as linear along edges. Vertices that are kept keep their bits.

    Returns
    -------
    Mesh
        Kept vertices first, in their order, then the new ones along the line.
    (k,) int64
        For each vertex of the result, the vertex it was; -1 for a new one.
    """
    f = mesh.faces
    side = np.sign(_snapped(mesh, field)).astype(np.int64)
    inside, outside = any_corner(side > 0, f), any_corner(side < 0, f)
    whole = f[inside & ~outside]
    crossed = f[inside & outside]
    # turn each crossed face so that it begins with its lonely corner
    lonely_in = (side[crossed] > 0).sum(axis=1) == 1
    lead = np.where(lonely_in, np.argmax(side[crossed] > 0, axis=1), np.argmax(side[crossed] < 0, axis=1))
    row = np.arange(len(crossed))
    a, b, c = (crossed[row, (lead + i) % 3] for i in range(3))
    cutter = _Cutter(mesh, field, side)
    ab, ac = cutter.between(a, b), cutter.between(a, c)
    tip = np.stack([a, ab, ac], axis=1)[lonely_in]
    # the diagonal begins at the lower of the two corners, so that a mirrored surface is divided alike
    near, far, near_cut, far_cut = b[~lonely_in], c[~lonely_in], ab[~lonely_in], ac[~lonely_in]
    by_far = (far < near)[:, None]
    one = np.where(by_far, np.stack([near_cut, near, far], axis=1), np.stack([near_cut, near, far_cut], axis=1))
    two = np.where(by_far, np.stack([near_cut, far, far_cut], axis=1), np.stack([near, far, far_cut], axis=1))
    rest = np.concatenate([one, two])
    faces = np.concatenate([whole, tip, rest])
    proper = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    colours = None if mesh.colours is None else cutter.colours()
    return without_unused(Mesh(cutter.points(), faces[proper], colours), len(mesh.vertices))


def without_unused(mesh: Mesh, old: int | None = None) -> tuple[Mesh, Ints]:
    """A mesh without vertices that no face uses, and which vertex each was (-1 from index `old` on)."""
    used = np.zeros(len(mesh.vertices), dtype=bool)
    used[mesh.faces] = True
    kept = np.flatnonzero(used)
    index = np.cumsum(used) - 1
    colours = None if mesh.colours is None else mesh.colours[kept]
    was = kept if old is None else np.where(kept < old, kept, -1)
    return Mesh(mesh.vertices[kept], index[mesh.faces], colours), was


def _snapped(mesh: Mesh, field: Floats) -> Floats:
    """The field with vertices close to the line put on it."""
    edges = np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]])
    a, b = field[edges[:, 0]], field[edges[:, 1]]
    crossing = a * b < 0
    share = np.abs(a[crossing]) / np.abs(a[crossing] - b[crossing])
    out = field.copy()
    out[edges[crossing][share < _ON, 0]] = 0.0
    out[edges[crossing][share > 1 - _ON, 1]] = 0.0
    return out


class _Cutter:
    """Makes one new vertex for each edge that the line crosses; on the line, the vertex itself."""

    def __init__(self, mesh: Mesh, field: Floats, side: Ints) -> None:
        self._mesh, self._field, self._side = mesh, field, side
        self._keys = np.zeros(0, dtype=np.int64)
        n = len(mesh.vertices)
        edges = np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]])
        cut = edges[side[edges[:, 0]] * side[edges[:, 1]] < 0]
        self._keys = np.unique(np.minimum(cut[:, 0], cut[:, 1]) * n + np.maximum(cut[:, 0], cut[:, 1]))
        self._low, self._high = self._keys // n, self._keys % n
        gap = field[self._low] - field[self._high]
        self._share = field[self._low] / np.where(gap != 0, gap, 1.0)

    def between(self, a: Ints, b: Ints) -> Ints:
        """The vertex where the line crosses from a to b; b itself where it lies on the line."""
        n = len(self._mesh.vertices)
        at = np.searchsorted(self._keys, np.minimum(a, b) * n + np.maximum(a, b))
        return np.where(self._side[b] == 0, b, n + np.minimum(at, len(self._keys) - 1))

    def points(self) -> Floats:
        v = self._mesh.vertices
        return np.concatenate([v, v[self._low] + self._share[:, None] * (v[self._high] - v[self._low])])

    def colours(self) -> np.ndarray:
        c = self._mesh.colours
        assert c is not None
        near = np.where(self._share < 0.5, self._low, self._high)
        return np.concatenate([c, c[near]])
