"""How weights rise over a feather and how regions come together.

Regions of one kind blend as W = 1 - prod(1 - w), A = sum(w a) / sum(w), D = W A: no order, no dip, never
more than the largest. Build-up wins: total = D_build W-weighted over D_reduce. All arrays are per place.
"""

from __future__ import annotations

import numpy as np

from rectify.geometry.mesh import Floats

__all__ = ["QUINTIC_SLOPE", "blend_kind", "quintic", "together"]

QUINTIC_SLOPE = 1.875  # steepest slope of the quintic step, per unit of amount over feather: 30 t²(1-t)² at 1/2


def quintic(t: Floats) -> Floats:
    """The step 6t⁵ - 15t⁴ + 10t³ on [0, 1], flat to second order at both ends; 0 below, 1 above."""
    t = np.clip(t, 0.0, 1.0)
    return np.asarray(t * t * t * (t * (6.0 * t - 15.0) + 10.0))


def blend_kind(weights: Floats, amounts: Floats) -> tuple[Floats, Floats]:
    """Blend the regions of one kind.

    Parameters
    ----------
    weights, amounts : (r, n) float64
        r regions at n places; amounts in mm.

    Returns
    -------
    W, D : (n,)
        Joint weight, and the joint amount W A in mm; zeros for no regions.
    """
    if len(weights) == 0:
        n = weights.shape[1]
        return np.zeros(n), np.zeros(n)
    if len(weights) == 1:
        return weights[0], weights[0] * amounts[0]
    joint = 1.0 - np.prod(1.0 - weights, axis=0)
    total = weights.sum(axis=0)
    mean = np.divide((weights * amounts).sum(axis=0), total, out=np.zeros_like(total), where=total > 0)
    return joint, joint * mean


def together(w_build: Floats, build: Floats, reduce: Floats) -> Floats:
    """Signed move along the normal (n,), mm: build-up (positive) wins over reduction."""
    return build - (1.0 - w_build) * reduce
