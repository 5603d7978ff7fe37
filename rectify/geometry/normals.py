"""Directions of a surface: of its faces and of its vertices."""

from __future__ import annotations

import numpy as np

from rectify.geometry.mesh import Faces, Floats, Mesh, Points

__all__ = ["face_areas", "face_cross", "sum_to_vertices", "unit", "vertex_normals"]


def unit(vectors: Points) -> Points:
    """The vectors at length 1; a zero vector stays zero."""
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.asarray(np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 0))


def face_cross(vertices: Points, faces: Faces) -> Points:
    """(m, 3) mm²: each face's normal times twice its area, outward by the right-hand rule."""
    a, b, c = vertices[faces[:, 0]], vertices[faces[:, 1]], vertices[faces[:, 2]]
    return np.cross(b - a, c - a)


def face_areas(vertices: Points, faces: Faces) -> Floats:
    """(m,) mm²."""
    return np.asarray(np.linalg.norm(face_cross(vertices, faces), axis=1) / 2)


def sum_to_vertices(per_face: Points, faces: Faces, n: int) -> Points:
    """Add a vector per face to each of its three vertices: (n, 3)."""
    index = faces.ravel()
    return np.stack([np.bincount(index, weights=np.repeat(per_face[:, i], 3), minlength=n) for i in range(3)], axis=1)


def vertex_normals(mesh: Mesh) -> Points:
    """(n, 3) unit normals, faces weighted by area; zero for a vertex that no face uses."""
    return unit(sum_to_vertices(face_cross(mesh.vertices, mesh.faces), mesh.faces, len(mesh.vertices)))
