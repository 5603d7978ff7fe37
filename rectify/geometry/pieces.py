"""Which of many things hang together: the pieces of a graph, by numpy alone.

Each thing points at the least of its neighbours, those pointers are followed to their ends, and what hangs together is
one thing in the next round. A scan's faces, written in the order of a sweep, take two or three rounds. (scipy's
csgraph gives the same; it takes as long again, and half as long to import as the whole survey of a scan.)
"""

from __future__ import annotations

import numpy as np

from rectify.geometry.mesh import Ints

__all__ = ["pieces"]


def pieces(count: int, one: Ints, other: Ints) -> tuple[int, Ints]:
    """How many pieces there are, and which each thing is in.

    Parameters
    ----------
    count : int
        Of the things.
    one, other : (k,) int64
        Pairs that hang together, either way round, as often as you like.

    Returns
    -------
    int
    (count,) int64
        Pieces are numbered by their first thing.

    Examples
    --------
    >>> number, label = pieces(5, np.array([3, 4]), np.array([1, 3]))
    >>> number, label.tolist()
    (3, [0, 1, 2, 1, 1])
    """
    head = np.arange(count)
    low, high = np.minimum(one, other), np.maximum(one, other)
    while len(low):
        np.minimum.at(head, high, low)
        while True:
            further = head.take(head)
            if np.array_equal(further, head):
                break
            head = further
        low, high = head.take(low), head.take(high)
        apart = low != high
        low, high = low[apart], high[apart]
        low, high = np.minimum(low, high), np.maximum(low, high)
    first = head == np.arange(count)
    return int(np.count_nonzero(first)), (np.cumsum(first) - 1).take(head)
