"""What a tape and a calliper's jaws read on sections: convex hulls and widths of many sets of points at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Floats, Ints

__all__ = ["hull_extents", "hull_perimeters"]

_SAME_WAY = 1e-10  # radians: a point so nearly in front of another hides it
_SAME_MM = 1e-9  # points nearer to each other than this are one: rounding, at limb size, stays far below


def hull_perimeters(xy: NDArray[np.float64], level_of: Ints, k: int) -> Floats:
    """What a tape reads: the perimeter of the convex hull of each section's points.

    Round a place inside, in the order of their directions, points where the line does not turn left lie in the triangle
    of that place and their neighbours, so they are no corners of the hull; without them others become such, until
    none is left. All sections at once: ten times as quick as a hull for each (measured, at 1,200 points to a section).

    Parameters
    ----------
    xy : (s, 2) float64, mm
    level_of : (s,) int64, ascending or not
    k : int
        Number of levels.

    Returns
    -------
    (k,) float64, mm
        NaN where a level has no points. Points in one line: there and back.
    """
    out = np.full(k, np.nan)
    if not len(xy):
        return out
    count = np.bincount(level_of, minlength=k)
    there = count > 0
    x, y = (
        part - (np.bincount(level_of, weights=part, minlength=k) / np.maximum(count, 1)).take(level_of)
        for part in (np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1]))
    )
    away = np.flatnonzero(np.maximum(np.abs(x), np.abs(y)) > _SAME_MM)  # the place itself lies in no direction
    direction = level_of[away] * 8.0 + np.arctan2(y[away], x[away])  # true to 1e-12 with a thousand levels
    order = away[np.argsort(direction)]
    level, x, y = level_of.take(order), x.take(order), y.take(order)
    while len(x):
        (to_x, from_x), (to_y, from_y) = _around(x, level), _around(y, level)
        keep = ~_behind(x, y, to_x, to_y, from_x, from_y)
        if keep.all():
            keep = from_x * to_y - from_y * to_x > 0
            if keep.all():
                break
        level, x, y = level[keep], x[keep], y[keep]
    if len(x):
        out = np.bincount(level, weights=np.hypot(to_x, to_y), minlength=k)
    flat = there & (np.bincount(level, minlength=k) == 0)
    for i in np.flatnonzero(flat):
        out[i] = 2.0 * np.hypot(*np.ptp(xy[level_of == i], axis=0))  # in one line, or one place
    out[~there] = np.nan
    return out


def _around(x: Floats, level: Ints) -> tuple[Floats, Floats]:
    """The way from each point to the next one of its level, and to it from the one before, round and round."""
    to_next = np.empty_like(x)
    np.subtract(x[1:], x[:-1], out=to_next[:-1])
    first = np.flatnonzero(np.r_[True, level[1:] != level[:-1]])
    last = np.r_[first[1:], len(x)] - 1
    to_next[last] = x[first] - x[last]
    from_last = np.empty_like(x)
    from_last[1:] = to_next[:-1]
    from_last[first] = to_next[last]
    return to_next, from_last


def _behind(x: Floats, y: Floats, to_x: Floats, to_y: Floats, from_x: Floats, from_y: Floats) -> NDArray[np.bool_]:
    """Points that lie where the next one does, or behind a neighbour in the same direction: no corners either, and in
    their way where a line is to be told from one that turns back."""
    same = (np.abs(to_x) <= _SAME_MM) & (np.abs(to_y) <= _SAME_MM)
    for way_x, way_y in ((to_x, to_y), (-from_x, -from_y)):  # to the neighbour
        farther = x * way_x + y * way_y
        same |= (np.abs(x * way_y - y * way_x) <= _SAME_WAY * farther) & (farther > 0)
    return same


def hull_extents(xy: NDArray[np.float64], level_of: Ints, k: int) -> NDArray[np.float64]:
    """Widths of each section along x and y: (k, 2) mm, NaN where a level has no points."""
    out = np.full((k, 2), np.nan)
    if len(xy):
        order = np.argsort(level_of.astype(np.int16) if k < 2**15 else level_of, kind="stable")
        there, first = np.unique(level_of.take(order), return_index=True)
        for i in (0, 1):
            part = xy[:, i].take(order)
            out[there, i] = np.maximum.reduceat(part, first) - np.minimum.reduceat(part, first)
    return out
