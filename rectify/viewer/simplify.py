"""A lighter surface for the eye: some of the vertices, and faces of their own between them.

A capture of several hundred thousand triangles shows nothing in a picture that a tenth of them does not, and a page
that carries it all is too large to send. Vertices are kept, not made: each kept one lies exactly where it lay, so
whatever is known of it stays true. The same mesh gives the same result, on any machine.

How: vertices are gathered about seeds that lie about evenly over the surface, each to its nearest; a face whose
corners belong to three seeds becomes a face between these.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from rectify.geometry.mesh import Faces, Floats, Ints, Mesh, Points

__all__ = ["ViewMesh", "view_mesh"]

_FACES_PER_VERTEX = 2.0  # of a closed surface, and nearly of an open one
_ROUNDS, _CLOSE_ENOUGH = 4, 0.06
_GIVES_UP = 1.02


@dataclass(frozen=True, eq=False)
class ViewMesh:
    """What of a surface is shown.

    Parameters
    ----------
    kept : (v,) int64, ascending
        The surface's vertices that are kept.
    faces : (m, 3) int64
        Between the kept ones: indices into `kept`.
    whole_faces : int
        How many the surface has.
    """

    kept: Ints
    faces: Faces
    whole_faces: int

    @property
    def simplified(self) -> bool:
        """Whether anything was left out."""
        return len(self.faces) < self.whole_faces


def view_mesh(mesh: Mesh, most_faces: int) -> ViewMesh:
    """The surface itself, or about `most_faces` of it and never more.

    Parameters
    ----------
    mesh : Mesh
    most_faces : int
    """
    n, m = len(mesh.vertices), len(mesh.faces)
    if m <= most_faces:
        return ViewMesh(np.arange(n, dtype=np.int64), mesh.faces, m)
    cell = float(np.sqrt(_area(mesh) / (most_faces / _FACES_PER_VERTEX)))
    best: ViewMesh | None = None
    for _ in range(_ROUNDS):
        found = _gathered(mesh, _seeds(mesh.vertices, cell))
        share = len(found.faces) / most_faces
        if share <= 1.0 and (best is None or len(found.faces) > len(best.faces)):
            best = found
        if 1.0 - _CLOSE_ENOUGH <= share <= 1.0:
            break
        cell *= float(np.sqrt(share)) * _GIVES_UP
    while best is None:
        cell *= 1.2
        found = _gathered(mesh, _seeds(mesh.vertices, cell))
        best = found if len(found.faces) <= most_faces else None
    return best


def _area(mesh: Mesh) -> float:
    a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2.0)


def _seeds(vertices: Points, cell: float) -> Ints:
    """In each cube of a grid that holds vertices, the one nearest to their mean: (k,) ascending."""
    corner = vertices.min(axis=0)
    cube = np.floor((vertices - corner) / cell).astype(np.int64)
    size = cube.max(axis=0) + 1
    _, owner = np.unique((cube[:, 0] * size[1] + cube[:, 1]) * size[2] + cube[:, 2], return_inverse=True)
    count = np.bincount(owner)
    mean = np.stack([np.bincount(owner, weights=vertices[:, i]) / count for i in range(3)], axis=1)
    off: Floats = np.round(((vertices - mean[owner]) ** 2).sum(axis=1), 9)
    order = np.lexsort((np.arange(len(vertices)), off, owner))
    first = np.r_[True, np.diff(owner[order]) > 0]
    return np.sort(order[first])


def _gathered(mesh: Mesh, seeds: Ints) -> ViewMesh:
    _, label = cKDTree(mesh.vertices[seeds]).query(mesh.vertices)
    faces = np.asarray(label, dtype=np.int64)[mesh.faces]
    a, b, c = faces.T
    faces = faces[(a != b) & (b != c) & (c != a)]
    turn = np.argmin(faces, axis=1)
    faces = np.stack([faces[np.arange(len(faces)), (turn + i) % 3] for i in range(3)], axis=1)
    faces = np.unique(faces, axis=0)
    used, faces = np.unique(faces, return_inverse=True)
    return ViewMesh(seeds[used], np.asarray(faces, dtype=np.int64).reshape(-1, 3), len(mesh.faces))
