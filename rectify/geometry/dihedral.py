"""The angle between neighbouring faces, and how much a move adds to it."""

from __future__ import annotations

import numpy as np

from rectify.geometry.mesh import Faces, Floats, Ints, Mesh, Points
from rectify.geometry.normals import face_cross, unit

__all__ = ["added_dihedral", "neighbours"]


def neighbours(mesh: Mesh) -> Ints:
    """Pairs of faces that share an edge: (k, 2), for a surface with at most two faces at an edge."""
    if "neighbours" not in mesh.topology:
        mesh.topology["neighbours"] = _neighbours(mesh.faces)
    found: Ints = mesh.topology["neighbours"]
    return found


def _neighbours(faces: Faces) -> Ints:
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    owner = np.tile(np.arange(len(faces)), 3)
    key = edges[:, 0] * (faces.max(initial=0) + 1) + edges[:, 1]
    order = np.argsort(key, kind="stable")
    same = np.flatnonzero(key[order[1:]] == key[order[:-1]])
    return np.stack([owner[order[same]], owner[order[same + 1]]], axis=1)


def added_dihedral(before: Mesh, after: Points) -> float:
    """Largest change of the angle between neighbouring faces when the vertices go to `after`, degrees."""
    pairs = neighbours(before)

    def angles(vertices: Points) -> Floats:
        normals = unit(face_cross(vertices, before.faces))
        a, b = normals[pairs[:, 0]], normals[pairs[:, 1]]
        return np.asarray(np.arctan2(np.linalg.norm(np.cross(a, b), axis=1), np.einsum("ij,ij->i", a, b)))

    return float(np.degrees(np.abs(angles(after) - angles(before.vertices)).max(initial=0.0)))
