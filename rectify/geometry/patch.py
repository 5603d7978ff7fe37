"""Triangles over a flat opening, with rings of new points inside it, and a last point where there is room for one."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from rectify.geometry.mesh import Faces, Ints

__all__ = ["patch", "triangles_between"]

_DIGITS = 6  # of a mm
_CLOSER = 0.7  # of a spacing: how near a ring may lie where there is no room for one at a spacing, nor for a point
_ROOM = 0.6  # of a spacing from a ring to its middle: less is filled without a middle point
_LEAST_DEG = 12.0  # corner of a triangle about a middle point
_LEAST_RING = 5  # points


def patch(flat: NDArray[np.float64], spacing: float, growth: float = 1.0) -> tuple[NDArray[np.float64], Faces]:
    """New points inside a simple polygon, and triangles over all of it.

    Parameters
    ----------
    flat : (k, 2) float64
        The polygon, counter-clockwise.
    spacing : float
        Between the polygon and the first ring of new points, and about between the points of that ring.
    growth : float
        Each ring's spacing over the last one's.

    Returns
    -------
    (q, 2) float64
        The new points.
    (m, 3) int64
        Counter-clockwise; the polygon's points come first, then the new ones. Every point is used.
    """
    # rings are full of points on one circle: rounded, so that last digits of the pose do not choose the diagonals
    flat, spacing = np.round(flat, _DIGITS) + 0.0, round(spacing, _DIGITS)
    own: list[NDArray[np.float64]] = []
    faces: list[Faces] = []
    todo = [(np.arange(len(flat)), flat, spacing)]
    count = len(flat)
    while todo:
        outer_index, outer, step = todo.pop()
        holes = _rings_inside(outer, step, step * growth)
        middle = _middle(outer, step) if not holes else None
        if not holes and middle is None:
            holes = _rings_inside(outer, _CLOSER * step, step)
        if middle is not None:
            own.append(middle[None])
            faces.append(np.stack([outer_index, np.roll(outer_index, -1), np.full(len(outer), count)], axis=1))
            count += 1
            continue
        rings, index = [outer], [outer_index]
        for hole in holes:
            index.append(count + np.arange(len(hole)))
            count += len(hole)
            own.append(hole)
            rings.append(hole)
            todo.append((index[-1], hole, step * growth))
        faces.append(triangles_between(rings, np.concatenate(index)))
    points = np.concatenate(own) if own else np.zeros((0, 2))
    return points, np.concatenate(faces)


def _rings_inside(outer: NDArray[np.float64], step: float, apart: float) -> list[NDArray[np.float64]]:
    """What is left of a polygon a step inside, as rings with points about so far apart."""
    inner = shapely.Polygon(outer).buffer(-step).simplify(step / 4)
    rings = []
    for part in getattr(inner, "geoms", [inner]):
        around = part.exterior.length if not part.is_empty else 0.0
        number = round(around / apart)
        if number < _LEAST_RING:
            continue
        line = part.exterior
        at = np.arange(number) * (around / number)
        ring = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
        ring = ring if shapely.LinearRing(ring).is_ccw else ring[::-1]
        if shapely.Polygon(outer).buffer(-step / 2).contains(shapely.Polygon(ring)):
            rings.append(np.ascontiguousarray(ring))
    return rings


def _middle(outer: NDArray[np.float64], step: float) -> NDArray[np.float64] | None:
    """A point inside a polygon that sees all of it, with room about it, so that a fan round it has no needles."""
    centre = np.asarray(shapely.Polygon(outer).centroid.coords[0])
    a, b = outer - centre, np.roll(outer, -1, axis=0) - centre
    long_a, long_b = np.linalg.norm(a, axis=1), np.linalg.norm(b, axis=1)
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    side = np.linalg.norm(b - a, axis=1)
    if (cross <= 0).any() or (cross / side).min() < _ROOM * step:
        return None
    sines = np.stack([cross / (long_a * long_b), cross / (long_a * side), cross / (long_b * side)])
    return centre if float(sines.min()) > np.sin(np.radians(_LEAST_DEG)) else None


def triangles_between(rings: list[NDArray[np.float64]], index: Ints) -> Faces:
    """Constrained Delaunay triangles of a polygon (first ring) with holes, counter-clockwise; every vertex is used."""
    polygon = shapely.Polygon(rings[0], rings[1:])
    corners = shapely.get_coordinates(shapely.constrained_delaunay_triangles(polygon)).reshape(-1, 4, 2)[:, :3]
    known = {(x, y): i for (x, y), i in zip(np.concatenate(rings).tolist(), index.tolist(), strict=True)}
    faces = np.array([[known[x, y] for x, y in corner] for corner in corners.tolist()], dtype=np.int64)
    u, w = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    turned = u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0] < 0
    faces[turned] = faces[turned][:, ::-1]
    return faces
