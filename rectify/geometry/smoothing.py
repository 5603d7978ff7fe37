"""A Gaussian along the first way of an array, without the second that scipy's image room takes to load."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["gaussian"]

_CUT = 4.0  # sigmas after which the bell is taken to be nothing


def gaussian(values: NDArray[np.floating[Any]], sigma: float, *, around: bool) -> NDArray[np.float64]:
    """Values smoothed along their first axis, as `scipy.ndimage.gaussian_filter1d` does it.

    Parameters
    ----------
    values : (n, ...)
    sigma : steps, over 0
    around : whether the last value is followed by the first; if not, the ends are as in a mirror half a step off
    """
    reach = int(_CUT * sigma + 0.5)
    bell = np.exp(-0.5 * (np.arange(reach + 1) / sigma) ** 2)
    bell /= bell[0] + 2.0 * bell[1:].sum()
    ends = [(reach, reach)] + [(0, 0)] * (values.ndim - 1)
    long = np.pad(np.asarray(values, dtype=np.float64), ends, mode="wrap" if around else "symmetric")
    n = len(values)
    out: NDArray[np.float64] = bell[0] * long[reach : reach + n]
    for step in range(reach, 0, -1):  # both sides together: a mirror image is smoothed to the same bits
        out += bell[step] * (long[reach - step : reach - step + n] + long[reach + step : reach + step + n])
    return out
