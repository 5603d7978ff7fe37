"""Triangles to pixels: for every pixel the face that is seen there, and where on the face it is.

Whole-array: the pixels of all faces' bounding boxes are tried at once. Good for many small faces, which is what a
capture is; a face that covers the whole picture costs as much as the picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Faces, Floats, Ints

__all__ = ["Seen", "rasterise"]

_EDGE = -1e-9  # a pixel's centre on an edge belongs to both faces


@dataclass(frozen=True, eq=False)
class Seen:
    """What h rows by w columns of pixels see.

    Parameters
    ----------
    face : (h, w) int64
        -1 where there is none.
    shares : (h, w, 3)
        Of the face's corners; they add up to 1.
    faces : (m, 3)
    """

    face: Ints
    shares: NDArray[np.float64]
    faces: Faces

    @property
    def there(self) -> NDArray[np.bool_]:
        """(h, w) whether a face is seen."""
        return np.asarray(self.face >= 0)

    def carry(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Values at vertices (n,) or (n, k) carried to pixels: (h, w) or (h, w, k), NaN where no face is seen."""
        out = np.full(self.face.shape + values.shape[1:], np.nan)
        there = self.there
        corners = self.faces[self.face[there]]
        out[there] = np.einsum("pc,pc...->p...", self.shares[there], values[corners])
        return out


def rasterise(places: NDArray[np.float64], faces: Faces, size: tuple[int, int], nearness: Floats | None = None) -> Seen:
    """Find the face at every pixel's centre.

    Parameters
    ----------
    places : (n, 2)
        Of the vertices, in pixels: x to the right, y down, (0, 0) the picture's corner.
    faces : (m, 3)
    size : (width, height)
    nearness : (n,), optional
        The larger, the nearer to the eye; without it the last face wins.
    """
    width, height = size
    corner = places[faces]
    low = np.maximum(np.ceil(corner.min(axis=1) - 0.5).astype(np.int64), 0)
    high = np.minimum(np.floor(corner.max(axis=1) - 0.5).astype(np.int64), np.array([width - 1, height - 1]))
    span = np.maximum(high - low + 1, 0)
    count = span[:, 0] * span[:, 1]
    owner = np.repeat(np.arange(len(faces)), count)
    within = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    x = low[owner, 0] + within % span[owner, 0]
    y = low[owner, 1] + within // span[owner, 0]
    shares = _shares(corner, owner, x + 0.5, y + 0.5)
    inside = (shares >= _EDGE).all(axis=1)
    owner, x, y, shares = owner[inside], x[inside], y[inside], shares[inside]
    if nearness is not None:
        near = np.einsum("pc,pc->p", shares, nearness[faces[owner]])
        order = np.argsort(near, kind="stable")
        owner, x, y, shares = owner[order], x[order], y[order], shares[order]
    face = np.full((height, width), -1, dtype=np.int64)
    out = np.zeros((height, width, 3))
    face[y, x] = owner  # the last one written stays: the nearest
    winner = face[y, x] == owner
    out[y[winner], x[winner]] = shares[winner]
    return Seen(face, out, faces)


def _shares(corner: NDArray[np.float64], owner: Ints, x: Floats, y: Floats) -> NDArray[np.float64]:
    """(p, 3) of each pixel's centre in its face; NaN for a face without extent."""
    a, b, c = corner[:, 0], corner[:, 1], corner[:, 2]
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    inverse = np.divide(1.0, area, out=np.full_like(area, np.nan), where=area != 0)[owner]
    a, b, c = a[owner], b[owner], c[owner]
    one = ((b[:, 0] - x) * (c[:, 1] - y) - (b[:, 1] - y) * (c[:, 0] - x)) * inverse
    two = ((c[:, 0] - x) * (a[:, 1] - y) - (c[:, 1] - y) * (a[:, 0] - x)) * inverse
    return np.stack([one, two, 1.0 - one - two], axis=1)
