"""Close an open surface along its own edge by a membrane; no vertex of the surface moves.

The opening is laid flat, rings of new vertices are set inside it, each ring coarser than the one before, and the
membrane takes the height that a soap film would: harmonic over the flat opening. It is linear in the edge, so the
same cap follows when the edge moves: `points` gives its vertices for any positions of the surface.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import splu

from rectify.errors import MeshError
from rectify.geometry.corners import all_corners, any_corner
from rectify.geometry.crossings import crossing_faces
from rectify.geometry.edges import border_loops, survey
from rectify.geometry.mesh import Faces, Ints, Mesh, Points
from rectify.geometry.patch import patch
from rectify.geometry.smoothing import gaussian

__all__ = ["Cap", "Film", "cap_opening", "closed", "survey_closed"]

_GROWTH = 1.6  # each ring's spacing over the last one's
_SPACINGS = (1.0, 2.0, 4.0)  # of the first ring, in edge lengths: tried in turn until nothing crosses the surface
_RINGS_LOOKED_AT = 6


class Film:
    """Inner points of a triangulated flat opening as means of its edge: discrete harmonic, by the cotangent Laplacian.

    Parameters
    ----------
    points : (n, 2)
        The opening's edge first.
    faces : (m, 3) int64
    fixed : int
        How many points the edge has.
    """

    def __init__(self, points: NDArray[np.float64], faces: Faces, fixed: int) -> None:
        self._count = len(points) - fixed
        if self._count == 0:
            return
        rows, columns, values = [], [], []
        for i in range(3):
            a, b, c = faces[:, i], faces[:, (i + 1) % 3], faces[:, (i + 2) % 3]
            u, w = points[b] - points[a], points[c] - points[a]
            cross = np.maximum(np.abs(u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0]), 1e-9)
            rows += [b, c]
            columns += [c, b]
            values += [np.einsum("ij,ij->i", u, w) / cross] * 2
        shape = (len(points), len(points))
        at = (np.concatenate(rows), np.concatenate(columns))
        lap = sparse.coo_matrix((np.concatenate(values), at), shape).tocsr()
        lap = (sparse.diags_array(np.asarray(lap.sum(axis=1)).ravel()) - lap).tocsr()
        self._inner = splu(sparse.csc_matrix(lap[fixed:, fixed:]))
        self._from_edge = -lap[fixed:, :fixed]

    def over(self, edge: Points) -> Points:
        """The inner points (q, 3) over an edge (k, 3)."""
        if self._count == 0:
            return np.zeros((0, edge.shape[1]))
        return np.asarray(self._inner.solve(np.asarray(self._from_edge @ edge)))


@dataclass(frozen=True, eq=False)
class Cap:
    """A membrane over one opening of a surface of n vertices.

    Parameters
    ----------
    loop : (k,) int64
        The opening's vertices.
    faces : (m, 3) int64
        Outward if the surface is; index n + j is the membrane's own vertex j.
    film : Film
        Its own vertices as a mean of the opening's.
    """

    loop: Ints
    faces: Faces
    film: Film

    def points(self, vertices: Points) -> Points:
        """The membrane's own vertices (q, 3) over the surface's (n, 3)."""
        return self.film.over(vertices[self.loop])


def closed(mesh: Mesh, cap: Cap) -> Mesh:
    """The surface and its membrane as one closed mesh; the surface's vertices come first."""
    return Mesh(np.concatenate([mesh.vertices, cap.points(mesh.vertices)]), np.concatenate([mesh.faces, cap.faces]))


def survey_closed(mesh: Mesh, cap: Cap) -> tuple[bool, int]:
    """Whether a surface and its membrane are one watertight surface, as `Survey.watertight` has it, and their bodies.

    Two discs that share their border, each running it the other way, and no other vertex are one closed body; of the
    surface its own survey says that it is a disc, which is kept with its faces. Where they are anything else, the whole
    is surveyed.
    """
    own = survey(mesh)
    first = len(mesh.vertices)
    patch_of = Mesh(np.zeros((int(cap.faces.max(initial=-1)) + 1, 3)), cap.faces)
    over = survey(patch_of)
    inner = np.setdiff1d(cap.faces, over.border)
    if (
        own.disc
        and over.disc
        and not len(own.duplicate)
        and not len(over.duplicate)
        and inner.min(initial=first) >= first
        and {(b, a) for a, b in own.border.tolist()} == {(a, b) for a, b in over.border.tolist()}
    ):
        return True, 1
    whole = survey(closed(mesh, cap))
    return whole.watertight, whole.body_count


def cap_opening(mesh: Mesh, *, loop: Ints | None = None, mirror: bool = False) -> Cap:
    """A membrane over an opening.

    Parameters
    ----------
    mesh : Mesh
    loop : (k,) int64, optional
        Which opening; by default the only one.
    mirror : bool
        Lay the mirror image (x to -x) flat, so that a limb and its mirror get the same membrane.

    Raises
    ------
    MeshError
        If there is no single opening, or its edge crosses itself when laid flat: it is too ragged to close.
    """
    if loop is None:
        loops = border_loops(mesh)
        if len(loops) != 1:
            raise MeshError("the surface has no single opening", wanted="one", found=str(len(loops)))
        loop = loops[0]
    loop = np.roll(loop, -int(np.argmin(loop)))
    points = mesh.vertices[loop]
    if mirror:  # the mirror image runs round the other way: start at the same vertex
        points = points * np.array([-1.0, 1.0, 1.0])
        loop, points = np.roll(loop[::-1], 1), np.roll(points[::-1], 1, axis=0)
    flat = _laid_flat(points)
    edge = float(np.median(np.linalg.norm(np.roll(flat, -1, axis=0) - flat, axis=1)))
    caps = []
    for spacing in _SPACINGS:
        own, faces = _membrane(flat, spacing * edge)
        film = Film(np.concatenate([flat, own]), faces, len(flat))
        index = np.concatenate([loop, len(mesh.vertices) + np.arange(len(own))])
        # laid flat the opening runs counter-clockwise and so do the faces; the membrane must run against the surface
        cap = Cap(loop, index[faces if mirror else faces[:, ::-1]], film)
        crossings = _crossings(mesh, cap)
        if crossings == 0:
            return cap
        caps.append((crossings, cap))
    return min(caps, key=lambda pair: pair[0])[1]


def _membrane(flat: NDArray[np.float64], spacing: float) -> tuple[NDArray[np.float64], Faces]:
    """Inner points and triangles over a flat opening.

    Every point of the edge gets a partner a step inside, so that no triangle lies flat against the surface between
    three points of the edge; where the edge is too crooked for that, rings alone.
    """
    k = len(flat)
    centre = np.asarray(shapely.Polygon(flat).centroid.coords[0])
    out = flat - centre
    far = np.linalg.norm(out, axis=1, keepdims=True)
    ring = centre + gaussian(out * (1.0 - np.minimum(spacing / far, 0.5)), 2.0, around=True)
    ring = np.ascontiguousarray(ring)
    if not (shapely.LinearRing(ring).is_simple and shapely.Polygon(flat).contains(shapely.Polygon(ring))):
        return patch(flat, spacing, _GROWTH)
    one, two = np.arange(k), np.roll(np.arange(k), -1)
    strip = np.concatenate([np.stack([one, two, k + one], axis=1), np.stack([two, k + two, k + one], axis=1)])
    inner, faces = patch(ring, spacing * _GROWTH, _GROWTH)
    return np.concatenate([ring, inner]), np.concatenate([strip, k + faces])


def _crossings(mesh: Mesh, cap: Cap) -> int:
    """How many of the membrane's faces pass through the surface near the opening, or through each other."""
    near = np.zeros(len(mesh.vertices), dtype=bool)
    near[cap.loop] = True
    for _ in range(_RINGS_LOOKED_AT):
        near[mesh.faces[any_corner(near, mesh.faces)].ravel()] = True
    wall = mesh.faces[all_corners(near, mesh.faces)]
    both = closed(Mesh(mesh.vertices, wall), cap)
    return int((crossing_faces(both) >= len(wall)).sum())


def _laid_flat(points: Points) -> NDArray[np.float64]:
    """The loop (k, 3) in the plane that fits it best, (k, 2), counter-clockwise."""
    centred = points - points.mean(axis=0)
    normal = np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0)  # twice the vector area of the loop
    normal /= np.linalg.norm(normal)
    first = centred[0] - (centred[0] @ normal) * normal  # from the loop itself: the same in every pose
    first /= np.linalg.norm(first)
    flat = np.ascontiguousarray(np.stack([centred @ first, centred @ np.cross(normal, first)], axis=1))
    if not shapely.LinearRing(flat).is_simple:
        where = ", ".join(f"{x:.0f}" for x in points.mean(axis=0))
        raise MeshError(
            "the open edge crosses itself when laid flat",
            wanted="an edge that can be closed without a fold",
            found=f"a ragged edge of {len(points)} points near ({where}) mm",
            hint="trim the top of the scan by a plane",
        )
    return flat
