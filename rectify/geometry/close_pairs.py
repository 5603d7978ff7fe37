"""Points that lie close to each other: all pairs within a distance.

Along the edge of a scan there are few, and sorting the points along their widest way finds them without a tree (and
without scipy's, which takes as long to import as all else that is done at the edge); crowded ones go to the tree.
"""

from __future__ import annotations

import numpy as np

from rectify.geometry.mesh import Floats, Ints, Points

__all__ = ["pairs_within"]

_MOST_STEPS = 64


def pairs_within(points: Points, reach: float) -> Ints:
    """Pairs of points no farther apart than `reach`: (k, 2) indices, the lower one first, in no promised order."""
    if len(points) < 2:
        return np.zeros((0, 2), dtype=np.int64)
    order = np.argsort(points[:, int(np.argmax(np.ptp(points, axis=0)))], kind="stable")
    ranked = np.ascontiguousarray(points[order].T)
    along: Floats = ranked[int(np.argmax(np.ptp(ranked, axis=1)))]
    found = []
    for step in range(1, min(len(points), _MOST_STEPS + 1)):
        near = np.flatnonzero(along[step:] - along[:-step] <= reach)
        if not len(near):
            break
        apart = ranked[:, near + step] - ranked[:, near]
        close = near[(apart * apart).sum(axis=0) <= reach * reach]
        found.append(np.stack([order[close], order[close + step]], axis=1))
    else:
        if len(points) > _MOST_STEPS + 1:
            from scipy.spatial import cKDTree

            found = [np.asarray(cKDTree(points).query_pairs(reach, output_type="ndarray"), dtype=np.int64)]
    pairs = np.concatenate(found) if found else np.zeros((0, 2), dtype=np.int64)
    return np.sort(pairs, axis=1)
