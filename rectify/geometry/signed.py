"""How far a surface lies from points, exactly and with its side: the signed distance map.

The distance is to the nearest point of the triangles, not of the vertices (libigl). The sign is that of the surface's
angle-weighted normal at that point (Baerentzen JA, Aanaes H 2005, IEEE Trans Vis Comput Graph 11(3):243-253, from
memory). Past an open edge neither means anything: `on_border` says where the nearest point lies on one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.edges import survey
from rectify.geometry.mesh import Floats, Ints, Mesh, Points
from rectify.geometry.normals import face_cross, unit

__all__ = ["Reached", "Tree", "reach"]

_ON_EDGE = 1e-7  # share of a corner: below it the nearest point lies on the opposite edge


@dataclass(frozen=True, eq=False)
class Reached:
    """The nearest point of a surface to each of k points.

    Parameters
    ----------
    outward : (k,) mm
        How far the surface lies outside (+) or inside (-) of the point: positive where the point is within the surface.
    place : (k, 3) mm
    normal : (k, 3) unit
        Of the face there.
    on_border : (k,) bool
        The nearest point lies on an open edge: beyond it nothing is known.
    """

    outward: Floats
    place: Points
    normal: Points
    on_border: NDArray[np.bool_]


class Tree:
    """A surface made ready to be asked for its nearest point many times."""

    def __init__(self, mesh: Mesh) -> None:
        import igl

        self._v = np.ascontiguousarray(mesh.vertices, dtype=np.float64)
        self._f = np.ascontiguousarray(mesh.faces, dtype=np.int64)
        self._tree = igl.AABB()
        self._tree.init(self._v, self._f)
        self.normals = unit(face_cross(mesh.vertices, mesh.faces))

    def nearest(self, points: Points) -> tuple[Floats, Points, Points]:
        """Distance (k,) mm, place (k, 3) and the face's normal (k, 3)."""
        squared, face, place = self._tree.squared_distance(self._v, self._f, np.ascontiguousarray(points))
        return np.sqrt(squared), np.asarray(place), self.normals[face]


def reach(points: Points, surface: Mesh) -> Reached:
    """Signed distances (k,) from points to a surface, outward positive; the surface has faces and is oriented."""
    import igl

    if len(points) == 0:
        none = np.zeros((0, 3))
        return Reached(np.zeros(0), none, none, np.zeros(0, dtype=bool))
    v = np.ascontiguousarray(surface.vertices, dtype=np.float64)
    f = np.ascontiguousarray(surface.faces, dtype=np.int64)
    signed, face, place, _ = igl.signed_distance(
        np.ascontiguousarray(points), v, f, sign_type=igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    )
    face, place = np.asarray(face, dtype=np.int64), np.asarray(place)
    normal = unit(face_cross(v, f[face]))
    return Reached(-np.asarray(signed) + 0.0, place, normal, _on_border(surface, face, place))


def _on_border(surface: Mesh, face: Ints, place: Points) -> NDArray[np.bool_]:
    """Whether the nearest point lies on an edge that only one face has."""
    border = survey(surface).border
    if not len(border):
        return np.zeros(len(face), dtype=bool)
    n = np.int64(len(surface.vertices))
    open_edges = border.min(axis=1) * n + border.max(axis=1)
    corner = surface.faces[face]
    shares = _shares(surface.vertices[corner], place)
    out = np.zeros(len(face), dtype=bool)
    for i in range(3):  # the edge opposite corner i
        a, b = corner[:, (i + 1) % 3], corner[:, (i + 2) % 3]
        is_open = np.isin(np.minimum(a, b) * n + np.maximum(a, b), open_edges)
        out |= is_open & (shares[:, i] < _ON_EDGE)
    at_border = np.zeros(len(surface.vertices), dtype=bool)
    at_border[border] = True
    # at a corner the nearest face may be one whose own edges are all inner ones
    return np.asarray(out | ((shares > 1.0 - _ON_EDGE) & at_border[corner]).any(axis=1))


def _shares(triangle: NDArray[np.float64], place: Points) -> NDArray[np.float64]:
    """(k, 3) barycentric shares of places that lie in their triangles (k, 3, 3)."""
    a, b, c = triangle[:, 0], triangle[:, 1], triangle[:, 2]
    whole = np.cross(b - a, c - a)
    size = np.einsum("ij,ij->i", whole, whole)
    size = np.where(size > 0, size, 1.0)
    own = [np.einsum("ij,ij->i", np.cross(q - p, place - p), whole) / size for p, q in ((b, c), (c, a), (a, b))]
    return np.stack(own, axis=1)
