"""Strokes drawn in one go, put together again where the pencil did not come through.

Rings are looked for first, then crosses, then lines: dashes and strokes join where each carries on in the other's
direction, and what lies on the course of a long line joins it. A dash on its own stays what it is: a small dot.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from rectify.geometry.mesh import Ints, Points
from rectify.geometry.normals import unit
from rectify.marks.cloud import closest, components, long_axis
from rectify.marks.kinds import CROSS_MM, SURE_CROSS, cross_score
from rectify.marks.lines import GAP_MM, join_lines
from rectify.marks.loops import close_loops
from rectify.marks.pieces import Piece
from rectify.marks.rings import find_rings
from rectify.marks.samples import Samples

__all__ = ["groups_of"]

TOUCH_MM = 3.0  # strokes this near are one
SMALL_SPOT_MM2 = 35.0
TURN_DEG = 40.0  # how far a stroke may turn over a gap
ELONGATED = 1.35  # a dash longer than wide by this has a direction
ALONE_TURN_DEG = 20.0  # two dashes without a third must lie straighter than this
_TIP_MM = 8.0  # the end of a stroke over which its direction is taken


@dataclass(frozen=True, eq=False)
class _Tip:
    """An end of a piece: where, and which way it points; no direction for a round dash."""

    place: Points
    outward: Points | None


def groups_of(samples: Samples, pieces: tuple[Piece, ...], half: float) -> tuple[Ints, ...]:
    """The marks' ink, each as the indices of its samples, largest first.

    Parameters
    ----------
    samples : Samples
    pieces : tuple of Piece
    half : float, mm
        A stroke's half width.
    """
    small = [p for p in pieces if p.form != "spot" or p.area_mm2 < SMALL_SPOT_MM2]  # a short dash looks like a spot
    rings, left = find_rings(samples, small, half)
    groups = [np.concatenate([small[i].samples for i in ring]) for ring in rings]
    crosses, thin = _crosses(samples, [small[i] for i in left if small[i].form != "spot"], half)
    groups += crosses + [p.samples for p in pieces if p.form == "spot" and not any(p is q for q in small)]
    spots = [small[i] for i in left if small[i].form == "spot"]
    members, dashes = join_lines(samples, thin, _chains(samples, thin), spots, half)
    groups += [s.samples for s in spots if not any(s is t for own in dashes for t in own)]
    lines = []
    for member, own in zip(members, dashes, strict=True):
        ink = np.concatenate([p.samples for p in (*(thin[i] for i in member), *own)])
        if len(member) == 1 and thin[member[0]].form == "dash":
            groups.append(ink)
        else:
            lines.append(ink)
    groups += close_loops(samples, lines, half)
    return tuple(sorted(groups, key=lambda g: -float(samples.areas[g].sum())))


def _crosses(samples: Samples, thin: list[Piece], half: float) -> tuple[list[Ints], list[Piece]]:
    """Crosses, found before lines: an arm of one may point at a line that is no part of it."""
    groups: list[Ints] = []
    left = list(thin)
    while True:
        best, members = SURE_CROSS, None
        for piece in left:
            middle = samples.points[piece.samples].mean(axis=0)
            about = [
                p for p in left if np.linalg.norm(samples.points[p.samples] - middle, axis=1).max() < CROSS_MM / 2.0
            ]
            score = cross_score(samples, np.concatenate([p.samples for p in about]), half) if about else 0.0
            if score > best:
                best, members = score, about
        if members is None:
            return groups, left
        groups.append(np.concatenate([p.samples for p in members]))
        left = [p for p in left if not any(p is m for m in members)]


def _chains(samples: Samples, thin: list[Piece]) -> list[list[int]]:
    """Which pieces make one stroke."""
    tips = [_tips(samples.points[p.samples], p.form == "dash") for p in thin]
    links: list[tuple[int, int]] = []
    loose: list[tuple[int, int]] = []
    taken: dict[int, list[Points]] = {i: [] for i in range(len(thin))}
    offers = []
    for i, j in combinations(range(len(thin)), 2):
        if "stroke" in (thin[i].form, thin[j].form) and _gap(samples, thin[i], thin[j]) <= TOUCH_MM:
            links.append((i, j))
            continue
        offer = _best_way(tips[i], tips[j])
        if offer is not None:
            offers.append((offer[0], i, j, offer[1]))
    for _, i, j, way in sorted(offers, key=lambda o: o[:3]):
        if _free(taken[i], way) and _free(taken[j], -way):
            taken[i].append(way)
            taken[j].append(-way)
            loose.append((i, j))
    # two dashes alone make no line unless they lie straight
    for member in _together(len(thin), links + loose):
        if len(member) == 2 and all(thin[i].form == "dash" for i in member):
            i, j = member
            if not _straight(samples, thin[i], thin[j]):
                loose = [pair for pair in loose if set(pair) != {i, j}]
    return _together(len(thin), links + loose)


def _together(n: int, links: list[tuple[int, int]]) -> list[list[int]]:
    """Which of n pieces hang together."""
    if n == 0:
        return []
    label = components(n, np.array(links, dtype=np.int64).reshape(-1, 2))
    return [np.flatnonzero(label == k).tolist() for k in range(int(label.max()) + 1)]


def _gap(samples: Samples, one: Piece, other: Piece) -> float:
    return float(closest(samples.points[other.samples], samples.points[one.samples])[0].min())


def _tips(points: Points, dash: bool) -> tuple[_Tip, ...]:
    """The ends of a piece, with their directions."""
    if dash:
        centre, axis, extent, long = long_axis(points)
        if long < ELONGATED:
            return (_Tip(centre, None),)
        return _Tip(centre + axis * extent / 2, axis), _Tip(centre - axis * extent / 2, -axis)
    start = points[np.argmax(np.linalg.norm(points - points.mean(axis=0), axis=1))]
    far = points[np.argmax(np.linalg.norm(points - start, axis=1))]
    tips = []
    for end in (start, far):
        gap = np.linalg.norm(points - end, axis=1)
        back = points[gap < _TIP_MM].mean(axis=0) - end
        tips.append(_Tip(points[gap < 1.5].mean(axis=0), -unit(back)))
    return tuple(tips)


def _best_way(one: tuple[_Tip, ...], other: tuple[_Tip, ...]) -> tuple[float, Points] | None:
    """The cheapest way from an end of one to an end of the other that both point along: its cost and direction."""
    least = np.cos(np.radians(TURN_DEG))
    best: tuple[float, Points] | None = None
    for a in one:
        for b in other:
            way = b.place - a.place
            gap = float(np.linalg.norm(way))
            roundness = 1.5 * ((a.outward is None) + (b.outward is None))  # their centres stand for their ends
            if gap > GAP_MM + roundness:
                continue
            way = unit(way)
            one_turn = 0.9 if a.outward is None else float(way @ a.outward)
            other_turn = 0.9 if b.outward is None else float(-way @ b.outward)
            if gap > 1.0 and min(one_turn, other_turn) < least:
                continue
            cost = gap * (1.0 + 2.0 * (2.0 - one_turn - other_turn))
            if best is None or cost < best[0]:
                best = (cost, way)
    return best


def _free(taken: list[Points], way: Points) -> bool:
    """Whether a piece may go on this way too: at most two ways, and not back where it came from."""
    return len(taken) < 2 and all(float(way @ other) < -np.cos(np.radians(60.0)) for other in taken)


def _straight(samples: Samples, one: Piece, other: Piece) -> bool:
    a, u, _, long_one = long_axis(samples.points[one.samples])
    b, v, _, long_other = long_axis(samples.points[other.samples])
    way = unit(b - a)
    least = np.cos(np.radians(ALONE_TURN_DEG))
    return bool(min(long_one, long_other) > 1.6 and abs(way @ u) > least and abs(way @ v) > least)
