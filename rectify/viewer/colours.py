"""Colours of a displacement: brown where material is added, teal where it is taken away, pale where nothing moves.

Brown and teal stay apart for the common kinds of colour blindness; both darken evenly with the amount, so that a
grey print still shows how much. Which of the two it is, lines tell (solid and dashed), not the colour alone.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Floats

__all__ = ["BUILD_UP", "INK", "PENCIL", "REDUCTION", "STILL", "STOPS", "displacement_colours", "scale_top"]

STILL = (240, 237, 230)
_BUILD = ((240, 237, 230), (233, 208, 158), (212, 160, 86), (167, 106, 36), (104, 58, 12))
_REDUCE = ((240, 237, 230), (174, 216, 211), (98, 176, 172), (30, 122, 124), (4, 70, 78))
STOPS = (*_REDUCE[:0:-1], *_BUILD)  # evenly from the deepest reduction to the highest build-up, 9 colours
BUILD_UP, REDUCTION = "#8a5316", "#0f6a70"  # for words and rules on white: contrast over 4.5
PENCIL = "#5a2a86"  # outlines, as drawn on a cast with an indelible pencil
INK = "#20262b"


def scale_top(move: Floats) -> float:
    """Where the colour scale ends, either way: the largest move, rounded up to a whole mm, at least 2 mm.

    Given the moves without what forms walls and the brim, a flare of 10 mm has the scale's last colour and leaves the
    amounts theirs.
    """
    return float(max(2.0, np.ceil(np.abs(move).max(initial=0.0))))


def displacement_colours(move: Floats, top: float) -> NDArray[np.float64]:
    """Colours of moves (...,) mm: (..., 3) from 0 to 255; NaN is white.

    Parameters
    ----------
    top : float, mm
        Where the scale ends, either way.
    """
    share = np.clip(np.nan_to_num(move) / top, -1.0, 1.0)
    steps = np.linspace(0.0, 1.0, len(_BUILD))

    def ramp(stops: tuple[tuple[int, int, int], ...]) -> NDArray[np.float64]:
        table = np.array(stops, dtype=np.float64)
        return np.stack([np.interp(np.abs(share), steps, table[:, i]) for i in range(3)], axis=-1)

    out = np.where((share > 0)[..., None], ramp(_BUILD), ramp(_REDUCE))
    return np.where(np.isnan(move)[..., None], 255.0, out)
