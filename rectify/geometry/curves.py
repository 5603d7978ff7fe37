"""Curves through given values: monotone between them, or as smooth as a cubic can be.

The same curves as scipy's PchipInterpolator (Fritsch & Carlson 1980, SIAM J Numer Anal 17:238-246; title from memory)
and CubicSpline with its not-a-knot ends, to rounding; importing those takes longer than all that is asked of them here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.geometry.mesh import Floats

__all__ = ["Curve", "monotone", "smooth"]


@dataclass(frozen=True, eq=False)
class Curve:
    """A cubic piece between each two knots, carried on beyond the ends.

    Parameters
    ----------
    knots : (k,) ascending
    values, slopes : (k,)
    """

    knots: Floats
    values: Floats
    slopes: Floats

    def __call__(self, at: Floats) -> Floats:
        """The curve's values at places of any shape."""
        i = np.clip(np.searchsorted(self.knots, at, side="right") - 1, 0, len(self.knots) - 2)
        width = np.diff(self.knots)
        secant = np.diff(self.values) / width
        bend = (self.slopes[:-1] + self.slopes[1:] - 2.0 * secant) / width
        second, third = (secant - self.slopes[:-1]) / width - bend, bend / width
        t = at - self.knots.take(i)
        return np.asarray(self.values.take(i) + t * (self.slopes.take(i) + t * (second.take(i) + t * third.take(i))))


def monotone(knots: Floats, values: Floats) -> Curve:
    """Through two values or more, rising only where they rise and falling only where they fall."""
    width = np.diff(knots)
    secant = np.diff(values) / width
    if len(knots) == 2:
        return Curve(knots, values, np.full(2, secant[0]))
    slopes = np.zeros(len(knots))
    before, after = secant[:-1], secant[1:]
    one, two = 2.0 * width[1:] + width[:-1], width[1:] + 2.0 * width[:-1]
    bends = before * after > 0  # elsewhere it is level there
    slopes[1:-1][bends] = (one + two)[bends] / (one[bends] / before[bends] + two[bends] / after[bends])
    slopes[0] = _end_slope(width[0], width[1], secant[0], secant[1])
    slopes[-1] = _end_slope(width[-1], width[-2], secant[-1], secant[-2])
    return Curve(knots, values, slopes)


def _end_slope(width: float, next_width: float, secant: float, next_secant: float) -> float:
    slope = ((2.0 * width + next_width) * secant - width * next_secant) / (width + next_width)
    if np.sign(slope) != np.sign(secant):
        return 0.0
    if np.sign(secant) != np.sign(next_secant) and abs(slope) > 3.0 * abs(secant):
        return 3.0 * secant
    return float(slope)


def smooth(knots: Floats, values: Floats) -> Curve:
    """Through two values or more, evenly curved: a cubic spline whose outermost two pieces on each side are one."""
    k, width = len(knots), np.diff(knots)
    secant = np.diff(values) / width
    if k == 2:
        return Curve(knots, values, np.full(2, secant[0]))
    rows, right = np.zeros((k, k)), np.zeros(k)
    i = np.arange(1, k - 1)
    rows[i, i - 1], rows[i, i], rows[i, i + 1] = width[1:], 2.0 * (width[1:] + width[:-1]), width[:-1]
    right[i] = 3.0 * (width[1:] * secant[:-1] + width[:-1] * secant[1:])
    if k == 3:  # one parabola
        rows[0, :2] = rows[2, 1:] = 1.0
        right[0], right[2] = 2.0 * secant[0], 2.0 * secant[1]
    else:
        for end, beside, w, v, s, t in (
            (0, 1, width[0], width[1], secant[0], secant[1]),
            (k - 1, k - 2, width[-1], width[-2], secant[-1], secant[-2]),
        ):
            rows[end, end], rows[end, beside] = v, w + v
            right[end] = ((w + 2.0 * (w + v)) * v * s + w * w * t) / (w + v)
    return Curve(knots, values, np.asarray(np.linalg.solve(rows, right), dtype=np.float64))
