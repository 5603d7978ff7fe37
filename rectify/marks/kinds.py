"""What kind of mark a piece of ink is: a dot, a cross, a ring, an outline, a line, or a patch that may be a stain.

Each kind is tried as a simple figure in the plane that touches the surface there, fitted to the ink; its score is
the area that ink and figure share over the area that either covers (1 where they agree entirely). The best score
wins, and how far it leads says how sure the kind is. A closed curve need not be a circle, and may have gaps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rectify.geometry.mesh import Floats, Ints, Points
from rectify.geometry.normals import unit
from rectify.marks.circle import fit_circle
from rectify.marks.course import STEP_MM, Course, course_of
from rectify.marks.samples import Samples

__all__ = ["KINDS", "Kind", "Shape", "cross_score", "outline_score", "parted", "shape_of"]

Kind = Literal["dot", "cross", "ring", "outline", "line", "patch"]
KINDS: tuple[Kind, ...] = ("dot", "cross", "ring", "outline", "line", "patch")

LARGEST_DOT_MM = 15.0  # across; larger full ink is a patch
CROSS_MM = 24.0  # from arm to arm at most, as usually drawn
LARGEST_CROSS_MM = 40.0
SURE_CROSS = 0.65  # the score from which ink is held for a cross before anything else is asked
LEAST_CROSS = 5.5  # half strokes from arm to arm; shorter, and it looks like a dot
LEAST_LINE = 3.0  # times longer than wide
LEAST_RING_RADIUS = 3.0  # half strokes: a smaller ring is a dot with a hole in its pencil
LEAST_RING = 0.6  # of a circle that must have ink
SOFT_MM = 2.3  # over which a drawn edge falls from 70 to 30 %, at most ...
STAIN_MM = 4.5  # ... and one that falls over this is a stain
_SHORT_LINE_MM = 30.0
CROSS_REACH_MM = 8.5  # a cross drawn on a line is looked for within this of its crossing
_LEAST_ON_LINE = 0.6
_LEAST_REST = 6.0  # half strokes: what is left of a line must be this long
_GRID_MM = 0.8
_BRIDGE_MM = 2.2  # gaps of twice this are bridged to see whether a curve is closed ...
_FAR_BRIDGE_MM = 6.0  # ... and, with less certainty, of twice this

Flat = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Shape:
    """A mark's figure, in the mesh's axes.

    Parameters
    ----------
    kind : Kind
    centre : (3,) mm
        The middle of a dot, ring or outline, the crossing of a cross, half way along a line; near the surface.
    normal : (3,) unit
        Of the surface there, outward.
    curve : (k, 3) mm
        A line's course or the run of an outline or ring; empty for the others.
    size_mm : float
        Diameter of a dot, ring or patch (by area) and of an outline (by enclosed area); a cross from arm to arm;
        a line's length.
    width_mm : float
        Of the stroke; the diameter of a dot.
    score, second : float
        Of this kind, and of the next best.
    soft_mm : float
        Over how much the edge falls from 70 to 30 % of the ink.
    """

    kind: Kind
    centre: Points
    normal: Points
    curve: Points
    size_mm: float
    width_mm: float
    score: float
    second: float
    soft_mm: float


@dataclass(frozen=True, eq=False)
class _Ink:
    """A group's ink laid out in its tangent plane."""

    points: Points
    flat: Flat
    areas: Floats
    centre: Points
    plane: Points
    normal: Points
    half: float

    @property
    def area(self) -> float:
        return float(self.areas.sum())

    def lifted(self, flat: Flat) -> Points:
        return np.asarray(self.centre + flat @ self.plane)

    def share(self, inside: NDArray[np.bool_]) -> float:
        return float(self.areas[inside].sum())


@dataclass(frozen=True, eq=False)
class _Try:
    """One kind tried."""

    kind: Kind
    score: float
    centre: Points
    size_mm: float
    width_mm: float
    curve: Points
    own: Bools | None = None  # of an outline: which ink lies on it


def shape_of(samples: Samples, chosen: Ints, about: Bools, half: float) -> Shape:
    """The figure that fits a mark's ink best.

    Parameters
    ----------
    samples : Samples
    chosen : (k,) indices
        The mark's ink.
    about : (s,) bool
        Samples that lie nearer to this mark's ink than to any other's.
    half : float, mm
        A stroke's half width on this capture.
    """
    ink = _laid(samples, chosen, half)
    course = course_of(ink.points, ink.areas)
    tries = [_dot(ink), _ring(ink), _outline(ink), _cross(ink), _line(ink, course), _patch(ink)]
    ranked = sorted((t for t in tries if t is not None), key=lambda t: -t.score)
    best = ranked[0]
    # a ring is an outline too: that speaks for it, not against it
    rivals = [t.score for t in ranked[1:] if not (best.kind == "ring" and t.kind == "outline")]
    second = rivals[0] if rivals else 0.0
    soft = _softness(samples, chosen, about, best, half)
    kind = best.kind
    if kind == "dot" and (best.size_mm > LARGEST_DOT_MM or soft > STAIN_MM):
        kind = "patch"
    return Shape(kind, best.centre, ink.normal, best.curve, best.size_mm, best.width_mm, best.score, second, soft)


def cross_score(samples: Samples, chosen: Ints, half: float) -> float:
    """How well ink makes a cross, 0 to 1, and 0 where another kind fits better."""
    ink = _laid(samples, chosen, half)
    tried = _cross(ink)
    if tried is None:
        return 0.0
    others = [_dot(ink), _ring(ink), _outline(ink), _line(ink, course_of(ink.points, ink.areas))]
    return tried.score if all(t is None or t.score < tried.score for t in others) else 0.0


def outline_score(samples: Samples, chosen: Ints, half: float) -> float:
    """How well ink makes a closed curve, 0 to 1."""
    tried = _outline(_laid(samples, chosen, half))
    return 0.0 if tried is None else tried.score


def parted(samples: Samples, chosen: Ints, half: float) -> tuple[Ints, ...]:
    """Ink of two marks that run into each other, taken apart: a line from a closed curve, or from a cross on it.

    Ink of one mark comes back whole.
    """
    if cross_score(samples, chosen, half) >= SURE_CROSS:
        return (chosen,)
    ink = _laid(samples, chosen, half)
    outline, ring = _outline(ink), _ring(ink)
    if outline is not None and outline.own is not None and (ring is None or ring.score < 0.6):
        share = ink.share(outline.own) / ink.area
        rest = chosen[~outline.own]
        if 0.2 < share < 0.85 and _reach(samples.points[rest]) > _LEAST_REST * half:
            return chosen[outline.own], *parted(samples, rest, half)
        if share >= 0.85:
            return (chosen,)
    course = course_of(ink.points, ink.areas)
    astray = course.astray > 1.3 * half + STEP_MM / 2.0
    if course.length_mm < 2.0 * CROSS_REACH_MM or ink.share(astray) < 0.015 * ink.area or astray.sum() < 4:
        return (chosen,)
    best, here = _LEAST_ON_LINE, None
    for place in course.points:
        near = np.linalg.norm(ink.points - place, axis=1) < CROSS_REACH_MM
        if astray[near].sum() >= 4:
            score = cross_score(samples, chosen[near], half)
            if score > best:
                best, here = score, near
    if here is None or _reach(samples.points[chosen[~here]]) < CROSS_REACH_MM:
        return (chosen,)
    return chosen[here], *parted(samples, chosen[~here], half)


def _reach(points: Points) -> float:
    return float(np.linalg.norm(np.ptp(points, axis=0))) if len(points) else 0.0


def _laid(samples: Samples, chosen: Ints, half: float) -> _Ink:
    points, areas = samples.points[chosen], samples.areas[chosen]
    centre = (areas[:, None] * points).sum(axis=0) / areas.sum()
    normal = unit((areas[:, None] * samples.normals[chosen]).sum(axis=0))
    aside = np.eye(3)[int(np.argmin(np.abs(normal)))]
    first = unit(np.cross(aside, normal))
    plane = np.stack([first, np.cross(normal, first)])
    return _Ink(points, (points - centre) @ plane.T, areas, centre, plane, normal, half)


def _overlap(ink: _Ink, inside: NDArray[np.bool_], figure: float) -> float:
    """Area shared over area covered by either."""
    shared = min(ink.share(inside), figure)
    return shared / (ink.area + figure - shared)


def _dot(ink: _Ink) -> _Try:
    radius = float(np.sqrt(ink.area / np.pi))
    score = _overlap(ink, np.linalg.norm(ink.flat, axis=1) < radius, ink.area)
    return _Try("dot", score, ink.centre, 2 * radius, 2 * radius, np.zeros((0, 3)))


def _patch(ink: _Ink) -> _Try:
    """Solid ink of any outline: how much of its hull it fills."""
    import shapely

    hull = float(shapely.area(shapely.convex_hull(shapely.multipoints(ink.flat)))) + 1e-9
    diameter = 2 * float(np.sqrt(ink.area / np.pi))
    score = 0.85 * min(1.0, ink.area / hull) if diameter > LARGEST_DOT_MM else 0.0
    return _Try("patch", score, ink.centre, diameter, diameter, np.zeros((0, 3)))


def _ring(ink: _Ink) -> _Try | None:
    circle = fit_circle(ink.points)
    if circle is None or circle.coverage < LEAST_RING:
        return None
    off = circle.off(ink.points)
    wide = float(np.clip(2.0 * np.median(np.abs(off - np.median(off))), 0.7 * ink.half, 2.0 * ink.half))
    if circle.radius < max(1.8 * wide, LEAST_RING_RADIUS * ink.half):
        return None
    covered = 4.0 * np.pi * circle.radius * wide * max(circle.coverage, 0.75)
    score = _overlap(ink, np.abs(off) < 1.25 * wide + 0.06 * circle.radius, min(covered, 1.3 * ink.area))
    turn = np.linspace(0.0, 2 * np.pi, 73)
    curve = circle.centre + circle.radius * np.stack([np.cos(turn), np.sin(turn)], axis=1) @ circle.plane
    return _Try("ring", score, circle.centre, 2 * circle.radius, 2 * wide, np.asarray(curve))


def _outline(ink: _Ink) -> _Try | None:
    """A closed curve of any form: ink that encloses bare surface once its gaps are bridged."""
    near = _enclosing(ink, _BRIDGE_MM)
    if near is not None:
        return near
    far = _enclosing(ink, _FAR_BRIDGE_MM)
    return None if far is None else replace(far, score=0.85 * far.score)


def _enclosing(ink: _Ink, grow: float) -> _Try | None:
    """The closed curve that ink makes once grown by `grow` either way."""
    low = ink.flat.min(axis=0) - 2 * grow
    size = np.ceil((ink.flat.max(axis=0) + 2 * grow - low) / _GRID_MM).astype(np.int64) + 1
    if size.prod() > 400_000:
        return None
    grid = np.zeros(tuple(size), dtype=np.bool_)
    index = np.floor((ink.flat - low) / _GRID_MM).astype(np.int64)
    grid[index[:, 0], index[:, 1]] = True
    near = ndimage.distance_transform_edt(~grid) * _GRID_MM <= grow
    hole = np.asarray(ndimage.binary_fill_holes(near)) & ~near
    label, count = ndimage.label(hole)
    if count == 0:
        return None
    largest = label == 1 + int(np.argmax(np.bincount(label.ravel())[1:]))
    inner = ndimage.distance_transform_edt(~largest) * _GRID_MM <= grow + ink.half  # back to the stroke's middle
    enclosed = float(inner.sum()) * _GRID_MM**2
    away = np.asarray(ndimage.distance_transform_edt(inner) + ndimage.distance_transform_edt(~inner)) * _GRID_MM
    on_it = away[index[:, 0], index[:, 1]] < 1.8 * ink.half + _GRID_MM
    middle = (np.argwhere(inner) + 0.5).mean(axis=0) * _GRID_MM + low
    diameter = 2 * float(np.sqrt(enclosed / np.pi))
    if diameter < 2.0 * LEAST_RING_RADIUS * ink.half:
        return None
    own = np.asarray(on_it)
    score = 0.8 * ink.share(own) / ink.area
    return _Try("outline", score, ink.lifted(middle), diameter, 2 * ink.half, _run(ink, inner, low), own)


def _run(ink: _Ink, inner: NDArray[np.bool_], low: Flat) -> Points:
    """The curve of an outline: its ink in order round the middle, a point every 5 degrees or so, closed."""
    middle = (np.argwhere(inner) + 0.5).mean(axis=0) * _GRID_MM + low
    way = ink.flat - middle
    sector = np.floor((np.arctan2(way[:, 1], way[:, 0]) + np.pi) / (2 * np.pi) * 72).astype(np.int64) % 72
    weight = np.bincount(sector, weights=ink.areas, minlength=72)
    sums = np.stack([np.bincount(sector, weights=ink.areas * ink.points[:, i], minlength=72) for i in range(3)], axis=1)
    there = weight > 0
    run = sums[there] / weight[there, None]
    return np.concatenate([run, run[:1]])


def _cross(ink: _Ink) -> _Try | None:
    """Two straight strokes over each other."""
    if np.ptp(ink.flat, axis=0).max() > LARGEST_CROSS_MM or len(ink.flat) < 12:
        return None
    thin = slice(None, None, max(1, len(ink.flat) // 250))
    flat, areas = ink.flat[thin], ink.areas[thin] * (ink.area / ink.areas[thin].sum())
    turn = np.radians(np.arange(0.0, 180.0, 7.5))
    across = np.stack([-np.sin(turn), np.cos(turn)], axis=1)
    one, other = np.triu_indices(len(turn), 1)
    apart = np.abs(turn[one] - turn[other])
    square = (apart > np.radians(50.0)) & (apart < np.radians(130.0))
    one, other = one[square], other[square]
    best, found = 0.0, None
    for dx in np.linspace(-3.0, 3.0, 7):
        for dy in np.linspace(-3.0, 3.0, 7):
            on = np.abs((flat - [dx, dy]) @ across.T) < ink.half + 0.3
            first, second = on[:, one], on[:, other]
            either = areas @ (first | second)
            lean = np.minimum(areas @ first, areas @ second)
            k = int(np.argmax(either + 0.3 * lean))
            value = float(either[k] + 0.3 * lean[k])
            if value > best:
                best, found = value, (np.array([dx, dy]), one[k], other[k])
    if found is None:
        return None
    centre, i, j = found
    along = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    arms = [_arms(flat - centre, along[k], across[k], ink.half) for k in (i, j)]
    lengths = [max(0.0, plus) + max(0.0, minus) for plus, minus in arms]
    least = 1.5 * ink.half
    missing = sum(side < least for arm in arms for side in arm)
    if missing > 1 or min(lengths) < LEAST_CROSS * ink.half:
        return None
    figure = 2 * ink.half * sum(lengths) - 4 * ink.half**2
    on = np.abs((ink.flat - centre) @ across[[i, j]].T) < ink.half + 0.5
    score = _overlap(ink, on.any(axis=1), figure) * (0.8 if missing else 1.0)
    return _Try("cross", score, ink.lifted(centre), max(lengths), 2 * ink.half, np.zeros((0, 3)))


def _arms(flat: Flat, along: Flat, across: Flat, half: float) -> tuple[float, float]:
    """How far ink on one stroke of a cross reaches from the crossing, either way, mm."""
    on = np.abs(flat @ across) < half + 0.3
    reach = flat[on] @ along
    if not len(reach):
        return 0.0, 0.0
    return float(np.percentile(reach, 98.0)), float(-np.percentile(reach, 2.0))


def _line(ink: _Ink, course: Course) -> _Try:
    wide = ink.area / max(course.length_mm, 1e-9)  # of its stroke, were it all one line; gaps count as thin
    slender = course.length_mm / (2.0 * max(wide / 2.0, 0.8 * ink.half))
    near = course.astray < 1.3 * max(wide / 2.0, ink.half) + STEP_MM / 2.0
    straight = float(np.linalg.norm(course.points[-1] - course.points[0])) / max(course.length_mm, 1e-9)
    # a short line is straight; a long one may bend, but does not come back to where it began
    open_ended = (straight - 0.5) / 0.4 if course.length_mm < _SHORT_LINE_MM else (straight - 0.1) / 0.4
    score = (ink.share(near) / ink.area) ** 2 * float(np.clip((slender - 1.0) / (LEAST_LINE - 1.0), 0.0, 1.0))
    score *= float(np.clip(open_ended, 0.0, 1.0)) * float(np.clip((course.length_mm - 6.0) / 7.0, 0.0, 1.0))
    middle = course.points[len(course.points) // 2]
    return _Try("line", 0.95 * score, middle, course.length_mm, min(wide, 4.0 * ink.half), course.points)


def _softness(samples: Samples, chosen: Ints, about: Bools, best: _Try, half: float) -> float:
    """Over how many mm the ink falls from 70 to 30 % of the mark's own strength, on average round its edge."""
    peak = float(np.percentile(samples.amount[chosen], 90.0))
    solid = best.kind in ("dot", "patch")
    edge = np.pi * best.size_mm if solid else 2.0 * float(samples.areas[chosen].sum()) / max(best.width_mm, half)
    around = about if solid else np.isin(np.arange(len(samples)), chosen)
    amount, areas = samples.amount[around], samples.areas[around]
    between = (amount > 0.3 * peak) & (amount < 0.7 * peak)
    return float(areas[between].sum()) / max(edge, 1e-9)
