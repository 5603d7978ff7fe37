"""Closed curves in space, and the two sides of one that runs round a body.

A ring is (k, 3) mm, its last point next to its first, the first not repeated.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rectify.errors import MeshError
from rectify.geometry.mesh import Faces, Floats, Ints, Mesh, Points
from rectify.geometry.normals import unit, vertex_normals
from rectify.geometry.smoothing import gaussian

__all__ = ["Ring", "evenly", "side_of", "smoothed_ring", "strip_between"]

_STEP_MM = 0.5  # points of a ring for the tree; the nearest point of its pieces is then exact
_NEAR_MM = 0.6  # of a ring from the surface it is said to lie on, beside the length of an edge across it
_DOUBT = 0.1  # of the vertices between a side and the ring: more that lie on the other side, and there is no side


class Ring:
    """A closed curve to measure from.

    Parameters
    ----------
    points : (k, 3) mm, k >= 3
    """

    def __init__(self, points: Points) -> None:
        self.points = evenly(points, _STEP_MM)
        self._tree = cKDTree(self.points)

    @property
    def length_mm(self) -> float:
        """Once round."""
        return float(np.linalg.norm(np.roll(self.points, -1, axis=0) - self.points, axis=1).sum())

    def closest(self, places: Points) -> tuple[Floats, Points, Points]:
        """Distance (n,) mm, nearest point (n, 3) and direction of the ring there (n, 3) for each place."""
        _, near = self._tree.query(places)
        near = np.asarray(near, dtype=np.int64)
        k = len(self.points)
        best = np.full(len(places), np.inf)
        foot, way = np.zeros_like(places), np.zeros_like(places)
        for shift in (-1, 0):
            a, b = self.points[(near + shift) % k], self.points[(near + shift + 1) % k]
            ab = b - a
            share = np.clip(np.einsum("ij,ij->i", places - a, ab) / np.einsum("ij,ij->i", ab, ab), 0.0, 1.0)
            point = a + share[:, None] * ab
            far = np.linalg.norm(places - point, axis=1)
            better = far < best
            best[better], foot[better], way[better] = far[better], point[better], unit(ab[better])
        return best, foot, way

    def within(self, places: Points, reach: Floats | float) -> NDArray[np.bool_]:
        """(n,) which places may lie within `reach` mm; never wrong about those that do."""
        far, _ = self._tree.query(places, distance_upper_bound=float(np.max(reach, initial=0.0)) + _STEP_MM)
        return np.asarray(far <= np.asarray(reach) + _STEP_MM)


def evenly(points: Points, step: float) -> Points:
    """The same ring with points about `step` apart, its first point kept."""
    whole = np.concatenate([points, points[:1]])
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(whole, axis=0), axis=1))])
    count = max(3, round(way[-1] / step))
    places = np.arange(count) * (way[-1] / count)
    return np.stack([np.interp(places, way, whole[:, i]) for i in range(whole.shape[1])], axis=1)


def strip_between(low: Ints, low_way: Floats, high: Ints, high_way: Floats) -> Faces:
    """Faces between two rings of vertices that run side by side, however many each has.

    Parameters
    ----------
    low, high : (k,), (l,) int64
        Vertices in order, the first ones side by side.
    low_way, high_way : (k,), (l,) float64, rising, below 1
        How far round each vertex is, from 0.

    Returns
    -------
    (k + l, 3) int64
        Facing the side from which `low` runs to the left below `high`.
    """
    low_end, high_end = np.append(low_way[1:], 1.0), np.append(high_way[1:], 1.0)
    beside_low = np.searchsorted(high_end, low_end, side="left") % len(high)
    beside_high = np.searchsorted(low_end, high_end, side="right") % len(low)
    one = np.stack([np.roll(low, -1), low, high[beside_low]], axis=1)
    two = np.stack([low[beside_high], high, np.roll(high, -1)], axis=1)
    return np.concatenate([one, two])


def smoothed_ring(values: Points, points: Points, sigma_mm: float) -> Points:
    """Values along a ring after a Gaussian over its length; for a ring of about even spacing."""
    step = float(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1).mean())
    return gaussian(values, sigma_mm / step, around=True)


def side_of(mesh: Mesh, ring: Ring, inside: int, band_mm: float) -> Floats:
    """Distance of every vertex from a ring that runs round a body, with a sign for the side: (n,) mm.

    Parameters
    ----------
    mesh : Mesh
        Closed; within `band_mm` of the ring its edges are shorter than half of that.
    ring : Ring
        On the surface, once round.
    inside : int
        A vertex on the side that counts positive, farther from the ring than `band_mm`.
    band_mm : float
        Nearer than this the side is told by direction, farther away by what hangs together.

    Raises
    ------
    MeshError
        The ring does not divide the surface in two.
    """
    far, foot, way = ring.closest(mesh.vertices)
    band = far < band_mm
    normals = vertex_normals(mesh)
    across = np.einsum("ij,ij->i", np.cross(normals, way), mesh.vertices - foot)
    piece = _pieces(mesh, band)
    sign = np.where(across >= 0, 1.0, -1.0)
    pairs = _edges_between(mesh, band)
    turned = 1.0
    near = np.unique(piece[pairs[:, 0]])
    for label in near:
        touching = pairs[piece[pairs[:, 0]] == label, 1]
        share = float((sign[touching] > 0).mean())
        if min(share, 1.0 - share) > _DOUBT:
            raise _undivided(ring)
        if label == piece[inside]:
            turned = 1.0 if share > 0.5 else -1.0
        sign[piece == label] = 1.0 if share > 0.5 else -1.0
    sign[~band & ~np.isin(piece, near)] = -turned  # another body
    if band[inside] or not (sign * turned < 0).any() or not _crossed_along(mesh, sign, far):
        raise _undivided(ring)
    return np.asarray(far * sign * turned)


def _crossed_along(mesh: Mesh, sign: Floats, far: Floats) -> bool:
    """Whether the sides meet nowhere but at the ring: no edge runs from one to the other away from it."""
    f = mesh.faces
    one, two = f.ravel(), f[:, [1, 2, 0]].ravel()
    across = sign[one] != sign[two]
    length = np.linalg.norm(mesh.vertices[one] - mesh.vertices[two], axis=1)
    return bool(across.any() and (np.maximum(far[one], far[two])[across] <= length[across] + _NEAR_MM).all())


def _undivided(ring: Ring) -> MeshError:
    where = ", ".join(f"{x:.0f}" for x in ring.points.mean(axis=0))
    return MeshError(
        "the curve does not divide the surface in two",
        wanted="a closed curve on the surface, once round the limb",
        found=f"one of {ring.length_mm:.0f} mm about ({where}) mm",
    )


def _pieces(mesh: Mesh, band: NDArray[np.bool_]) -> Ints:
    """Which piece each vertex outside the band belongs to (n,); those in the band each their own."""
    f = mesh.faces
    one, two = f.ravel(), f[:, [1, 2, 0]].ravel()
    keep = ~(band[one] | band[two])
    graph = coo_matrix((np.ones(int(keep.sum()), dtype=np.int8), (one[keep], two[keep])), shape=(len(band),) * 2)
    return np.asarray(connected_components(graph.tocsr(), directed=False)[1], dtype=np.int64)


def _edges_between(mesh: Mesh, band: NDArray[np.bool_]) -> Ints:
    """Edges from outside the band into it: (k, 2), the outer vertex first."""
    f = mesh.faces
    both = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])
    return np.asarray(both[~band[both[:, 0]] & band[both[:, 1]]])
