"""Points in space: which are near which, and which hang together."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rectify.geometry.mesh import Floats, Ints, Points

__all__ = ["closest", "closest_few", "components", "linked", "long_axis", "pairs_within", "symmetric"]


def closest(points: Points, targets: Points, reach_mm: float = np.inf) -> tuple[Floats, Ints]:
    """Distance (k,) from each point to the nearest target, infinite past `reach_mm`, and its index."""
    gap, index = cKDTree(targets).query(points, distance_upper_bound=reach_mm)
    return np.asarray(gap, dtype=np.float64), np.asarray(index, dtype=np.int64)


def closest_few(points: Points, targets: Points, few: int, reach_mm: float = np.inf) -> tuple[Floats, Ints]:
    """The same for the `few` nearest: (k, few); past reach the distance is infinite and the index len(targets)."""
    few = min(few, len(targets))
    gap, index = cKDTree(targets).query(points, k=few, distance_upper_bound=reach_mm)
    shape = (len(points), few)
    return np.asarray(gap, dtype=np.float64).reshape(shape), np.asarray(index, dtype=np.int64).reshape(shape)


def pairs_within(points: Points, reach_mm: float) -> tuple[Ints, Floats]:
    """Pairs (p, 2) of points no farther apart than `reach_mm`, each once, and their distances."""
    pairs = np.asarray(cKDTree(points).query_pairs(reach_mm, output_type="ndarray"), dtype=np.int64).reshape(-1, 2)
    return pairs, np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)


def symmetric(pairs: Ints, weights: Floats, n: int) -> csr_matrix:
    """The (n, n) sparse matrix with each pair's weight both ways."""
    both = np.concatenate([pairs, pairs[:, ::-1]])
    return csr_matrix(coo_matrix((np.tile(weights, 2), (both[:, 0], both[:, 1])), shape=(n, n)))


def components(n: int, pairs: Ints) -> Ints:
    """(n,) which connected group each of n things belongs to, groups in the order of their first members."""
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def linked(points: Points, chosen: Ints, reach_mm: float) -> list[Ints]:
    """The chosen points in groups that hang together by steps of at most `reach_mm`."""
    if not len(chosen):
        return []
    pairs, _ = pairs_within(points[chosen], reach_mm)
    label = components(len(chosen), pairs)
    order = np.argsort(label, kind="stable")
    return [chosen[part] for part in np.split(order, np.cumsum(np.bincount(label))[:-1])]


def long_axis(points: Points) -> tuple[Points, Points, float, float]:
    """Centre, main direction, extent along it (mm), and how many times longer than wide by second moments."""
    centre = points.mean(axis=0)
    if len(points) < 3:
        return centre, np.array([0.0, 0.0, 1.0]), 0.0, 1.0
    _, spread, axes = np.linalg.svd(points - centre, full_matrices=False)
    return centre, axes[0], float(np.ptp((points - centre) @ axes[0])), float(spread[0] / max(spread[1], 1e-9))
