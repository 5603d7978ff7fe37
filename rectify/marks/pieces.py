"""The ink in pieces: thick spots, thin strokes, and short dashes that may belong to a stroke.

Samples count as ink by hysteresis and against the strongest ink about them, so that a smear round a firm dot does
not widen it. Gaps of up to 3 mm are closed. Where a spot sits on a stroke (the tubercle's dot on the crest's line)
the two are taken apart by thickness. Which strokes belong together is asked elsewhere (`strokes`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Floats, Ints, Points
from rectify.marks.cloud import closest, linked, long_axis, pairs_within
from rectify.marks.kinds import CROSS_MM, CROSS_REACH_MM, SURE_CROSS, cross_score
from rectify.marks.samples import Samples

__all__ = ["FAINT", "Form", "Piece", "pieces_of"]

SEED = 0.45  # of a firm stroke: every mark has some ink this strong
GROW = 0.25  # of a firm stroke: ink that hangs on to it
OF_STRONGEST = 0.45  # of the strongest ink within NEAR_MM: where a mark's edge lies
NEAR_MM = 4.5
FAINT = 0.12  # of a firm stroke: what may carry on a stroke over a gap
FAINT_NEAR_MM = 2.0
FAINT_MM2 = 25.0  # a faint area up to twice this must be long and thin; a larger one is a smear
CLOSE_MM = 1.4  # gaps of twice this are closed
LINK_MM = 1.2  # samples this close hang together
LEAST_INK_MM2 = 0.5  # of a piece, before gaps were closed
CRUMB_MM2 = 10.0  # a piece smaller than this may be a crumb of a larger one ...
CRUMB_GAP_MM = 3.0  # ... this near ...
CRUMB_SPOT_MM = 16.0  # ... unless the two would make a spot larger than any
PART_MM2, PART_SPOT_MM = 20.0, 10.0  # a larger piece is part of a spot only if the two make one of a dot's size
USUAL_HALF_STROKE_MM = 1.5  # of an indelible pencil, its edges blurred by the scan: common practice, no source
LONGEST_SPOT = 4.0  # times the radius of the largest disc inside
SLENDER = 2.2  # area over that of the largest disc inside: more is a stroke
SPOT_DEPTH = 1.5  # times a stroke's half width: deeper ink is a spot (two strokes crossing reach 1.41)
DASH_DEPTH = 1.4  # times a stroke's half width: shallower compact ink may be a dash

Form = Literal["spot", "dash", "stroke"]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Piece:
    """One piece of ink.

    Parameters
    ----------
    samples : (k,) indices
    form : spot | dash | stroke
    depth_mm : float
        Radius of the largest disc inside.
    area_mm2 : float
    """

    samples: Ints
    form: Form
    depth_mm: float
    area_mm2: float


def pieces_of(samples: Samples, least: float) -> tuple[tuple[Piece, ...], float]:
    """The pieces of ink, and a stroke's half width on this capture, mm.

    Parameters
    ----------
    samples : Samples
    least : float
        No ink below this amount, whatever its surroundings.
    """
    inked = _inked(samples, least) if len(samples) else np.zeros(0, dtype=np.bool_)
    if inked.any():
        inked |= _faint(samples, inked, least)
    if not inked.any():
        return (), USUAL_HALF_STROKE_MM
    closed = _closed(samples.points, inked)
    depth = _depth(samples.points, closed)
    groups = linked(samples.points, np.flatnonzero(closed), LINK_MM)
    groups = [g for g in groups if samples.areas[g[inked[g]]].sum() >= LEAST_INK_MM2]
    half = _half_stroke(groups, depth, samples.areas)
    pieces = [piece for group in groups for piece in _parted(samples, group, depth, half)]
    return tuple(_without_crumbs(samples, pieces)), half


def _inked(samples: Samples, least: float) -> Bools:
    """Hysteresis, and a share of the strongest nearby."""
    strongest = _strongest_near(samples.points, samples.amount, NEAR_MM)
    low = samples.amount >= np.maximum(max(GROW, least), OF_STRONGEST * np.minimum(strongest, 1.2))
    out = np.zeros(len(samples), dtype=np.bool_)
    for group in linked(samples.points, np.flatnonzero(low), LINK_MM):
        out[group] = bool((samples.amount[group] >= max(SEED, least)).any())
    return out


def _faint(samples: Samples, inked: Bools, least: float) -> Bools:
    """Faint ink beside strong ink that has a stroke's form, or is small: where a patchy stroke goes on.

    A smear is neither, and a soft edge lies along the ink and not away from it.
    """
    strongest = _strongest_near(samples.points, samples.amount, FAINT_NEAR_MM)
    low = (samples.amount >= np.maximum(max(FAINT, 1.5 * least), OF_STRONGEST * strongest)) & ~inked
    out = np.zeros(len(samples), dtype=np.bool_)
    if not low.any():
        return out
    depth = _depth(samples.points, low)
    for group in linked(samples.points, np.flatnonzero(low), LINK_MM):
        area = float(samples.areas[group].sum())
        if not 1.0 <= area <= (2.0 if _slender(depth[group], area) > 4.0 else 1.0) * FAINT_MM2:
            continue
        gap, _ = closest(samples.points[group], samples.points[inked])
        halo = float((gap < FAINT_NEAR_MM).mean()) > 0.8  # a soft edge, all round
        out[group] = bool(gap.min() <= 2.0 * CLOSE_MM) and not halo
    return out


def _strongest_near(points: Points, amount: Floats, reach_mm: float) -> Floats:
    """The largest amount within reach, to within a millimetre of distance."""
    key = np.floor((points - points.min(axis=0)) / 1.2).astype(np.int64)
    size = key.max(axis=0) + 1
    _, cell = np.unique((key[:, 0] * size[1] + key[:, 1]) * size[2] + key[:, 2], return_inverse=True)
    count = np.bincount(cell)
    where = np.stack([np.bincount(cell, weights=points[:, i]) / count for i in range(3)], axis=1)
    top = np.full(len(count), -np.inf)
    np.maximum.at(top, cell, amount)
    pairs, _ = pairs_within(where, reach_mm)
    best = top.copy()
    np.maximum.at(best, pairs[:, 0], top[pairs[:, 1]])
    np.maximum.at(best, pairs[:, 1], top[pairs[:, 0]])
    return np.asarray(best[cell])


def _closed(points: Points, inked: Bools) -> Bools:
    """Ink with gaps of up to twice CLOSE_MM filled: grown by it, then shrunk by it."""
    gap, _ = closest(points, points[inked], CLOSE_MM)
    grown = np.isfinite(gap)
    if grown.all():
        return inked
    bare, _ = closest(points, points[~grown])
    return np.asarray(inked | (grown & (bare > CLOSE_MM)))


def _depth(points: Points, inked: Bools) -> Floats:
    """How deep each sample lies in the ink, mm: its distance to the nearest bare one; 0 outside."""
    out = np.zeros(len(points))
    if inked.all():
        return out + np.inf
    gap, _ = closest(points[inked], points[~inked])
    out[inked] = gap
    return out


def _half_stroke(groups: list[Ints], depth: Floats, areas: Floats) -> float:
    """A stroke's half width: twice the median depth over ink that is long and thin."""
    thin = [g for g in groups if _slender(depth[g], float(areas[g].sum())) > 4.0]
    if not thin:
        return USUAL_HALF_STROKE_MM
    deep = np.concatenate([depth[g] for g in thin])
    half = 2.0 * float(np.median(deep))
    return float(np.clip(2.0 * np.median(deep[deep < SPOT_DEPTH * half]), 0.7, 3.0))


def _slender(depth: Floats, area: float) -> float:
    """Area over that of the largest disc inside: 1 for a disc, large for a stroke."""
    return area / (np.pi * float(depth.max()) ** 2 + 1e-9)


def _parted(samples: Samples, group: Ints, depth: Floats, half: float) -> list[Piece]:
    """A group as spots, dashes and strokes."""

    def piece(part: Ints, form: Form) -> Piece:
        return Piece(part, form, float(depth[part].max()), float(samples.areas[part].sum()))

    points = samples.points
    compact = long_axis(points[group])[2] < LONGEST_SPOT * depth[group].max()  # else a spot with a tail
    if compact and _slender(depth[group], float(samples.areas[group].sum())) < SLENDER:
        return [piece(group, "dash" if depth[group].max() < DASH_DEPTH * half else "spot")]
    if np.ptp(points[group], axis=0).max() < CROSS_MM and cross_score(samples, group, half) >= SURE_CROSS:
        return [piece(group, "stroke")]  # its crossing is no spot
    spots: list[Ints] = []
    rest = np.ones(len(group), dtype=np.bool_)
    for seat in linked(points, group[depth[group] >= max(SPOT_DEPTH * half, half + 0.7)], LINK_MM):
        about = group[np.linalg.norm(points[group] - points[seat].mean(axis=0), axis=1) < CROSS_REACH_MM]
        if cross_score(samples, about, half) >= SURE_CROSS:
            continue  # where strokes cross
        gap, _ = closest(points[group], points[seat])
        inside = gap <= depth[seat].min() + 0.3
        if long_axis(points[group[inside]])[3] < 2.5:  # else a broad stroke
            spots.append(group[inside])
            rest &= ~inside
    strokes = [
        g
        for g in linked(points, group[rest], LINK_MM)
        # what sticks out of a spot less far than this is its own ragged edge
        if samples.areas[g].sum() > 6.0 * half**2 and long_axis(points[g])[2] > 4.0 * half
    ]
    if not spots or not strokes:
        return [piece(group, "spot" if spots else "stroke")]
    return [piece(g, "spot") for g in spots] + [piece(g, "stroke") for g in strokes]


def _without_crumbs(samples: Samples, pieces: list[Piece]) -> list[Piece]:
    """Small pieces go to the larger piece beside them: patchy pencil leaves crumbs."""
    left = sorted(pieces, key=lambda p: p.area_mm2)
    done: list[Piece] = []
    while left:
        crumb = left.pop(0)
        if left and crumb.area_mm2 < PART_MM2:
            own = samples.points[crumb.samples]
            gaps = [float(closest(own, samples.points[p.samples])[0].min()) for p in left]
            best = int(np.argmin(gaps))
            host = left[best]
            both = np.concatenate([host.samples, crumb.samples])
            reach = long_axis(samples.points[both])[2]
            crumb_of_it = crumb.area_mm2 < CRUMB_MM2 and (host.form == "stroke" or reach < CRUMB_SPOT_MM)
            fits = crumb_of_it or (host.form != "stroke" and reach < PART_SPOT_MM)
            if gaps[best] <= CRUMB_GAP_MM and fits:
                form: Form = "spot" if host.form == "dash" else host.form
                left[best] = Piece(both, form, max(host.depth_mm, crumb.depth_mm), host.area_mm2 + crumb.area_mm2)
                left.sort(key=lambda p: p.area_mm2)
                continue
        done.append(crumb)
    return done
