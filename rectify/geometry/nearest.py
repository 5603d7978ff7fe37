"""The nearest point of a surface, exactly, by a tree over its faces (libigl)."""

from __future__ import annotations

import numpy as np

from rectify.geometry.corners import any_corner
from rectify.geometry.mesh import Faces, Floats, Ints, Points

__all__ = ["faces_near", "nearest"]


def nearest(points: Points, vertices: Points, faces: Faces) -> tuple[Floats, Ints, Points]:
    """Distance (k,) mm, face (k,) and place (k, 3) of the point of the surface nearest to each of `points`.

    Empty input gives empty output; a surface without faces is infinitely far.
    """
    k = len(points)
    if k == 0 or len(faces) == 0:
        return np.full(k, np.inf), np.full(k, -1, dtype=np.int64), np.full((k, 3), np.nan)
    import igl

    squared, face, place = igl.point_mesh_squared_distance(
        np.ascontiguousarray(points), np.ascontiguousarray(vertices), np.ascontiguousarray(faces, dtype=np.int64)
    )
    return np.sqrt(squared), np.asarray(face, dtype=np.int64), np.asarray(place)


def faces_near(points: Points, vertices: Points, faces: Faces, reach_mm: float) -> Ints:
    """Indices of the faces that may come within `reach_mm` of the box about `points`."""
    low, high = points.min(axis=0) - reach_mm, points.max(axis=0) + reach_mm
    near = np.ones(len(faces), dtype=bool)
    for i in range(3):
        near &= any_corner(vertices[:, i] >= low[i], faces) & any_corner(vertices[:, i] <= high[i], faces)
    return np.flatnonzero(near)
