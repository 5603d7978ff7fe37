"""Closed curves put together from the lines they broke into.

Lines whose ends meet end to end in a round, each gap no wider than a hand's width of missing pencil, are one outline
if their ink then encloses bare surface.
"""

from __future__ import annotations

import numpy as np

from rectify.geometry.mesh import Ints, Points
from rectify.marks.course import course_of
from rectify.marks.kinds import outline_score
from rectify.marks.samples import Samples

__all__ = ["close_loops"]

GAP_MM = 13.0
LEAST_MM = 9.0  # a shorter line has no ends to speak of
_LEAST_SCORE = 0.5
_MOST = 5  # lines of one outline


def close_loops(samples: Samples, lines: list[Ints], half: float) -> list[Ints]:
    """The lines, those that make an outline joined.

    Parameters
    ----------
    samples : Samples
    lines : list of (k,) indices
    half : float, mm
        A stroke's half width.
    """
    ends: list[Points | None] = []
    for ink in lines:
        course = course_of(samples.points[ink], samples.areas[ink])
        ends.append(course.points[[0, -1]] if course.length_mm >= LEAST_MM and len(course.points) > 1 else None)
    left = list(range(len(lines)))
    out: list[Ints] = []
    for start in range(len(lines)):
        round_ = _round(start, ends, left) if start in left else None
        if round_ is None:
            continue
        ink = np.concatenate([lines[i] for i in round_])
        if outline_score(samples, ink, half) >= _LEAST_SCORE:
            out.append(ink)
            left = [i for i in left if i not in round_]
    return out + [lines[i] for i in left]


def _round(start: int, ends: list[Points | None], left: list[int]) -> list[int] | None:
    """The shortest way from one end of a line through others back to its other end."""
    first = ends[start]
    if first is None:
        return None
    ways = [([start], first[1])]
    while ways:
        path, at = ways.pop(0)
        if len(path) > 1 and np.linalg.norm(at - first[0]) <= GAP_MM:
            return path
        if len(path) == _MOST:
            continue
        for i in left:
            there = ends[i]
            if i in path or there is None:
                continue
            for near, far in ((there[0], there[1]), (there[1], there[0])):
                if np.linalg.norm(at - near) <= GAP_MM:
                    ways.append(([*path, i], far))
    return None
