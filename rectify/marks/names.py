"""Which landmark each mark stands for, and how sure that is.

Every pairing of a place with a name has a cost: minus the logarithm of how likely a mark of this kind and size lies
there if it is that landmark, against a mark that stands for nothing in the table, anywhere on the limb. All marks are
named together at the least total cost, a name once, and where the limb lies is settled by the same sum (see `pose`).
A name's confidence is its share among the best totals in which the mark has this name, another, or none: it is low
where a second name does nearly as well, and where the place fits no name.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from rectify.geometry.mesh import Floats, Ints
from rectify.marks.anatomy import FREE_KINDS, Anatomy, Expected
from rectify.marks.sites import Site

__all__ = ["Costs", "Pose", "least_total", "shares_of"]

LIMB_AREA_MM2 = 70_000.0  # of a capture: a mark that stands for nothing may lie anywhere on it
FREE_MARKS = 1.5  # such marks on a limb, on average: common practice, no source
SHORT_LINE_MM = 45.0  # a line no longer than this may stand for a point
_FREE_LOG_SIZE = 0.8  # spread of the logarithm of a free mark's size
_LEAN_SD = 18.0  # degrees, of a line that should run along or across
_WORST = 60.0  # a cost no pairing exceeds


@dataclass(frozen=True)
class Pose:
    """Where the limb lies in a frame along its axis.

    Parameters
    ----------
    shift : float, mm
        Level of the origin landmark in that frame.
    turn : float, degrees
        Angle of anterior in it.
    scale : float
        Of levels about the origin.
    end : float, mm
        Level of the distal end below the origin.
    """

    shift: float
    turn: float
    scale: float
    end: float


class Costs:
    """What each pairing of a place with a name costs, under any pose.

    Parameters
    ----------
    sites : m places
    anatomy : Anatomy
        Of n names.
    absent : names that cannot be there
    """

    def __init__(self, sites: Sequence[Site], anatomy: Anatomy, absent: Collection[str] = ()) -> None:
        names = anatomy.expected
        self.anatomy = anatomy
        self._level = np.array([s.level for s in sites])
        self._angle = np.array([s.angle for s in sites])
        self._radius = np.array([max(s.radius, 1.0) for s in sites])
        self._size = np.array([s.size_mm for s in sites])
        self.free = np.array([_free(s) for s in sites])
        drawn = [[10 * _WORST if e.name in absent else _drawn(s, e) for e in names] for s in sites]
        self._drawn = np.array(drawn).reshape(len(sites), len(names))
        self._long = np.array([e.to_end is not None for e in names])

    def named(self, pose: Pose) -> Floats:
        """(m, n) the cost of each pairing; `free` (m,) is that of having no name."""
        place = [self._place(expected, pose) for expected in self.anatomy.expected]
        level, level_sd, angle, angle_sd = np.array(place).reshape(-1, 4).T
        arc = np.radians(angle_sd) * self._radius[:, None]
        off = (self._level[:, None] - pose.shift - level) / level_sd
        turned = (self._angle[:, None] - pose.turn - angle + 180.0) % 360.0 - 180.0
        around = np.radians(turned) * self._radius[:, None] / arc
        cost = self._drawn + 0.5 * (off**2 + around**2) + np.log(2 * np.pi * level_sd * arc)
        for k in np.flatnonzero(self._long):
            cost[:, k] += self._length_cost(self.anatomy.expected[k], pose)
        return np.asarray(np.minimum(cost, _WORST))

    def _place(self, expected: Expected, pose: Pose) -> tuple[float, float, float, float]:
        """Level and its spread, angle and its spread."""
        if expected.from_end:
            return pose.end + expected.level, expected.level_sd, expected.angle, expected.angle_sd
        level = expected.level * pose.scale
        if expected.to_end is not None:
            level = (level + pose.end - expected.to_end) / 2
        return level, expected.level_sd * max(pose.scale, 0.7), expected.angle, expected.angle_sd

    def _length_cost(self, expected: Expected, pose: Pose) -> Floats:
        """Of a line that runs to near the distal end: (m,)."""
        assert expected.to_end is not None and expected.length_mm is not None
        middle = max(pose.end - expected.to_end - expected.level * pose.scale, 20.0)
        return _log_size(self._size, middle, expected.length_mm[1])

    def of_pose(self, pose: Pose) -> tuple[float, Ints]:
        """How badly all marks together fit a pose, and their names under it."""
        total, names = least_total(self.named(pose), self.free)
        return total + self.prior(pose), names

    def prior(self, pose: Pose) -> float:
        """What a pose costs of itself: knees of unusual size."""
        return float(0.5 * (np.log(pose.scale) / self.anatomy.scale_sd) ** 2)


def _log_size(size: Floats, middle: float, spread: float) -> Floats:
    """Minus the logarithm of a log-normal density, per unit of the logarithm."""
    return np.asarray(
        0.5 * (np.log(np.maximum(size, 1.0) / middle) / spread) ** 2 + np.log(np.sqrt(2 * np.pi) * spread)
    )


def _free(site: Site) -> float:
    """The cost of a mark that stands for none of the names: drawn anyhow, anywhere."""
    if site.only is not None:
        return _WORST
    share = FREE_MARKS / LIMB_AREA_MM2 * FREE_KINDS[site.kind]
    if site.kind == "line":
        share *= 1.0 / 90.0 / (np.sqrt(2 * np.pi) * _FREE_LOG_SIZE)  # any lean, any length
    elif site.kind in ("ring", "outline"):
        share *= 1.0 / (np.sqrt(2 * np.pi) * _FREE_LOG_SIZE)
    return float(-np.log(share) - np.log(site.confidence + 8.0 * (1.0 - site.confidence)))


def _drawn(site: Site, expected: Expected) -> float:
    """What does not hang on the pose: whether it is usually marked, drawn like this, of this size, in this run."""
    if site.only is not None:  # named already: only its place counts
        return 0.0 if site.only == expected.name else 10 * _WORST
    share = expected.kinds.get(site.kind, 0.0)
    line = site.kind == "line"
    if share <= 0 or (line and expected.length_mm is None and site.size_mm > SHORT_LINE_MM):
        return 10 * _WORST
    cost = -np.log(expected.marked / (1.0 - expected.marked)) - np.log(share)
    if site.kind in ("ring", "outline"):
        cost += _log_size(np.array(site.size_mm), *(expected.across_mm or (25.0, 0.6)))
    if line and expected.to_end is None:
        cost += _log_size(np.array(site.size_mm), *(expected.length_mm or (16.0, 0.5)))  # a short bar for a dot
    if line and expected.run is None:
        cost += np.log(90.0)
    elif line:
        off = site.lean if expected.run == "along" else 90.0 - site.lean
        # a lean is 0 to 90 degrees: half of a normal distribution
        cost += 0.5 * (off / _LEAN_SD) ** 2 + np.log(np.sqrt(np.pi / 2) * _LEAN_SD)
    return float(cost - np.log(max(site.confidence, 0.02)))


def least_total(named: Floats, free: Floats) -> tuple[float, Ints]:
    """The least total cost, and for each place the index of its name, -1 for none."""
    m, n = named.shape
    if m == 0:
        return 0.0, np.zeros(0, dtype=np.int64)
    alone = np.full((m, m), 10 * _WORST)
    np.fill_diagonal(alone, free)
    table = np.concatenate([named, alone], axis=1)
    rows, columns = linear_sum_assignment(table)
    return float(table[rows, columns].sum()), np.where(columns < n, columns, -1).astype(np.int64)


def shares_of(named: Floats, free: Floats) -> Floats:
    """Least total cost with each pairing forced: (m, n + 1), the last column that of having no name."""
    m, n = named.shape
    out = np.full((m, n + 1), np.inf)
    for i in range(m):
        others = np.arange(m) != i
        for j in range(n + 1):
            own = free[i] if j == n else named[i, j]
            if own >= _WORST:
                continue
            rest = named[others].copy()
            if j < n:
                rest[:, j] = _WORST * 5
            out[i, j] = own + least_total(rest, free[others])[0]
    return out
