"""How much pencil there is at each vertex, whatever the light.

A vertex' colour is divided by the background's about it, channel by channel, so that shading and the warmth of a
lamp cancel. What is missing of 1 then lies along the pencil's own direction where there is pencil. The amount is
the best linear estimate along that direction, given how the bare surface itself varies: grey grain counts for
little where the pencil is coloured, and what has another hue counts for nothing.

1 is a firm stroke of this pencil on this surface: the scale is taken from the strongest marks. Not promised: marks
fainter than a fifth of a firm stroke, or than six standard deviations of the surface's own variation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rectify.errors import CaseError
from rectify.geometry.mesh import Floats, Points
from rectify.marks.cloud import closest, closest_few
from rectify.marks.colours import PencilColour

__all__ = ["Pigment", "background", "pigment"]

CELL_MM = 4.0  # the background is taken in cells of this size
REACH_MM = 18.0  # and is the median of the cells within this distance
FAINTEST = 0.2  # of a firm stroke: what is below is no mark
FAINTEST_GREY = 0.4  # the same for a black pencil, which shadow resembles
SURE_SIGMAS = 6.0  # of the bare surface's variation
OF_COLOUR = 0.35  # of a coloured pencil's colour to its darkness: what has less is shadow, dirt or black
_NEAR_INK_MM = 3.0  # vertices this close to ink are kept out of the background
PLASTER = np.array([236.0, 232.0, 221.0])  # sRGB of plaster of Paris in even light: common practice, no source
_DARKEST = 24.0  # of 255: below this a colour cannot be told
_FLOOR = 0.012  # of 1: three steps of 255, what no camera resolves better
_GREY_FLOOR = 0.04  # of 1: grain and soft shadow that any surface has
_ROUNDS = 2
_LEAST_STRONG = 12  # vertices from which the pencil's own colour may be learnt

Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Pigment:
    """The amount of pencil per vertex.

    Parameters
    ----------
    amount : (n,)
        0 bare, 1 a firm stroke; noise about 0 is kept.
    sigma : float
        Standard deviation of `amount` on the bare surface.
    found : bool
        Whether anything is strong enough to be a mark.
    rgb : (3,)
        The pencil's colour as learnt, on this surface's average background, 0 to 255.
    strength : float
        A firm stroke here, in firm strokes of the pencil the colour's word stands for.
    """

    amount: Floats
    sigma: float
    found: bool
    rgb: Floats
    strength: float


def pigment(points: Points, colours: NDArray[np.uint8], pencil: PencilColour) -> Pigment:
    """Estimate the amount of pencil at each vertex.

    Parameters
    ----------
    points : (n, 3) mm
    colours : (n, 3) uint8
    pencil : PencilColour

    Raises
    ------
    CaseError
        If the pencil cannot be told from the surface: it is of the surface's colour, or the surface is black.
    """
    values = colours.astype(np.float64)
    ground = np.median(values, axis=0)
    away = _away(pencil, np.percentile(values, 95.0, axis=0))
    clean = np.ones(len(points), dtype=np.bool_)
    learnt, strength = away, 1.0
    faintest = FAINTEST_GREY if _grey(away) else FAINTEST
    for _ in range(_ROUNDS):
        missing = 1.0 - np.clip(values, 1.0, None) / background(points, values, clean)
        amount, sigma = _amount(missing, clean, learnt)
        strong = amount > max(SURE_SIGMAS * sigma, faintest / strength)
        strong &= _same_hue(missing, away, 45.0) & _same_hue(missing, learnt, 35.0)
        clean = _clear_of(points, amount > max(3.5 * sigma, 0.1))
        if strong.sum() < _LEAST_STRONG:
            return Pigment(amount, sigma, False, np.asarray(pencil.rgb, dtype=np.float64), 1.0)
        best = strong & (amount > 0.6 * np.percentile(amount[strong], 85.0))
        learnt = np.median(missing[best], axis=0)
        strength = float(learnt @ away / (away @ away))
    missing = 1.0 - np.clip(values, 1.0, None) / background(points, values, clean)
    amount, sigma = _amount(missing, clean, learnt)
    own = _same_hue(missing, learnt, 40.0, slack=3.0 * sigma)
    amount = np.where(own, amount, np.minimum(amount, 0.0))
    found = bool((amount > max(SURE_SIGMAS * sigma, faintest / max(strength, 1e-6))).sum() >= 3)
    return Pigment(amount, sigma, found, (1.0 - learnt) * ground, strength)


def background(points: Points, values: Points, clean: Bools) -> Points:
    """The bare surface's colour about each vertex: (n, 3), at least 1.

    The median of the clean vertices of each cell, then of the cells about, then interpolated.

    Parameters
    ----------
    points : (n, 3) mm
    values : (n, 3)
    clean : (n,) bool
        Which vertices may serve.
    """
    where, what = _cells(points[clean], values[clean])
    _, index = closest_few(where, where, 64, REACH_MM)
    padded = np.concatenate([what, np.full((1, 3), np.nan)])
    smooth = np.nanmedian(padded[index], axis=1)  # a cell is its own neighbour: never empty
    gap, index = closest_few(points, where, 6)
    weight = np.exp(-0.5 * ((gap - gap[:, :1]) / CELL_MM) ** 2) / (gap + 0.5 * CELL_MM)
    mixed = np.einsum("nk,nkc->nc", weight, smooth[index]) / weight.sum(axis=1)[:, None]
    return np.asarray(np.maximum(mixed, 1.0))


def _cells(points: Points, values: Points) -> tuple[Points, Points]:
    """Mean place and median value of the points in each cell of a cubic grid."""
    low = points.min(axis=0)
    key = np.floor((points - low) / CELL_MM).astype(np.int64)
    size = key.max(axis=0) + 1
    _, cell, count = np.unique(
        (key[:, 0] * size[1] + key[:, 1]) * size[2] + key[:, 2], return_inverse=True, return_counts=True
    )
    where = np.stack([np.bincount(cell, weights=points[:, i]) / count for i in range(3)], axis=1)
    starts = np.cumsum(count) - count
    what = np.empty((len(count), 3))
    for channel in range(3):
        value = values[np.lexsort((values[:, channel], cell)), channel]
        what[:, channel] = (value[starts + (count - 1) // 2] + value[starts + count // 2]) / 2
    return where, what


def _away(pencil: PencilColour, ground: Floats) -> Floats:
    """What a firm stroke takes from the surface's colour, as a share of it: (3,).

    Against plaster in even light, where the words' colours were taken, so that a dim scan does not change the hue;
    `ground` (3,) is the surface where it is well lit, from which the pencil must differ.
    """
    if ground.max() < _DARKEST:
        raise CaseError(
            "the surface is too dark for pencil marks to be told",
            key="scan.marks",
            wanted=f"a surface lighter than {_DARKEST:.0f} of 255",
            found=f"{ground.max():.0f} on average",
            hint="scan with more light, or take `marks` out and give the landmarks by hand",
        )
    rgb = np.asarray(pencil.rgb, dtype=np.float64)
    away = 1.0 - rgb / PLASTER
    if min(np.linalg.norm(away), np.linalg.norm(1.0 - rgb / np.maximum(ground, 1.0))) < 0.15:
        raise CaseError(
            f"a {pencil.says} pencil cannot be told from the surface",
            key="scan.marks.colour",
            wanted="the colour of the pencil that was used",
            found=f"a surface of #{''.join(f'{round(c):02x}' for c in ground)} on average",
        )
    return np.asarray(away)


def _amount(missing: Points, clean: Bools, learnt: Floats) -> tuple[Floats, float]:
    """The best linear estimate along the pencil's direction, and its spread on the bare surface.

    With covariance C of the bare surface and direction e it is (e' C^-1 x) / (e' C^-1 e): Gauss and Markov.
    """
    bare = missing[clean] if clean.sum() > 100 else missing
    middle = np.median(bare, axis=0)
    spread = 1.4826 * np.median(np.abs(bare - middle), axis=0)
    usual = (np.abs(bare - middle) < 3.0 * spread + 0.01).all(axis=1)
    noise = np.cov(bare[usual].T) if usual.sum() > 10 else np.zeros((3, 3))
    noise = noise + np.eye(3) * _FLOOR**2 + np.full((3, 3), _GREY_FLOOR**2)
    pull = np.linalg.solve(noise, learnt)
    amount = (missing - middle) @ pull / (learnt @ pull)
    of_bare = amount[clean] if clean.sum() > 100 else amount
    sigma = 1.4826 * float(np.median(np.abs(of_bare - np.median(of_bare))))
    return np.asarray(amount), max(sigma, _FLOOR)


def _same_hue(missing: Points, learnt: Floats, within_deg: float, slack: float = 0.05) -> Bools:
    """Whether what is missing has the pencil's hue, or, of a grey pencil, none."""
    grey = missing.mean(axis=1)
    chroma, own = missing - grey[:, None], learnt - learnt.mean()
    if _grey(learnt):
        off = chroma - own * (grey / learnt.mean())[:, None]
        return np.asarray(np.linalg.norm(off, axis=1) < 0.25 * np.maximum(grey, 0.0) + 0.02)
    along = chroma @ own / np.linalg.norm(own)
    across = np.linalg.norm(chroma - np.outer(along, own / np.linalg.norm(own)), axis=1)
    # as colourful as it is dark, near enough: black ink has a hue too, by a hair
    colourful = along > OF_COLOUR * np.linalg.norm(own) / max(float(learnt.mean()), 0.05) * grey
    return np.asarray((along > 0) & colourful & (across < np.tan(np.radians(within_deg)) * along + slack))


def _grey(learnt: Floats) -> bool:
    """Whether a pencil is black, or nearly: it takes all channels alike."""
    return float(np.linalg.norm(learnt - learnt.mean())) < 0.12


def _clear_of(points: Points, inked: Bools) -> Bools:
    """Vertices away from any ink; all of them where the ink would take more than 60 % of the surface."""
    if not inked.any():
        return np.ones(len(points), dtype=np.bool_)
    gap, _ = closest(points, points[inked], _NEAR_INK_MM)
    clear: Bools = ~np.isfinite(gap)
    return clear if clear.mean() > 0.4 else ~inked if (~inked).mean() > 0.4 else np.ones(len(points), dtype=np.bool_)
