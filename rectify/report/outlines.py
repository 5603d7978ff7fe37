"""Region outlines, as the engine leaves them for pictures: rings of stations and degrees, divided by rows of NaN."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["rings_of"]

Ring = NDArray[np.float64]


def rings_of(outline: Ring) -> list[Ring]:
    """The rings of an outline (k, 2); those of fewer than two points are left out.

    Examples
    --------
    >>> gap = [np.nan, np.nan]
    >>> [len(ring) for ring in rings_of(np.array([[0.0, 1.0], [2.0, 3.0], gap, [4.0, 5.0], [6.0, 7.0], [8.0, 9.0]]))]
    [2, 3]
    """
    breaks = np.flatnonzero(np.isnan(outline).any(axis=1))
    rings = (part[~np.isnan(part).any(axis=1)] for part in np.split(outline, breaks))
    return [ring for ring in rings if len(ring) > 1]
