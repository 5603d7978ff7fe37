"""Plain letters of our own as strokes, to be cut into waste: capitals, figures and the signs a case code may have.

Every letter stands on a grid 4 wide and 6 high. Curves are drawn with corners: a cutter rounds them anyway.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Floats

__all__ = ["distance_to_strokes", "lettered", "strokes_of"]

# strokes are parted by a space, their points written as x and y one after the other
_LETTERS = {
    "A": "002640 1232",
    "B": "00063645443303 3342413000",
    "C": "4536160501103041",
    "D": "00062644422000",
    "E": "46060040 0333",
    "F": "460600 0333",
    "G": "4536160501103041432333",
    "H": "0006 4046 0343",
    "I": "1030 2026 1636",
    "J": "46413010 0110",
    "K": "0006 460340",
    "L": "060040",
    "M": "0006234640",
    "N": "00064046",
    "O": "160501103041453616",
    "P": "00063645443303",
    "Q": "160501103041453616 2240",
    "R": "00063645443303 2340",
    "S": "4536160504133342413010 0110",
    "T": "2026 0646",
    "U": "060110304146",
    "V": "062046",
    "W": "0610233046",
    "X": "0046 0640",
    "Y": "062346 2320",
    "Z": "06460040",
    "0": "160501103041453616 0145",
    "1": "152620 1030",
    "2": "0516364544000040",
    "3": "05163645443342413010 0110 1333",
    "4": "36020242 3430",
    "5": "460603334241301001",
    "6": "4536160501103041423303",
    "7": "064610",
    "8": "130405163645443313020110304142 3342",
    "9": "0110304145361605041343",
    "-": "1333",
    "_": "0040",
    ".": "2021",
}
_WIDE, _HIGH, _STEP = 4.0, 6.0, 5.5  # of the grid; from one letter to the next


def strokes_of(text: str) -> list[NDArray[np.float64]]:
    """The strokes of a line of text, each (k, 2), letters 1 high, the middle of the line at the origin.

    Small letters are drawn as capitals; what is no letter of ours leaves a gap.
    """
    long = _STEP * (len(text) - 1) + _WIDE
    out = []
    for i, letter in enumerate(text.upper()):
        for stroke in _LETTERS.get(letter, "").split():
            points = np.array([int(digit) for digit in stroke], dtype=np.float64).reshape(-1, 2)
            out.append((points + np.array([i * _STEP - long / 2, -_HIGH / 2])) / _HIGH)
    return out


def lettered(text: str) -> tuple[float, float]:
    """Width and height of a line of text whose letters are 1 high."""
    return (_STEP * (len(text) - 1) + _WIDE) / _HIGH, 1.0


def distance_to_strokes(points: NDArray[np.float64], strokes: list[NDArray[np.float64]]) -> Floats:
    """How far points (n, 2) are from the nearest stroke; infinitely where there is none."""
    best = np.full(len(points), np.inf)
    for stroke in strokes:
        for a, b in pairwise(stroke):
            ab = b - a
            size = float(ab @ ab)
            share = np.clip((points - a) @ ab / size, 0.0, 1.0) if size else np.zeros(len(points))
            far = np.hypot(*(points - a - share[:, None] * ab).T)
            best = np.minimum(best, far)
    return best
