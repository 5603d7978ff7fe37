"""The guard: where the asked move would fold the surface or pass the slope limit, it backs off, smoothly.

Each vertex has a share of its local move that it may keep, 1 to begin with. Round every bad face the share is
lowered and the lowering spread over its neighbours, until no face is bad. Vertices that were not to move do not;
faces are never touched. What the guard looks at: faces turned over or crushed against the captured surface, the
slope of the move along the surface, and faces that pass through others where the capture's did not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from rectify.errors import RectifyError
from rectify.geometry.cap import Cap, closed
from rectify.geometry.corners import any_corner
from rectify.geometry.crossings import crossing_faces
from rectify.geometry.mesh import Faces, Floats, Ints, Mesh, Points
from rectify.geometry.normals import face_cross

__all__ = ["Guarded", "flipped_faces", "guard", "slopes"]

_ROUNDS = 60
_LOWER = 0.85  # of its share that a vertex of a bad face keeps each round
_SPREAD = 6  # sweeps over which a lowering is carried to neighbours
_CRUSHED = 0.02  # of its area


@dataclass(frozen=True, eq=False)
class Guarded:
    """A surface that is fit to be cut.

    Parameters
    ----------
    vertices : (n, 3) mm
    share : (n,) of its asked local move that each vertex kept
    rounds : int
        0 where nothing had to back off.
    crossings, crossings_of_capture : int
        Faces that pass through others, now and in the capture; none that were not there before.
    """

    vertices: Points
    share: Floats
    rounds: int
    crossings: int
    crossings_of_capture: int


def flipped_faces(before: Points, after: Points, faces: Faces) -> NDArray[np.bool_]:
    """(m,) faces that a move turned over or crushed to under 2 % of their area."""
    old, new = face_cross(before, faces), face_cross(after, faces)
    dot = np.einsum("ij,ij->i", old, new)
    size = np.einsum("ij,ij->i", old, old)
    return np.asarray(dot <= _CRUSHED * size)


def slopes(vertices: Points, faces: Faces, move: Floats) -> Floats:
    """(m,) how steeply a move along the normal changes over each face of the surface it starts from: mm per mm."""
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    u, w = b - a, c - a
    du, dw = move[faces[:, 1]] - move[faces[:, 0]], move[faces[:, 2]] - move[faces[:, 0]]
    uu, ww, uw = (np.einsum("ij,ij->i", p, q) for p, q in ((u, u), (w, w), (u, w)))
    det = np.maximum(uu * ww - uw * uw, 1e-12)
    p, q = (ww * du - uw * dw) / det, (uu * dw - uw * du) / det
    return np.asarray(np.sqrt(np.maximum(p * du + q * dw, 0.0)))


def guard(capture: Mesh, cap: Cap, base: Points, normals: Points, step: Points, steepest: float) -> Guarded:
    """Move the reduced surface by `step`, backing off where it must.

    Parameters
    ----------
    capture : Mesh
        The captured wall.
    cap : Cap
        The membrane over its top.
    base : (n, 3) mm
        The reduced surface.
    normals : (n, 3) unit
        Of the reduced surface.
    step : (n, 3) mm
    steepest : float
        Tangent of the slope limit.

    Raises
    ------
    RectifyError
        If no shape could be found; nothing folded or open is ever returned.
    """
    share = np.ones(len(base))
    faces = capture.faces
    height = np.einsum("ij,ij->i", step, normals)
    known: Ints | None = None
    for done in range(_ROUNDS):
        vertices = moved(base, share[:, None] * step)
        bad = flipped_faces(capture.vertices, vertices, faces) | (slopes(base, faces, height * share) > steepest)
        if not bad.any():
            if known is None:
                known = crossing_faces(closed(capture, cap))
            now = crossing_faces(closed(capture.with_vertices(vertices), cap))
            new = np.setdiff1d(now, known)
            if len(new) == 0:
                return Guarded(vertices, share, done, len(now), len(known))
            bad = _near_crossings(new, faces, cap)
        share = _lower(share, bad, faces)
    raise RectifyError(
        "no sound shape was found: the surface still folds after backing off",
        found=f"{int(bad.sum())} faces",
        hint="is the capture folded where the regions lie? nothing was written",
    )


def _near_crossings(crossing: Ints, faces: Faces, cap: Cap) -> NDArray[np.bool_]:
    """(m,) the wall's faces among the crossing ones; where only the membrane crosses, those along its edge."""
    bad = np.zeros(len(faces), dtype=bool)
    bad[crossing[crossing < len(faces)]] = True
    if bad.any():
        return bad
    at_edge = np.zeros(faces.max() + 1, dtype=bool)
    at_edge[cap.loop] = True
    return any_corner(at_edge, faces)


def moved(base: Points, step: Points) -> Points:
    """The surface after a step (n, 3); a vertex with none keeps its bits."""
    out = base.copy()
    moves = (step != 0).any(axis=1)
    out[moves] += step[moves]
    return out


def _lower(share: Floats, bad: NDArray[np.bool_], faces: Faces) -> Floats:
    """Lower the share on bad faces, and less and less around them."""
    n = len(share)
    touched = np.unique(faces[bad])
    lost = np.zeros(n)
    lost[touched] = 1.0 - _LOWER
    pairs = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    graph = sparse.coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n)).tocsr()
    graph = graph + graph.T
    degree = np.maximum(np.asarray(graph.sum(axis=1)).ravel(), 1.0)
    for _ in range(_SPREAD):
        lost = np.maximum(lost, (graph @ lost) / degree)
    return np.asarray(share * (1.0 - lost))
