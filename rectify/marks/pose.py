"""Where the limb lies: from the landmarks that are given, or from the marks themselves.

Without landmarks the axis comes from the shape, and the origin's level and anterior are those under which all marks
together fit their names best. Several poses that do nearly as well are kept, so that a name is sure only if it is
so under all of them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rectify.geometry.mesh import Floats, Ints
from rectify.limb.chart import wrap_deg
from rectify.marks.anatomy import Anatomy
from rectify.marks.names import Costs, Pose
from rectify.marks.sites import Site

__all__ = ["free_poses", "held_poses"]

_SCALES = (0.8, 0.92, 1.05, 1.2, 1.37, 1.55)
_KEPT = 8  # poses
_APART_MM, _APART_DEG = 8.0, 10.0  # two poses nearer than this are one
_ROUNDS = 4  # of settling a pose
_LOWEST, _HIGHEST = 60.0, 320.0  # mm from the origin to the distal end


def held_poses(costs: Costs, end: float) -> tuple[tuple[Pose, float], ...]:
    """Poses of several scales about a known origin and a known anterior, with their costs."""
    poses = [Pose(0.0, 0.0, float(scale), end) for scale in np.exp(np.linspace(-0.45, 0.55, 21))]
    return tuple((pose, costs.of_pose(pose)[0]) for pose in poses)


def free_poses(
    sites: Sequence[Site], costs: Costs, top: float, end: float, *, level_known: bool = False
) -> tuple[tuple[Pose, float], ...]:
    """The poses that fit the marks best, best first.

    Parameters
    ----------
    sites : places in a frame along the axis, with any origin and any anterior
    costs : Costs
        Of these places.
    top, end : float, mm
        Levels of the capture's edge and of the distal end in that frame.
    level_known : bool
        The frame's origin is the limb's.
    """
    anatomy = costs.anatomy
    tried: list[tuple[float, Pose]] = []
    for shift, turn, scale in _starts(sites, anatomy):
        shift = 0.0 if level_known else shift
        length = end - shift
        if not (_LOWEST <= length <= _HIGHEST and anatomy.above_mm[0] <= shift - top <= anatomy.above_mm[1]):
            continue
        pose = Pose(shift, turn, scale, length)
        tried.append((costs.of_pose(pose)[0], pose))
    tried.sort(key=lambda item: item[0])
    settled: list[tuple[float, Pose]] = []
    for _, pose in tried[: 4 * _KEPT]:
        settled.append(_settled(sites, costs, pose, end, level_known))
    settled.sort(key=lambda item: item[0])
    kept: list[tuple[Pose, float]] = []
    for cost, pose in settled:
        if all(not _alike(pose, other) for other, _ in kept):
            kept.append((pose, cost))
    return tuple(kept[:_KEPT])


def _starts(sites: Sequence[Site], anatomy: Anatomy) -> Floats:
    """Poses under which one mark lies just where one name expects it: (k, 3) shift, turn, scale."""
    out = []
    for site in sites:
        for expected in anatomy.expected:
            if expected.kinds.get(site.kind, 0.0) < 0.05 or expected.from_end or expected.to_end is not None:
                continue
            for scale in _SCALES:
                out.append((site.level - scale * expected.level, float(wrap_deg(site.angle - expected.angle)), scale))
    # a line down the front says which way is anterior, whatever its level
    along = [s.angle for s in sites if s.kind == "line" and s.lean < 30.0]
    levels = [s.level for s in sites]
    out += [(level - 21.0 * scale, turn, scale) for turn in along for level in levels for scale in _SCALES]
    return np.array(out, dtype=np.float64).reshape(-1, 3)


def _settled(sites: Sequence[Site], costs: Costs, pose: Pose, end: float, level_known: bool) -> tuple[float, Pose]:
    """The pose moved to where the marks it names lie best, and its cost."""
    best, names = costs.of_pose(pose)
    for _ in range(_ROUNDS):
        new = _moved(sites, costs.anatomy, pose, names, end, level_known)
        if new is None:
            break
        cost, names_then = costs.of_pose(new)
        if cost > best - 1e-6:
            break
        best, pose, names = cost, new, names_then
    return best, pose


def _moved(
    sites: Sequence[Site], anatomy: Anatomy, pose: Pose, names: Ints, end: float, level_known: bool
) -> Pose | None:
    """Weighted least squares for shift and scale by the levels, and for turn by the angles, of named marks."""
    rows, wanted, weights, turns, turn_weights = [], [], [], [], []
    for site, k in zip(sites, names, strict=True):
        if k < 0:
            continue
        expected = anatomy.expected[int(k)]
        turns.append(float(wrap_deg(site.angle - expected.angle - pose.turn)))
        turn_weights.append(1.0 / expected.angle_sd**2)
        if expected.from_end or expected.to_end is not None:
            continue
        rows.append((0.0 if level_known else 1.0, expected.level))
        wanted.append(site.level)
        weights.append(1.0 / expected.level_sd)
    if not rows:
        return None
    turn = pose.turn + float(np.average(turns, weights=turn_weights))
    w = np.array(weights)
    # the scale's own spread is one more row: log scale about 0 is scale about 1
    table = np.concatenate([np.array(rows) * w[:, None], [[0.0, 1.0 / anatomy.scale_sd]]])
    goal = np.concatenate([np.array(wanted) * w, [1.0 / anatomy.scale_sd]])
    shift, scale = np.linalg.lstsq(table, goal, rcond=None)[0]
    if not 0.6 <= scale <= 1.9:
        return None
    return Pose(float(shift), float(wrap_deg(turn)), float(scale), end - float(shift))


def _alike(one: Pose, other: Pose) -> bool:
    return abs(one.shift - other.shift) < _APART_MM and abs(float(wrap_deg(one.turn - other.turn))) < _APART_DEG
