"""Region outlines for pictures: rings of stations and degrees, divided by rows of NaN, and their places on the skin."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Points
from rectify.limb.chart import Chart

__all__ = ["on_skin", "rings_of"]

Ring = NDArray[np.float64]
_STEP_MM = 2.5


def rings_of(outline: Ring) -> list[Ring]:
    """The rings of an outline (k, 2); those of fewer than two points are left out.

    Examples
    --------
    >>> gap = [np.nan, np.nan]
    >>> [len(ring) for ring in rings_of(np.array([[0.0, 1.0], [2.0, 3.0], gap, [4.0, 5.0], [6.0, 7.0], [8.0, 9.0]]))]
    [2, 3]
    """
    breaks = np.flatnonzero(np.isnan(outline).any(axis=1))
    rings = (part[~np.isnan(part).any(axis=1)] for part in np.split(outline, breaks))
    return [ring for ring in rings if len(ring) > 1]


def on_skin(chart: Chart, ring: Ring) -> list[Points]:
    """A ring of places (k, 2) as points on the captured surface, a few mm apart: one array (m, 3) for each stretch
    that lies where there is skin."""
    ring = np.stack([ring[:, 0], np.degrees(np.unwrap(np.radians(ring[:, 1])))], axis=1)
    corners = chart.point(ring[:, 0], ring[:, 1])
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(corners, axis=0), axis=1))])
    if way[-1] <= 0:
        return []
    at = np.linspace(0.0, way[-1], max(2, int(np.ceil(way[-1] / _STEP_MM)) + 1))
    place = np.stack([np.interp(at, way, ring[:, i]) for i in (0, 1)], axis=1)
    skin = chart.is_captured(place[:, 0], place[:, 1])
    points = chart.point(place[:, 0], place[:, 1])
    edges = np.flatnonzero(np.diff(skin.astype(np.int8))) + 1
    pieces = np.split(np.arange(len(at)), edges)
    return [points[piece] for piece in pieces if skin[piece[0]] and len(piece) > 1]
