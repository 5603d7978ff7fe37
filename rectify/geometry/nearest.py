"""The nearest point of a surface, exactly, by a tree over its faces (libigl).

A tree over every face of a scan takes as long as a hundred thousand questions. Where few points ask, the faces that
could answer are told beforehand: a place of the surface at some distance bounds the distance of the nearest, and only
faces that come so near to a point go into the tree.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.corners import any_corner, columns, edge_squares
from rectify.geometry.mesh import Faces, Floats, Ints, Points

__all__ = ["Surface", "Tree", "faces_near", "nearest"]

_FEW = 0.02  # points to a face: with more, the whole tree is built
_PROBES = 2048  # vertices that are tried first
_VOXELS = 64  # along the longest side of the box about the points
_SLACK = 1e-9  # of a bound, so that rounding leaves out no face


def nearest(points: Points, vertices: Points, faces: Faces) -> tuple[Floats, Ints, Points]:
    """Distance (k,) mm, face (k,) and place (k, 3) of the point of the surface nearest to each of `points`.

    Empty input gives empty output; a surface without faces is infinitely far.
    """
    return Surface(vertices, faces).nearest(points)


class Surface:
    """A surface that is asked for its nearest points, perhaps several times.

    Parameters
    ----------
    vertices : (n, 3) mm
    faces : (m, 3) int64
    """

    def __init__(self, vertices: Points, faces: Faces) -> None:
        self._vertices, self._faces = vertices, faces

    @cached_property
    def _longest(self) -> float:
        return float(np.sqrt(max(side.max(initial=0.0) for side in edge_squares(self._vertices, self._faces))))

    def nearest(self, points: Points, within: Floats | None = None) -> tuple[Floats, Ints, Points]:
        """As `nearest`; `within` (k,) mm: no farther is the surface known to be from each point."""
        k, m = len(points), len(self._faces)
        if k == 0 or m == 0:
            return np.full(k, np.inf), np.full(k, -1, dtype=np.int64), np.full((k, 3), np.nan)
        if k > _FEW * m or not np.isfinite(points).all():
            return _by_tree(points, self._vertices, self._faces)
        near = self._could_be_nearest(points, self._bounds(points) if within is None else within)
        distance, face, place = _by_tree(points, *_alone(self._vertices, self._faces[near]))
        return distance, near[face], place

    def _bounds(self, points: Points) -> Floats:
        """How far each point is from the nearest of some vertices: (k,) mm. With few points, of more vertices."""
        step = max(1, len(self._faces) * min(len(points), 8) // (8 * _PROBES))
        tried = columns(self._vertices[self._faces[::step, 0]])
        out = np.empty(len(points))
        for i, point in enumerate(points):
            out[i] = sum((part - at) ** 2 for part, at in zip(tried, point, strict=True)).min()
        return np.sqrt(out)

    def _could_be_nearest(self, points: Points, within: Floats) -> Ints:
        """Faces with a corner in the box of what is as near to one of the points as a face that counts must be.

        A face that comes within a distance has a corner within that and its longest edge.
        """
        reach = (within * (1.0 + _SLACK) + self._longest)[:, None]
        low, high = points - reach, points + reach
        base, size = low.min(axis=0), float((high.max(axis=0) - low.min(axis=0)).max()) / _VOXELS
        count = ((high.max(axis=0) - base) / size).astype(np.int64) + 1
        marked = np.zeros(count, dtype=np.bool_)
        first, last = ((edge - base) / size for edge in (low, high))
        for (a, b, c), (d, e, f) in zip(first.astype(np.int64).tolist(), last.astype(np.int64).tolist(), strict=True):
            marked[a : d + 1, b : e + 1, c : f + 1] = True
        return np.flatnonzero(any_corner(self._in_marked(marked, base, size), self._faces))

    def _in_marked(self, marked: NDArray[np.bool_], base: Floats, size: float) -> NDArray[np.bool_]:
        """(n,) which vertices lie in marked voxels."""
        inside = np.ones(len(self._vertices), dtype=np.bool_)
        places = [(part - start) / size for part, start in zip(columns(self._vertices), base, strict=True)]
        for place, many in zip(places, marked.shape, strict=True):
            inside &= (place >= 0) & (place < many)
        there = np.flatnonzero(inside)
        x, y, z = (place[there].astype(np.int64) for place in places)
        inside[there] = marked[x, y, z]
        return inside


def _by_tree(points: Points, vertices: Points, faces: Faces) -> tuple[Floats, Ints, Points]:
    import igl

    squared, face, place = igl.point_mesh_squared_distance(
        np.ascontiguousarray(points), np.ascontiguousarray(vertices), np.ascontiguousarray(faces, dtype=np.int64)
    )
    return np.sqrt(squared), np.asarray(face, dtype=np.int64), np.asarray(place)


def _alone(vertices: Points, faces: Faces) -> tuple[Points, Faces]:
    """Some faces with their own vertices only."""
    used = np.zeros(len(vertices), dtype=np.bool_)
    used[faces.ravel()] = True
    return vertices[used], (np.cumsum(used) - 1)[faces]


def faces_near(points: Points, vertices: Points, faces: Faces, reach_mm: float) -> Ints:
    """Indices of the faces that may come within `reach_mm` of the box about `points`."""
    low, high = points.min(axis=0) - reach_mm, points.max(axis=0) + reach_mm
    near = np.ones(len(faces), dtype=bool)
    for i in range(3):
        near &= any_corner(vertices[:, i] >= low[i], faces) & any_corner(vertices[:, i] <= high[i], faces)
    return np.flatnonzero(near)


class Tree:
    """A surface that many points ask, several times over: the tree over all its faces is built once and kept.

    Parameters
    ----------
    vertices : (n, 3) mm
    faces : (m, 3) int64, m > 0
    """

    def __init__(self, vertices: Points, faces: Faces) -> None:
        import igl

        self._v = np.ascontiguousarray(vertices)
        self._f = np.ascontiguousarray(faces, dtype=np.int64)
        self._tree = igl.AABB()
        self._tree.init(self._v, self._f)

    def nearest(self, points: Points) -> tuple[Floats, Ints, Points]:
        """Distance (k,) mm, face (k,) and place (k, 3) on the surface; see `nearest`."""
        if not len(points):
            return np.zeros(0), np.zeros(0, dtype=np.int64), np.zeros((0, 3))
        squared, face, place = self._tree.squared_distance(self._v, self._f, np.ascontiguousarray(points))
        return np.sqrt(np.ravel(squared)), np.ravel(face).astype(np.int64), np.asarray(place).reshape(-1, 3)
