"""Looking for one landmark on a limb: where it is expected, times how well the shape there agrees.

Over the cells of a window the expectation (normal in level and direction) is weighed by relief, each relief counted
in its own standard deviations over the window. Some doubt is kept that the shape says nothing, so the expectation
never vanishes. Of the result come a place (where most of it lies within a few mm), how far one must go from there to
hold nine tenths of it, and its mean and spread. Cells without skin are neither for nor against.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rectify.geometry.mesh import Floats
from rectify.limb.chart import wrap_deg
from rectify.limb.estimates.relief import Ground, Relief
from rectify.limb.spot import Spot

__all__ = ["Across", "Found", "Window", "search"]

Across = Literal["", "direction", "level"]

_REACH = 4.0  # standard deviations to which the window goes
_LEAST_SD = (1.5, 1.5)  # mm, degrees: the grid is no finer
_LOW, _HIGH = -3.0, 4.0  # standard deviations of relief that are counted at most
_NEAR, _NEAR_MM = 0.4, (4.0, 15.0)  # what counts as one place: a share of the spread, at least and at most so many mm
_STEPS, _STILL = 40, 1e-9  # of moving to the middle; mm and degrees
_HELD = 0.9  # the share of belief the uncertainty holds


@dataclass(frozen=True, eq=False)
class Window:
    """Cells to look at: rows and columns of the ground's grid, and the expectation over them (n,), summing to 1."""

    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    expected: Floats

    def take(self, grid: Floats) -> Floats:
        return np.asarray(grid[self.rows, self.columns])

    def standardised(self, ground: Ground, kind: Relief) -> Floats:
        """A relief over the window in its own standard deviations; 0 where there is no skin."""
        value, there = self.take(ground.relief(kind)), self.take(ground.trusted)
        weight = self.expected * there
        if weight.sum() <= 1e-9:
            return np.zeros(len(value))
        middle = float(np.average(value, weights=weight))
        spread = float(np.sqrt(np.average((value - middle) ** 2, weights=weight)))
        return np.asarray(np.clip((value - middle) / max(spread, kind.floor_mm), _LOW, _HIGH) * there)

    @classmethod
    def about(cls, ground: Ground, mean: Floats, covariance: Floats) -> Window | None:
        """The cells within reach of an expectation; None where there are none."""
        spread = covariance + np.diag(np.square(_LEAST_SD))
        off = np.stack([ground.level - mean[0], wrap_deg(ground.phi - mean[1])], axis=-1)
        square = np.einsum("...i,ij,...j", off, np.linalg.inv(spread), off)
        rows, columns = np.nonzero(square < _REACH**2)
        if not len(rows):
            return None
        weight = np.exp(-0.5 * square[rows, columns]) * ground.share[rows, columns]
        if weight.sum() <= 0:
            return None
        return cls(rows, columns, weight / weight.sum())


@dataclass(frozen=True, eq=False)
class Found:
    """What a search came to.

    Parameters
    ----------
    spot : Spot
    radius_mm : float
        Within it of the spot lies nine tenths of what is believed.
    mean, covariance : (2,), (2, 2)
        Level (mm) and direction (degrees).
    narrowed : float
        Spread after looking over spread before: 1 where the shape said nothing.
    """

    spot: Spot
    radius_mm: float
    mean: Floats
    covariance: Floats
    narrowed: float


def search(
    ground: Ground,
    mean: Floats,
    covariance: Floats,
    shape: Sequence[tuple[Relief, float]],
    doubt: float,
    across: Across = "",
) -> Found | None:
    """Look for a place expected at `mean` (level, direction) with that covariance.

    Parameters
    ----------
    shape : (relief, strength) pairs
        Strength is how much one standard deviation of that relief counts, as a logarithm.
    doubt : float in (0, 1)
        How much is kept for the shape saying nothing.
    across : "", "direction" or "level"
        For a point of a line: in which coordinate it can be off; along its line it cannot.

    Returns
    -------
    Found, or None where the expectation lies wholly off the chart.
    """
    window = Window.about(ground, mean, covariance)
    if window is None:
        return None
    belief = window.expected
    for kind, strength in shape:
        belief = _told(window, belief, strength * window.standardised(ground, kind), kind, doubt)
    off = np.stack([window.take(ground.level) - mean[0], wrap_deg(window.take(ground.phi) - mean[1])], axis=1)
    middle, spread = _moments(off, belief)
    per_degree = float(np.radians(max(float(belief @ window.take(ground.out)), 1.0)))
    scale = np.array([1.0, per_degree])
    after, before = (_spread_mm(part, scale) for part in (spread, _moments(off, window.expected)[1]))
    spot = _densest(ground, window, belief, per_degree, float(np.clip(_NEAR * after, *_NEAR_MM)))
    radius = _radius(ground, window, belief, spot, across)
    return Found(spot, radius, mean + middle, spread, after / before if before > 0 else 1.0)


def _told(window: Window, before: Floats, score: Floats, kind: Relief, doubt: float) -> Floats:
    """Belief after a relief was looked at: its own reading, mixed with what was believed before.

    How much the reading is worth goes by how much better it explains the window than no relief would (the ratio of
    their likelihoods), against the doubt.
    """
    told = before * np.exp(score)
    better = (1.0 - doubt) * float(told.sum())
    if kind.tells != "place":
        line = window.rows if kind.tells == "direction" else window.columns
        share, own = np.bincount(line, before), np.bincount(line, told)
        told = told * (share / np.where(own > 0, own, 1.0))[line]
    return np.asarray((better * told / told.sum() + doubt * before) / (better + doubt))


def _moments(off: Floats, belief: Floats) -> tuple[Floats, Floats]:
    middle = belief @ off
    return middle, (off - middle).T @ ((off - middle) * belief[:, None])


def _spread_mm(covariance: Floats, scale: Floats) -> float:
    return float(np.sqrt((np.diag(covariance) * scale**2).sum()))


def _densest(ground: Ground, window: Window, belief: Floats, per_degree: float, near_mm: float) -> Spot:
    """Where most of what is believed lies within some mm: the best cell, then to the middle of what is about it."""
    station, angle = ground.stations[window.rows], ground.angles[window.columns]
    grid: Floats = np.zeros_like(ground.phi)
    grid[window.rows, window.columns] = belief
    soft = ndimage.gaussian_filter1d(grid, near_mm / ground.row_mm, axis=0, mode="constant", truncate=3.0)
    column_mm = per_degree * 360.0 / grid.shape[1]
    soft = ndimage.gaussian_filter1d(soft, near_mm / column_mm, axis=1, mode="wrap", truncate=3.0)
    best = int(np.argmax(window.take(soft)))
    at = np.array([station[best], angle[best]])
    for _ in range(_STEPS):
        off = np.stack([station - at[0], wrap_deg(angle - at[1])], axis=1)
        near = belief * np.exp(-0.5 * (off[:, 0] ** 2 + (per_degree * off[:, 1]) ** 2) / near_mm**2)
        move = near @ off / near.sum()
        at = at + move
        if abs(move[0]) + abs(move[1]) < _STILL:
            break
    return Spot(float(at[0]), float(wrap_deg(at[1])))


def _radius(ground: Ground, window: Window, belief: Floats, spot: Spot, across: Across) -> float:
    """How far from a spot one must go to hold nine tenths of a belief, mm; for a point of a line, across it."""
    if across == "level":
        return _holds(ground.stations[window.rows] - spot.station_mm, belief, ground.row_mm)
    if across == "direction":
        column = np.radians(360.0 / len(ground.angles))
        turn = np.radians(wrap_deg(ground.angles[window.columns] - spot.angle_deg))
        out = window.take(ground.out)
        return _holds(turn * out, belief, float(column * np.average(out, weights=belief)))
    here = ground.place(np.array([spot.station_mm]), np.array([spot.angle_deg]))[0]
    return _holds(np.linalg.norm(window.take(ground.surface) - here, axis=1), belief)


def _holds(off: Floats, belief: Floats, cell_mm: float = 0.0) -> float:
    """The distance that holds nine tenths of a belief; cells as wide as told, or points."""
    parts = np.linspace(-0.4, 0.4, 5) * cell_mm if cell_mm else np.zeros(1)  # a cell's belief lies all over it
    gap = np.abs(off[:, None] + parts).ravel()
    share = np.repeat(belief / len(parts), len(parts))
    order = np.argsort(gap, kind="stable")
    held = np.cumsum(share[order])
    return float(np.interp(_HELD, held / held[-1], gap[order]))
