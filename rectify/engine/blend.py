"""How weights rise over a feather and how regions come together.

Regions of one kind blend as W = 1 - prod(1 - w), A = sum(w a) / sum(w), D = W A: no order, no dip, never
more than the largest. Build-up wins: total = (1 - W_build) D_reduce + D_build. Written as shares, one for each
region, the same holds for moves that are vectors.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Floats
from rectify.rulebook.plan import Fall

__all__ = ["QUINTIC_SLOPE", "fallen", "quintic", "shares"]

_PLACES = 2**14  # at a time, so that what lies between stays small
QUINTIC_SLOPE = 1.875  # steepest slope of the quintic step, per unit of amount over feather: 30 t²(1-t)² at 1/2


def quintic(t: Floats) -> Floats:
    """The step 6t⁵ - 15t⁴ + 10t³ on [0, 1], flat to second order at both ends; 0 below, 1 above."""
    t = np.clip(t, 0.0, 1.0)
    return np.minimum(t * t * t * (t * (6.0 * t - 15.0) + 10.0), 1.0)  # rounding may pass 1


def fallen(t: Floats, fall: Fall) -> Floats:
    """How a weight rises over a feather, t from 0 at its outer end to 1: the quintic step; the raised cosine, a little
    less steep; or t³ (4 - 3t), which runs out thin (flat to second order outside, to first at the core)."""
    if fall == "smooth":
        return quintic(t)
    t = np.clip(t, 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * t) if fall == "cosine" else t * t * t * (4.0 - 3.0 * t))


def shares(weights: Floats, builds: NDArray[np.bool_]) -> Floats:
    """How much of each region's own move a place takes: (r, n), so that its move is the sum of shares times moves.

    Parameters
    ----------
    weights : (r, n) float64
        r regions at n places.
    builds : (r,) bool
        Which regions are build-ups; they win over reductions.
    """
    out = np.zeros_like(weights)
    for start in range(0, weights.shape[1], _PLACES):
        at = slice(start, start + _PLACES)
        w_build, out[builds, at] = _of_kind(weights[builds, at])
        _, reduce = _of_kind(weights[~builds, at])
        out[~builds, at] = (1.0 - w_build) * reduce
    return out


def _of_kind(weights: Floats) -> tuple[Floats, Floats]:
    """The joint weight W (n,) of regions of one kind, and each one's share of it (r, n)."""
    if len(weights) == 0:
        return np.zeros(weights.shape[1]), weights
    if len(weights) == 1:
        return weights[0], weights
    joint = 1.0 - np.prod(1.0 - weights, axis=0)
    total = weights.sum(axis=0)
    return joint, weights * np.divide(joint, total, out=np.zeros_like(total), where=total > 0)
