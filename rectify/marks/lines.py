"""Long lines, put together along their course: a dashed line whose dashes are short, or here and there missing.

The course of a long line is a parabola through its ink. What lies on it joins: dashes and lines no farther off than a
gap between dashes, farther where both parts are long, and small spots that lie between two parts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.geometry.mesh import Floats, Points
from rectify.marks.cloud import long_axis
from rectify.marks.pieces import Piece
from rectify.marks.samples import Samples

__all__ = ["GAP_MM", "join_lines"]

GAP_MM = 9.0  # between dashes of one line
FAR_GAP_MM = 18.0  # between long parts of one
LONG_MM = 18.0  # a line from which on its course says what lies on it
PART_MM = 14.0  # a part of a line from which on it counts as long
SLENDER = 4.0  # times longer than wide, by second moments
SPOT_DEPTH = 1.3  # times the line's own: a thicker spot is a mark of its own


@dataclass(frozen=True, eq=False)
class _Course:
    """A parabola through a line's ink (k, 3): centre and direction (3,), coefficients (3, 3) by power, and places (k,)
    of the ink along it, mm."""

    ink: Points
    centre: Points
    axis: Points
    bend: Floats
    at: Floats

    def along(self, points: Points) -> Floats:
        return np.asarray((points - self.centre) @ self.axis)

    def carries(self, points: Points, half: float) -> bool:
        """Whether all the points lie on it."""
        to = self.along(points)
        expected = np.stack([np.ones_like(to), to, to**2], axis=1) @ self.bend + self.centre
        return bool(np.linalg.norm(expected - points, axis=1).max() <= 2.0 * half + 0.5)


def join_lines(
    samples: Samples, thin: list[Piece], members: list[list[int]], spots: list[Piece], half: float
) -> tuple[list[list[int]], list[list[Piece]]]:
    """Join what lies on one line.

    Parameters
    ----------
    samples : Samples
    thin : list of Piece
    members : list of list of indices of `thin`
        What hangs together already.
    spots : list of Piece
        Small ones, which may be dashes.
    half : float, mm
        A stroke's half width.

    Returns
    -------
    members : as given, joined, largest first
    taken : for each of them, the spots that are dashes of it
    """
    order = sorted(members, key=lambda m: -sum(thin[i].area_mm2 for i in m))
    taken: list[list[Piece]] = []
    k = 0
    while k < len(order):
        course = _course(_ink(samples, [thin[i] for i in order[k]]))
        between = _spots_on(samples, course, [thin[i] for i in order[k]], spots, half)
        joined = [
            j
            for j in range(k + 1, len(order))
            if course is not None and _takes(course, _ink(samples, [thin[i] for i in order[j]]), between, half)
        ]
        if joined:
            order[k] = sorted({i for j in (k, *joined) for i in order[j]})
            order = [m for j, m in enumerate(order) if j not in joined]
            continue
        inside = [s for s, (low, high) in between if course and course.at.min() < low and high < course.at.max()]
        taken.append(inside)
        spots = [s for s in spots if not any(s is t for t in inside)]
        k += 1
    return order, taken


def _ink(samples: Samples, pieces: list[Piece]) -> Points:
    return np.asarray(samples.points[np.concatenate([p.samples for p in pieces])])


def _course(ink: Points) -> _Course | None:
    """The course of ink that is long and slender, else None."""
    centre, axis, extent, long = long_axis(ink)
    if extent < LONG_MM or long < SLENDER:
        return None
    at = (ink - centre) @ axis
    powers = np.stack([np.ones_like(at), at, at**2], axis=1)
    bend = np.linalg.lstsq(powers, ink - centre, rcond=None)[0]
    return _Course(ink, centre, axis, np.asarray(bend), np.asarray(at))


def _spots_on(
    samples: Samples, course: _Course | None, pieces: list[Piece], spots: list[Piece], half: float
) -> list[tuple[Piece, tuple[float, float]]]:
    """Spots on a course no thicker than its dashes, and from where to where along it they reach."""
    if course is None:
        return []
    out = []
    deepest = max(p.depth_mm for p in pieces)
    for spot in spots:
        points = samples.points[spot.samples]
        if spot.depth_mm <= SPOT_DEPTH * deepest and course.carries(points, half):
            to = course.along(points)
            out.append((spot, (float(to.min()), float(to.max()))))
    return out


def _one_course(course: _Course, other: Points, half: float) -> bool:
    """Whether a parabola fitted to both parts carries both: a line's own says little of what lies far off."""
    both = _course(np.concatenate([course.ink, other]))
    return both is not None and both.carries(course.ink, half) and both.carries(other, half)


def _takes(course: _Course, other: Points, between: list[tuple[Piece, tuple[float, float]]], half: float) -> bool:
    """Whether a part lies on a line, and the gap to it, less the spots in it, is no wider than between dashes."""
    to = course.along(other)
    long = float(np.ptp(to)) > PART_MM
    if not (course.carries(other, half) or (long and _one_course(course, other, half))):
        return False
    # where the ink ends and begins between the two, spots counted
    edges = [(float(course.at.min()), float(course.at.max())), (float(to.min()), float(to.max()))]
    (_, low), (high, _) = sorted(edges)
    steps = sorted([low, high, *(x for _, (a, b) in between if low < a and b < high for x in (a, b))])
    widest = max((steps[i + 1] - steps[i] for i in range(0, len(steps) - 1, 2)), default=0.0)
    if high <= low:  # beside each other: one fills a gap of the other
        widest = 0.0
    extent = float(np.ptp(course.at))
    return widest < (float(np.clip(extent / 3.0, GAP_MM, FAR_GAP_MM)) if long else GAP_MM)
