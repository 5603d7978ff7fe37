"""Directions of a surface: of its faces and of its vertices.

Arrays (m, 3) that come from here lie in memory column by column: `cross[:, 0]` is a plain array.
"""

from __future__ import annotations

import numpy as np

from rectify.geometry.corners import columns, edges_of
from rectify.geometry.mesh import Faces, Floats, Mesh, Points

__all__ = ["barycentric", "dots", "face_areas", "face_cross", "lengths", "sum_to_vertices", "unit", "vertex_normals"]

_FACES = 2**17  # at a time, so that what lies between stays small


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
    out = np.empty((3, len(faces)))
    for start in range(0, len(faces), _FACES):
        at = slice(start, start + _FACES)
        (ux, uy, uz), (wx, wy, wz) = edges_of(vertices, faces[at])
        np.subtract(uy * wz, uz * wy, out=out[0, at])
        np.subtract(uz * wx, ux * wz, out=out[1, at])
        np.subtract(ux * wy, uy * wx, out=out[2, at])
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


def barycentric(points: Points, a: Points, b: Points, c: Points) -> Points:
    """Shares (n, 3) of the corners at points of triangles, all (n, 3) mm; a point beside its triangle is laid on it.

    A triangle without area gives its first corner.
    """
    u, w, p = b - a, c - a, points - a
    uu, uw, ww = (np.einsum("ij,ij->i", one, two) for one, two in ((u, u), (u, w), (w, w)))
    pu, pw = np.einsum("ij,ij->i", p, u), np.einsum("ij,ij->i", p, w)
    size = uu * ww - uw**2
    safe = np.where(size > 0, size, 1.0)
    at_b = np.where(size > 0, (ww * pu - uw * pw) / safe, 0.0)
    at_c = np.where(size > 0, (uu * pw - uw * pu) / safe, 0.0)
    shares = np.clip(np.stack([1.0 - at_b - at_c, at_b, at_c], axis=1), 0.0, 1.0)
    return np.asarray(shares / shares.sum(axis=1, keepdims=True))
