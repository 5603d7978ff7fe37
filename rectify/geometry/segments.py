"""The nearest of many straight segments in a plane, exactly, by a tree over them (libigl)."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from rectify.geometry.mesh import Floats, Ints

__all__ = ["border_distance", "nearest_segment"]

Plane = NDArray[np.float64]  # (n, 2)


def nearest_segment(points: Plane, corners: Plane, pairs: Ints) -> tuple[Floats, Ints]:
    """How far points (n, 2) are from the nearest of some segments, and which one that is: (n,) and (n,).

    Parameters
    ----------
    corners : (k, 2)
    pairs : (s, 2)
        Two corners of each segment; infinitely far where there is none.
    """
    if not len(points) or not len(pairs):
        return np.full(len(points), np.inf), np.full(len(points), -1, dtype=np.int64)
    import igl

    squared, segment, _ = igl.point_mesh_squared_distance(
        np.ascontiguousarray(points, dtype=np.float64),
        np.ascontiguousarray(corners, dtype=np.float64),
        np.ascontiguousarray(pairs, dtype=np.int64),
    )
    return np.sqrt(np.ravel(squared)), np.ravel(segment).astype(np.int64)


def border_distance(shape: BaseGeometry, points: Plane) -> Floats:
    """How far points (n, 2) are from the border of an area, holes and all its parts counted: (n,)."""
    corners, ring = shapely.get_coordinates(shapely.get_rings(shapely.get_parts(shape)), return_index=True)
    goes_on = np.flatnonzero(ring[1:] == ring[:-1])  # a ring ends where it began, and none runs on into the next
    return nearest_segment(points, corners, np.stack([goes_on, goes_on + 1], axis=1))[0]
