"""Values on a grid, read anywhere between: a cubic spline (or straight lines) along both ways.

The rows end: past the first and the last the grid is as in a mirror half a step off. The columns end likewise, or run
round. Reading several grids at the same places, as the three parts of a normal, finds the way there once: `Reading`. It
is what scipy's ndimage does with order 3 and mode "reflect", in half the time where three grids are read at many places
(measured), and with no seam at all where the columns run round.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Floats, Ints

__all__ = ["GridSpline", "Reading", "Steps"]

_FEW = 256  # places: then all sixteen values about each are taken at once


@dataclass(frozen=True, eq=False)
class GridSpline:
    """A grid made ready to be read.

    Parameters
    ----------
    coefficients : (k + 3, c + 3)
        With one row and column before the grid's own and two behind.
    order : 1 or 3
    """

    coefficients: Floats
    order: int

    @classmethod
    def of(cls, grid: NDArray[np.float64], *, around: bool, order: int = 3) -> GridSpline:
        """Of a grid (k, c), k and c at least 2; `around`: its columns run round."""
        inner = np.asarray(grid, dtype=np.float64)
        if order == 3:
            inner = _mirrored_filter(inner)
            inner = _circular_filter(inner) if around else _mirrored_filter(inner.T).T
        rows = np.concatenate([inner[:1], inner, inner[-1:], inner[-2:-1]])
        ends = (rows[:, -1:], rows[:, :2]) if around else (rows[:, :1], rows[:, -1:-3:-1])
        columns = [ends[0], rows, ends[1]]
        return cls(np.ascontiguousarray(np.concatenate(columns, axis=1)), order)

    @property
    def shape(self) -> tuple[int, int]:
        """(k, c) of the grid."""
        return self.coefficients.shape[0] - 3, self.coefficients.shape[1] - 3


@dataclass(frozen=True, eq=False)
class Steps:
    """Places along one way of a grid: the value at or before each (n,), and what the four about it count for (4, n).

    One place alone, n = 1, goes with any number of places along the other way.
    """

    at: Ints
    weights: Floats

    @classmethod
    def of(cls, places: Floats, count: int, order: int = 3) -> Steps:
        """Of places in [0, count - 1], or in [0, count) where the grid runs round."""
        at = np.minimum(places.astype(np.int64), count - 1)
        return cls(at, (_cubic if order == 3 else _straight)(places - at))


class Reading:
    """Places of a grid (k, c): the way to its values there, for reading several grids at the same places."""

    def __init__(self, down: Steps, along: Steps, shape: tuple[int, int]) -> None:
        self._width = shape[1] + 3
        self._down, self._along = down, along

    @classmethod
    def at(cls, rows: Floats, columns: Floats, shape: tuple[int, int], order: int = 3) -> Reading:
        """At rows and columns, (n,) each."""
        return cls(Steps.of(rows, shape[0], order), Steps.of(columns, shape[1], order), shape)

    def of(self, spline: GridSpline) -> Floats:
        """The values there, (n,); the same to the bit however many places are read together, more than one.

        Along a single row or column a grid is a line of values: four of them count for each place instead of sixteen.
        """
        down, along = self._down, self._along
        if len(down.at) == 1 < len(along.at):
            rows = spline.coefficients[down.at[0] : down.at[0] + 4]
            return _on_line(np.add.reduce(rows * down.weights), along)
        if len(along.at) == 1 < len(down.at):
            columns = spline.coefficients[:, along.at[0] : along.at[0] + 4]
            return _on_line(np.add.reduce(columns * along.weights.T, axis=1), down)
        # in units of the coefficients, whose first row and column are one before the grid's own
        flat, first = spline.coefficients.ravel(), down.at * self._width + along.at
        n = len(first)
        if n <= _FEW:
            block = flat.take(first + _offsets(self._width))
            rows = np.add.reduce(block * along.weights, axis=1)
            return np.asarray(np.add.reduce(rows * down.weights, axis=0))
        out = np.zeros(n)
        for i in range(4):
            row = np.zeros(n)
            for j in range(4):
                part = flat.take(first + (i * self._width + j))
                part *= along.weights[j]
                row += part
            row *= down.weights[i]
            out += row
        return out


def _on_line(values: Floats, steps: Steps) -> Floats:
    """Between the coefficients of one row or column: (n,)."""
    out = np.zeros(len(steps.at))
    for i in range(4):
        part = values.take(steps.at + i)
        part *= steps.weights[i]
        out += part
    return out


@lru_cache(maxsize=64)
def _offsets(width: int) -> Ints:
    """(4, 4, 1) from the first value about a place to the others."""
    return (np.arange(4)[:, None] * width + np.arange(4))[:, :, None]


def _cubic(t: Floats) -> Floats:
    """What the coefficients one before, at, one and two behind count for, a share t past the one at: (4, n)."""
    u, out = 1.0 - t, np.empty((4, len(t)))
    out[0], out[3] = u * u * u / 6.0, t * t * t / 6.0
    out[1], out[2] = (4.0 + 3.0 * t * t * (t - 2.0)) / 6.0, (4.0 + 3.0 * u * u * (u - 2.0)) / 6.0
    return out


def _straight(t: Floats) -> Floats:
    out = np.zeros((4, len(t)))
    out[1], out[2] = 1.0 - t, t
    return out


def _mirrored_filter(grid: Floats) -> Floats:
    """Coefficients along the first axis whose spline goes through the values, mirrored at both ends."""
    k = len(grid)
    rows = np.zeros((k, k))
    i = np.arange(k)
    rows[i, i] = 4.0 / 6.0
    rows[i[1:], i[:-1]] = rows[i[:-1], i[1:]] = 1.0 / 6.0
    rows[0, 0] = rows[-1, -1] = 5.0 / 6.0
    return np.asarray(np.linalg.solve(rows, grid))


def _circular_filter(grid: Floats) -> Floats:
    """The same along the second axis, whose ends meet."""
    c = grid.shape[1]
    turn = np.arange(c // 2 + 1) * (2.0 * np.pi / c)
    return np.fft.irfft(np.fft.rfft(grid, axis=1) / ((2.0 + np.cos(turn)) / 3.0), n=c, axis=1)
