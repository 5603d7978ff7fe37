"""Which found mark is which drawn one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rectify.marks import Mark
from tests.marks.paint import Drawn

NEAR_MM = 6.0


def matched(marks: Sequence[Mark], drawn: Sequence[Drawn]) -> tuple[list[tuple[Drawn, Mark, float]], list[Mark]]:
    """Pairs of a drawn and the found mark within NEAR_MM of it, one to one, its own kind first, and what is left over.

    The distance is between places; of a line, the median of its found course from the drawn one.
    """
    left = list(marks)
    pairs = []
    for mark in drawn:
        offers = [(found.kind != mark.kind, off(found, mark), k) for k, found in enumerate(left)]
        near = [offer for offer in offers if offer[1] < NEAR_MM]
        if near:
            _, gap, k = min(near)
            pairs.append((mark, left.pop(k), gap))
    return pairs, left


def off(found: Mark, mark: Drawn) -> float:
    """How far a found mark lies from a drawn one, mm."""
    if mark.kind == "line" and len(found.curve):
        return float(np.median(np.linalg.norm(found.curve[:, None] - mark.curve[None], axis=2).min(axis=1)))
    return float(np.linalg.norm(found.place - mark.place))
