"""The course of a line: its ink in order from one end to the other, however it bends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from rectify.geometry.mesh import Floats, Points
from rectify.marks.cloud import closest, components, pairs_within, symmetric

__all__ = ["Course", "course_of"]

STEP_MM = 3.0  # between points of the course
_LINK_MM = 1.3


@dataclass(frozen=True, eq=False)
class Course:
    """The way of a line.

    Parameters
    ----------
    points : (k, 3) mm, from end to end
    length_mm : float
        Along them, the ends' ink included.
    astray : (n,) mm
        Of each bit of ink, its distance from the middle of the ink as far along as it: half a stroke's width and
        half a step at most, where all the ink is one line.
    """

    points: Points
    length_mm: float
    astray: Floats


def course_of(points: Points, areas: Floats) -> Course:
    """Put the ink in order by its distance along itself from the end that lies farthest off.

    Parameters
    ----------
    points : (k, 3) mm
    areas : (k,) mm²
    """
    graph = _graph(points)
    start = int(np.argmax(np.linalg.norm(points - points.mean(axis=0), axis=1)))
    start = int(np.argmax(_gone_from(graph, start)))
    gone = _gone_from(graph, start)
    length = float(gone.max())
    count = max(1, round(length / STEP_MM))
    step = np.minimum((gone / max(length, 1e-9) * count).astype(np.int64), count - 1)
    weight = np.bincount(step, weights=areas, minlength=count)
    sums = np.stack([np.bincount(step, weights=areas * points[:, i], minlength=count) for i in range(3)], axis=1)
    middle = sums[weight > 0] / weight[weight > 0, None]
    if len(middle) < 2:
        return Course(middle, length, np.linalg.norm(points - middle[0], axis=1))
    ends = points[[start, int(np.argmax(gone))]]
    first = middle[0] + _onto(ends[0] - middle[0], middle[0] - middle[1])
    last = middle[-1] + _onto(ends[1] - middle[-1], middle[-1] - middle[-2])
    course = np.concatenate([first[None], middle, last[None]])
    astray = np.linalg.norm(points - (sums / np.maximum(weight, 1e-12)[:, None])[step], axis=1)
    return Course(course, float(np.linalg.norm(np.diff(course, axis=0), axis=1).sum()), astray)


def _onto(way: Points, direction: Points) -> Points:
    """The part of `way` that goes along `direction`."""
    return np.asarray(direction * max(0.0, float(way @ direction)) / max(float(direction @ direction), 1e-12))


def _gone_from(graph: csr_matrix, start: int) -> Floats:
    """(n,) mm along the ink from one of its samples."""
    found: Floats = dijkstra(graph, indices=np.array([start]))
    return np.asarray(found[0], dtype=np.float64)


def _graph(points: Points) -> csr_matrix:
    """Samples joined to those about them, and pieces to each other where they come closest."""
    n = len(points)
    pairs, gaps = pairs_within(points, _LINK_MM)
    label = components(n, pairs)
    joined, rest = label == 0, label != 0
    while rest.any():  # the nearest piece joins next: the shortest way to hang all together
        gap, index = closest(points[rest], points[joined])
        k = int(np.argmin(gap))
        here, there = int(np.flatnonzero(rest)[k]), int(np.flatnonzero(joined)[index[k]])
        pairs, gaps = np.concatenate([pairs, [[here, there]]]), np.append(gaps, gap[k])
        new = label == label[here]
        joined |= new
        rest &= ~new
    return symmetric(pairs, np.maximum(gaps, 1e-6), n)
