"""The overall reduction of the wall, level by level, and what is done to the end.

Points of the wall move inward along the smoothed normal laid into the plane of their section, so a level
keeps its level and what a tape reads there can be solved for: the section's own points are moved until the
hull's perimeter (or the section's area) is as much smaller as was asked, spared parts included in the count.
Without sparing the answer is p C / 2 pi. An open section takes the move of the highest closed one. On the
end cap the direction turns into the full normal.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rectify.engine.blend import quintic
from rectify.engine.layout import layout_at
from rectify.geometry.curves import monotone, smooth
from rectify.geometry.hulls import hull_perimeters
from rectify.geometry.mesh import Floats, Ints, Points
from rectify.geometry.normals import unit
from rectify.geometry.sections import Cuts, cut
from rectify.limb.chart import Chart, wrap_deg
from rectify.limb.limb import Limb
from rectify.rulebook.plan import End, Overall, Spare, Warn

__all__ = ["OverallMove", "end_move", "overall_move", "percent_at", "secant"]

_STEP_MM = 2.0  # between levels at which the move is solved
_MOST_FACTOR = 2.0  # what sparing may ask of the rest
_SOLVER_STEPS = 8
_NOTHING = 1e-9  # less than this share of a circumference moves nothing
_TURN_FROM, _TURN_TO = (
    np.sin(np.radians(50.0)),
    np.sin(np.radians(75.0)),
)  # tilt of the cap over which in-plane becomes normal


@dataclass(frozen=True, eq=False)
class OverallMove:
    """The move of every vertex, and how it came about.

    Parameters
    ----------
    move : (n, 3) mm
        Of the vertices.
    cells : (k, c, 3) mm
        Of the chart's cells.
    levels, inward_mm : (k,)
        The inward move, unspared, at each solved level.
    asked, solved : (k,)
        The fraction by which the section there is to be smaller; whether it was solved for.
    warnings : tuple of Warn
    """

    move: Points
    cells: NDArray[np.float64]
    levels: Floats
    inward_mm: Floats
    asked: Floats
    solved: NDArray[np.bool_]
    warnings: tuple[Warn, ...]


def percent_at(overall: Overall, levels: Floats) -> Floats:
    """The percentage asked for at levels (n,): piecewise monotone between rows, fading beyond the first and last."""
    row_levels = np.array([row.level_mm for row in overall.rows])
    percents = np.array([row.percent for row in overall.rows])
    inner = np.clip(levels, row_levels[0], row_levels[-1])
    asked = np.full(np.shape(levels), percents[0]) if len(percents) == 1 else monotone(row_levels, percents)(inner)
    beyond = np.maximum(row_levels[0] - levels, levels - row_levels[-1])
    fade = quintic(1.0 - beyond / overall.fade_mm) if overall.fade_mm > 0 else (beyond <= 0).astype(float)
    return np.asarray(asked * fade)


def overall_move(
    limb: Limb,
    overall: Overall,
    stations: Floats,
    angles: Floats,
    normals: Points,
    also: Points | None = None,
    more: Floats | None = None,
) -> OverallMove:
    """Solve the overall reduction for a limb.

    Parameters
    ----------
    limb : Limb
    overall : Overall
    stations, angles, normals : per vertex
        Its place on the chart and the smoothed normal there.
    also : (n, 3) mm, optional
        What else moves the vertices: then the percentages are true of the finished model.
    more : (k,), optional
        Added to the fraction asked at each level: what an earlier round came short by.
    """
    per_mm, turned = _per_mm(limb.chart, overall, stations, angles, normals)
    level = -limb.mesh.vertices[:, 2]
    levels = np.arange(np.ceil(level.min() / _STEP_MM) * _STEP_MM, level.max(), _STEP_MM)
    cuts = cut(limb.mesh, level, levels)
    asked = percent_at(overall, levels) / 100.0
    aim = asked if more is None else np.where(asked > 0, asked + more, 0.0)
    inward, solved, warnings = _solve(cuts, asked, aim, per_mm, turned, overall, also)
    spline = smooth(levels, inward)

    def depth(at: Floats) -> Floats:
        inside = spline(np.clip(at, levels[0], levels[-1]))
        return np.where(percent_at(overall, at) == 0, 0.0, inside)[:, None]

    chart = limb.chart
    cell_stations, cell_angles = (g.ravel() for g in chart.cells)
    cell_per_mm, _ = _per_mm(chart, overall, cell_stations, cell_angles, chart.normals.reshape(-1, 3))
    cells = depth(-chart.fine_surface[:, :, 2].ravel()) * cell_per_mm
    return OverallMove(
        depth(level) * per_mm, cells.reshape(chart.normals.shape), levels, inward, asked, solved, warnings
    )


def _per_mm(chart: Chart, overall: Overall, stations: Floats, angles: Floats, normals: Points) -> tuple[Points, Floats]:
    """Where a place goes for each mm of the move at its level, (n, 3), and how far its direction is out of the plane
    of its section (n,), 0 to 1."""
    tilt = np.where(stations > chart.centre_mm, -normals[:, 2], 0.0)
    turned = quintic((tilt - _TURN_FROM) / (_TURN_TO - _TURN_FROM))
    direction = unit(normals - ((1.0 - turned) * normals[:, 2])[:, None] * np.array([0.0, 0.0, 1.0]))
    keep = spared(chart, overall, stations, angles)
    return -(1.0 - keep)[:, None] * direction, turned


def _solve(
    cuts: Cuts, asked: Floats, aim: Floats, per_mm: Points, turned: Floats, overall: Overall, also: Points | None
) -> tuple[Floats, NDArray[np.bool_], tuple[Warn, ...]]:
    """The inward move at each level that makes its section smaller by `aim`, which is about what was asked."""
    k, n = len(cuts.levels), len(cuts.vertices)
    starts, start_d = cuts.starts[:, :2], _carry(cuts, cuts.start_edges, cuts.starts, per_mm)
    ends, end_d = cuts.ends[:, :2], _carry(cuts, cuts.end_edges, cuts.ends, per_mm)
    start_also = 0.0 if also is None else _carry(cuts, cuts.start_edges, cuts.starts, also)
    end_also = 0.0 if also is None else _carry(cuts, cuts.end_edges, cuts.ends, also)

    def size(inward: Floats) -> Floats:
        by = inward[cuts.level_of][:, None]
        return measure(starts + by * start_d + start_also, ends + by * end_d + end_also)

    def measure(a: Points, b: Points) -> Floats:
        if overall.basis == "circumference":
            return hull_perimeters(a, cuts.level_of, k)
        cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
        return np.abs(np.bincount(cuts.level_of, weights=cross, minlength=k)) / 2

    before = measure(starts, ends)
    hull = hull_perimeters(starts, cuts.level_of, k)
    share = asked if overall.basis == "circumference" else 1.0 - np.sqrt(1.0 - asked)
    plain = share * np.nan_to_num(hull) / (2 * np.pi)
    in_plane = np.bincount(cuts.level_of, weights=turned[cuts.start_edges // n] > 0, minlength=k) == 0
    solvable = cuts.closed & in_plane & (asked > 0)
    target = before * (1.0 - aim)
    inward = secant(size, target, plain, solvable)
    factor = np.divide(inward, plain, out=np.ones(k), where=plain > 0)
    too_far = solvable & ~(factor <= _MOST_FACTOR)
    inward = np.where(too_far, _MOST_FACTOR * plain, inward)
    # past the last solved level the cap keeps that level's factor, so that nothing jumps
    solved = np.flatnonzero(solvable)
    if len(solved):
        factor = np.divide(inward, plain, out=np.ones(k), where=plain > 0)
        tail = cuts.closed & ~in_plane
        inward = np.where(tail, plain * factor[solved[-1]], inward)
        opened = ~cuts.closed & (np.arange(k) < solved[0])
        top = solved[0]
        ratio = np.divide(asked, asked[top], out=np.zeros(k), where=asked[top] > _NOTHING)
        inward = np.where(opened, inward[top] * ratio, inward)
    warnings = _factor_warning(cuts.levels, too_far)
    return inward, solvable & ~too_far, warnings


def secant(size: Callable[[Floats], Floats], target: Floats, plain: Floats, solvable: NDArray[np.bool_]) -> Floats:
    """Root of size(inward) = target at every level at once; the plain answer is a good start."""
    one, two = np.zeros_like(plain), plain
    f_one, f_two = size(one) - target, size(two) - target
    for _ in range(_SOLVER_STEPS):
        gap = f_two - f_one
        move = np.where(solvable & (np.abs(gap) > 1e-12), f_two * (two - one) / np.where(gap != 0, gap, 1.0), 0.0)
        move = np.clip(move, -plain - 1.0, plain + 1.0)
        one, f_one = two, f_two
        two = two - move
        if np.abs(move).max(initial=0.0) < 1e-10:
            break
        f_two = size(two) - target
    return two


def _carry(cuts: Cuts, edges: Ints, at: Points, per_mm: Points) -> Points:
    """What the vertices at the ends of a crossed edge do to the crossing, per mm of move: (s, 2)."""
    vertices = cuts.vertices
    low, high = edges // len(vertices), edges % len(vertices)
    length = vertices[high, 2] - vertices[low, 2]
    share = ((at[:, 2] - vertices[low, 2]) / length)[:, None]
    return np.asarray((1.0 - share) * per_mm[low, :2] + share * per_mm[high, :2])


def _factor_warning(levels: Floats, too_far: NDArray[np.bool_]) -> tuple[Warn, ...]:
    if not too_far.any():
        return ()
    where = levels[too_far]
    return (
        Warn(
            "spare-takes-too-much",
            "look",
            f"from level {where.min():.0f} to {where.max():.0f} mm so much is spared that the rest would move more "
            f"than {_MOST_FACTOR:g} times as far: held there, so the circumference is reduced by less than asked",
            "overall",
        ),
    )


def spared(chart: Chart, overall: Overall, stations: Floats, angles: Floats) -> Floats:
    """How much each place is spared: 1 on what is spared, 0 from `spare_fade_mm` away; (n,)."""
    move = np.ones(len(stations))
    for spare in overall.spare:
        move *= 1.0 - _spared_by(chart, spare, overall.spare_fade_mm, stations, angles)
    return 1.0 - move


def _spared_by(chart: Chart, spare: Spare, fade: float, stations: Floats, angles: Floats) -> Floats:
    if spare.spots:
        layout = layout_at(chart, spare.spots[0], spare.radius_mm + fade)
        plane = layout.plane(stations, angles)
        path = layout.plane(np.array([s.station_mm for s in spare.spots]), np.array([s.angle_deg for s in spare.spots]))
        distance = _distance_to_path(plane, path) - spare.radius_mm
    else:
        distance = np.hypot(*_outside_window(chart, spare, stations, angles))
    return quintic(1.0 - distance / fade) if fade > 0 else (distance <= 0).astype(np.float64)


def _outside_window(chart: Chart, spare: Spare, stations: Floats, angles: Floats) -> tuple[Floats, Floats]:
    """How far along and how far around places lie outside a window of levels and angles, mm; 0 inside."""
    along = around = np.zeros(len(stations))
    if spare.stations_mm is not None:
        low, high = spare.stations_mm
        along = np.maximum(chart.along(high, stations, angles), -chart.along(low, stations, angles))
    if spare.angles_deg is not None:
        first, last = spare.angles_deg
        half = ((last - first) % 360.0) / 2
        mm_per_degree = np.interp(stations, chart.stations, chart.perimeters) / 360.0
        around = (np.abs(wrap_deg(angles - (first + half))) - half) * mm_per_degree
    return np.maximum(along, 0.0), np.maximum(around, 0.0)


def _distance_to_path(points: Points, path: Points) -> Floats:
    best = np.linalg.norm(points - path[0], axis=1)
    for a, b in pairwise(path):
        d = b - a
        share = np.clip((points - a) @ d / max(float(d @ d), 1e-12), 0.0, 1.0)
        best = np.minimum(best, np.linalg.norm(points - (a + share[:, None] * d), axis=1))
    return np.asarray(best)


def shortfall(limb: Limb, overall: Overall, moved: OverallMove, finished: Points) -> Floats:
    """By how much of its size each solved level of the finished surface is less reduced than asked: (k,) fractions."""

    def size(vertices: Points) -> Floats:
        cuts = cut(limb.mesh.with_vertices(vertices), -vertices[:, 2], moved.levels)
        if overall.basis == "circumference":
            return hull_perimeters(cuts.starts[:, :2], cuts.level_of, len(moved.levels))
        return np.abs(cuts.areas_and_centroids()[0])

    before = size(limb.mesh.vertices)
    with np.errstate(invalid="ignore", divide="ignore"):
        short = size(finished) / before - (1.0 - moved.asked)
    return np.where(moved.solved & np.isfinite(short), short, 0.0)


def end_move(end: End, end_level_mm: float, level: Floats, normals: Points) -> Points:
    """What is done to the distal end at places of some levels: (n, 3) mm, exactly 0 above the end's own level.

    `lengthen` stretches the end along the axis, full at the tip and flat to second order at both ends; `pad` lays the
    same rise along the surface's normals.
    """
    share = quintic((level - end.from_level_mm) / (end_level_mm - end.from_level_mm))
    along = np.array([0.0, 0.0, -1.0]) if end.kind == "lengthen" else normals
    return np.asarray(end.amount_mm * share[:, None] * along)
