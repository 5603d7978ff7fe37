"""Where names go on a crowded picture: each near its place, none over another, none over a mark.

Greedy and the same every time: names are placed in the order given; each takes the cheapest of a fixed set of
places about its anchor. Where all places are taken it takes the least bad one: a name is never left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Label", "place_labels"]

_RINGS = (0.0, 4.0, 8.0, 12.0, 17.0, 23.0, 30.0, 38.0, 47.0, 57.0)  # gaps tried, in picture units
_TURNS = 16
_OVERLAP, _OUTSIDE, _FAR = 60.0, 400.0, 1.0


@dataclass(frozen=True)
class Label:
    """A name to be placed.

    Parameters
    ----------
    anchor : (x, y)
        What it names.
    width, height : float
        Of the text.
    centred : bool
        It may lie on its anchor; otherwise beside it.
    """

    anchor: tuple[float, float]
    width: float
    height: float
    centred: bool


def place_labels(
    labels: Sequence[Label], frame: tuple[float, float, float, float], taken: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Middles of the texts, (k, 2).

    Parameters
    ----------
    labels : k labels, the most important first
    frame : (x0, y0, x1, y1)
        Where texts may lie.
    taken : (t, 4)
        Boxes x0, y0, x1, y1 that are better left free.
    """
    boxes = [taken.reshape(-1, 4)]
    out = np.zeros((len(labels), 2))
    for i, label in enumerate(labels):
        middles = _candidates(label)
        half = np.array([label.width, label.height]) / 2
        tried = np.concatenate([middles - half, middles + half], axis=1)
        reach = np.linalg.norm(middles - label.anchor, axis=1)
        cost = _FAR * reach + _OVERLAP * _overlap(tried, np.concatenate(boxes)) + _OUTSIDE * _sticking_out(tried, frame)
        best = int(np.argmin(np.round(cost, 6)))
        out[i] = middles[best]
        boxes.append(tried[best : best + 1])
    return out


def _candidates(label: Label) -> NDArray[np.float64]:
    turns = np.arange(_TURNS) * (2 * np.pi / _TURNS)
    way = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    half = np.array([label.width, label.height]) / 2
    anchor = np.array(label.anchor)
    # beside the anchor: the text's box touches a circle of the ring's gap
    reach = np.sign(np.round(way, 6)) * half * np.minimum(1.0, 2 * np.abs(way))
    beside = [anchor + way * (gap + 3.0) + reach for gap in _RINGS]
    return np.concatenate(([anchor[None]] if label.centred else []) + beside)


def _overlap(tried: NDArray[np.float64], boxes: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much of each tried box is covered, as a share of its own area plus a step for being touched at all."""
    if len(boxes) == 0:
        return np.zeros(len(tried))
    low = np.maximum(tried[:, None, :2], boxes[None, :, :2])
    high = np.minimum(tried[:, None, 2:], boxes[None, :, 2:])
    area = np.prod(np.clip(high - low, 0.0, None), axis=2)
    own = np.prod(tried[:, 2:] - tried[:, :2], axis=1)[:, None]
    return np.asarray((area / own + 0.5 * (area > 0)).sum(axis=1))


def _sticking_out(tried: NDArray[np.float64], frame: tuple[float, float, float, float]) -> NDArray[np.float64]:
    x0, y0, x1, y1 = frame
    over = np.stack([x0 - tried[:, 0], y0 - tried[:, 1], tried[:, 2] - x1, tried[:, 3] - y1], axis=1)
    over = np.clip(over, 0.0, None)
    return np.asarray((over > 0).any(axis=1) + over.sum(axis=1), dtype=np.float64)
