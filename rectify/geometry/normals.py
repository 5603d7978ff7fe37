"""Directions of a surface: of its faces and of its vertices.

Arrays (m, 3) that come from here lie in memory column by column: `cross[:, 0]` is a plain array.
"""

from __future__ import annotations

import numpy as np

from rectify.geometry.corners import columns, edges_of
from rectify.geometry.mesh import Faces, Floats, Mesh, Points

__all__ = ["dots", "face_areas", "face_cross", "lengths", "sum_to_vertices", "unit", "vertex_normals"]


def dots(a: Points, b: Points) -> Floats:
    """(n,) the scalar product of each pair of rows."""
    return np.asarray(a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1] + a[:, 2] * b[:, 2])


def lengths(vectors: Points) -> Floats:
    """(n,) the length of each row."""
    return np.sqrt(dots(vectors, vectors))


def unit(vectors: Points) -> Points:
    """The vectors at length 1; a zero vector stays zero."""
    of_three = vectors.ndim == 2 and vectors.shape[1] == 3
    length = lengths(vectors)[:, None] if of_three else np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.asarray(np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 0))


def face_cross(vertices: Points, faces: Faces) -> Points:
    """(m, 3) mm²: each face's normal times twice its area, outward by the right-hand rule."""
    (ux, uy, uz), (wx, wy, wz) = edges_of(vertices, faces)
    out = np.empty((3, len(faces)))
    np.subtract(uy * wz, uz * wy, out=out[0])
    np.subtract(uz * wx, ux * wz, out=out[1])
    np.subtract(ux * wy, uy * wx, out=out[2])
    return out.T


def face_areas(vertices: Points, faces: Faces) -> Floats:
    """(m,) mm²."""
    return lengths(face_cross(vertices, faces)) / 2


def sum_to_vertices(per_face: Points, faces: Faces, n: int) -> Points:
    """Add a vector per face to each of its three vertices: (n, 3)."""
    corners = columns(faces)
    out = np.empty((3, n))
    for row, part in zip(out, columns(per_face), strict=True):
        row[:] = sum(np.bincount(corner, weights=part, minlength=n) for corner in corners)
    return out.T


def vertex_normals(mesh: Mesh) -> Points:
    """(n, 3) unit normals, faces weighted by area; zero for a vertex that no face uses."""
    return unit(sum_to_vertices(face_cross(mesh.vertices, mesh.faces), mesh.faces, len(mesh.vertices)))
