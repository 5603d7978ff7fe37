"""Rings found before anything else is put together: circles that much ink lies on, however broken.

Circles through three bits of ink are tried, the one with the most of its round inked is fitted to its ink, and the
pieces that lie on it are taken. Chosen at random from a fixed seed: the same ink gives the same rings.
"""

from __future__ import annotations

import numpy as np

from rectify.geometry.mesh import Floats, Points
from rectify.marks.circle import Circle, fit_circle
from rectify.marks.pieces import Piece
from rectify.marks.samples import Samples

__all__ = ["find_rings"]

LEAST_ROUND = 0.68  # of a ring that must be inked
SMALLEST_HALVES = 3.0  # radius in half strokes
LARGEST_MM = 36.0  # radius
_SMALL_MM2 = 40.0
_TRIES = 1200
_POINTS = 700
_SECTORS = 24
_SLACK = 0.07  # of the radius: a hand's circle, on a surface that is not flat


def find_rings(samples: Samples, thin: list[Piece], half: float) -> tuple[list[list[int]], list[int]]:
    """Which thin pieces make rings, and which are left over.

    Parameters
    ----------
    samples : Samples
    thin : list of Piece
        Strokes and dashes.
    half : float, mm
        A stroke's half width.
    """
    rings: list[list[int]] = []
    left = list(range(len(thin)))
    rng = np.random.default_rng(0)
    while left:
        circle = _best(samples, [thin[i] for i in left], half, rng)
        if circle is None:
            break
        taken = [i for i in left if _lies_on(circle, samples.points[thin[i].samples], thin[i].area_mm2, half)]
        if not taken:
            break
        ink = samples.points[np.concatenate([thin[i].samples for i in taken])]
        final = fit_circle(ink)
        if final is None or final.coverage < LEAST_ROUND or not final.fits(ink, half):
            break
        rings.append(taken)
        left = [i for i in left if i not in taken]
    return rings, left


def _best(samples: Samples, thin: list[Piece], half: float, rng: np.random.Generator) -> Circle | None:
    """The circle with most of its round inked, fitted to the ink on it."""
    points = samples.points[np.concatenate([p.samples for p in thin])]
    if len(points) < 30:
        return None
    few = points[rng.choice(len(points), min(_POINTS, len(points)), replace=False)]
    centre, plane, radius = _through(few, half, rng)
    if not len(radius):
        return None
    covered = _covered(few, centre, plane, radius, half)
    for k in np.argsort(-covered, kind="stable")[:12]:
        if covered[k] < LEAST_ROUND - 0.2:
            return None
        circle: Circle | None = Circle(centre[k], plane[k], float(radius[k]), float(covered[k]))
        for _ in range(3):
            if circle is None:
                break
            on = _on(circle, points, half)
            circle = fit_circle(points[on]) if on.sum() >= 20 else None
        if circle is not None and circle.coverage >= LEAST_ROUND and circle.radius >= SMALLEST_HALVES * half:
            return circle
    return None


def _through(points: Points, half: float, rng: np.random.Generator) -> tuple[Points, Points, Floats]:
    """Circles through three points each, no farther apart than a ring is wide: centres, planes (t, 2, 3), radii."""
    first = rng.integers(0, len(points), _TRIES)
    size = np.exp(rng.uniform(np.log(6.0 * half), np.log(2.0 * LARGEST_MM), _TRIES))
    gap = np.linalg.norm(points[first][:, None] - points[None], axis=2)
    draw = rng.random((_TRIES, len(points))) * (gap < size[:, None]) * (gap > 0.25 * size[:, None])
    pick = np.argpartition(draw, -2, axis=1)[:, -2:]
    good = np.take_along_axis(draw, pick, axis=1).min(axis=1) > 0
    a, b, c = points[first[good]], points[pick[good, 0]], points[pick[good, 1]]
    u, v = b - a, c - a
    across = np.cross(u, v)
    area = (across**2).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        way = (
            np.cross(across, u) * (v**2).sum(axis=1)[:, None] + np.cross(v, across) * (u**2).sum(axis=1)[:, None]
        ) / (2.0 * area)[:, None]
        radius = np.linalg.norm(way, axis=1)
        one = u / np.linalg.norm(u, axis=1)[:, None]
        two = np.cross(across, one)
        two = two / np.linalg.norm(two, axis=1)[:, None]
    fine = (area > 1.0) & (radius >= SMALLEST_HALVES * half) & (radius <= LARGEST_MM)
    return (a + way)[fine], np.stack([one, two], axis=1)[fine], radius[fine]


def _covered(points: Points, centre: Points, plane: Points, radius: Floats, half: float) -> Floats:
    """(t,) how much of each circle's round has ink."""
    out = np.zeros(len(radius))
    for start in range(0, len(radius), 256):
        part = slice(start, start + 256)
        off = points[None] - centre[part, None]
        flat = np.einsum("tpc,tkc->tpk", off, plane[part])
        up = np.abs(np.einsum("tpc,tc->tp", off, np.cross(plane[part, 0], plane[part, 1])))
        r = radius[part, None]
        on = (np.abs(np.hypot(flat[..., 0], flat[..., 1]) - r) < half + _SLACK * r) & (up < 0.4 * r + 2.0)
        sector = np.floor((np.arctan2(flat[..., 1], flat[..., 0]) / (2 * np.pi) + 0.5) * _SECTORS).astype(np.int64)
        row = np.broadcast_to(np.arange(len(off))[:, None], on.shape)
        seen = np.zeros((len(off), _SECTORS), dtype=np.bool_)
        seen[row[on], sector[on] % _SECTORS] = True
        out[part] = seen.mean(axis=1)
    return out


def _on(circle: Circle, points: Points, half: float) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    up = np.abs((points - circle.centre) @ np.cross(circle.plane[0], circle.plane[1]))
    near = np.abs(circle.off(points)) < half + 0.5 + _SLACK * circle.radius
    return np.asarray(near & (up < 0.45 * circle.radius + 2.0))


def _lies_on(circle: Circle, points: Points, area: float, half: float) -> bool:
    """A piece lies on a circle if nearly all its ink does; of a small one, ragged with patchy pencil, most."""
    return bool(_on(circle, points, half).mean() > (0.65 if area < _SMALL_MM2 else 0.85))
