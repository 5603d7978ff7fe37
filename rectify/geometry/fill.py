"""Fill a hole so that the surface carries on across it: its curvature, not only its edge.

The hole is laid flat, new vertices are set inside about an edge length apart, and they take the height of a
thin-plate spline bent over the surface around the hole, which need not touch a rough surface everywhere. The
hole's own edge is kept to the bit. A hole so wide that it bends round the limb is not for this: the caller refuses it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator
from scipy.spatial import cKDTree

from rectify.errors import MeshError
from rectify.geometry.mesh import Floats, Ints, Mesh, Points
from rectify.geometry.normals import face_areas
from rectify.geometry.patch import patch

__all__ = ["Filled", "fill_hole"]

_BAND = 1.2  # of the hole's radius: how far around it the plate looks
_LEAST_RINGS, _MOST_RINGS = 4, 25
_MOST_SAMPLES = 400
_SMOOTHING = 1e-3  # of the plate, its places scaled to the hole's radius: scanner noise is not carried into the hole


@dataclass(frozen=True, eq=False)
class Filled:
    """A surface with one hole less.

    Parameters
    ----------
    mesh : Mesh
        The old vertices first and to the bit, then the new ones.
    new_vertices, new_faces : (k,), (j,) int64
    area_mm2 : float
    centre : (3,) mm
    width_mm : float
        Across the hole, the longer way.
    """

    mesh: Mesh
    new_vertices: Ints
    new_faces: Ints
    area_mm2: float
    centre: Floats
    width_mm: float


def fill_hole(mesh: Mesh, loop: Ints, edge_mm: float) -> Filled:
    """Fill the hole round which `loop` (k,) runs.

    Parameters
    ----------
    mesh : Mesh
    loop : (k,) int64
        A border ring, in the direction in which the border runs.
    edge_mm : float
        About how far apart new vertices are to lie.

    Raises
    ------
    MeshError
        If the hole's edge crosses itself when laid flat.
    """
    ring = mesh.vertices[loop]
    origin = ring.mean(axis=0)
    basis = _plane(ring - origin)
    flat = (ring - origin) @ basis.T
    if not shapely.LinearRing(flat[:, :2]).is_simple:
        where = ", ".join(f"{x:.0f}" for x in origin)
        raise MeshError("the edge of a hole crosses itself", found=f"near ({where}) mm", hint="mend the scan there")
    inner, triangles = patch(np.ascontiguousarray(flat[:, :2]), edge_mm)
    points = origin + np.column_stack([inner, _plate(mesh, loop, origin, basis, inner)]) @ basis
    index = np.concatenate([loop, len(mesh.vertices) + np.arange(len(inner))])
    # laid flat the border runs counter-clockwise and so do the triangles: the filling must run against it
    faces = index[triangles][:, ::-1]
    colours = mesh.colours
    if colours is not None:
        nearest = cKDTree(ring).query(points)[1] if len(points) else np.zeros(0, dtype=np.int64)
        colours = np.concatenate([colours, colours[loop[nearest]]])
    out = Mesh(np.concatenate([mesh.vertices, points]), np.concatenate([mesh.faces, faces]), colours)
    return Filled(
        out,
        len(mesh.vertices) + np.arange(len(points)),
        len(mesh.faces) + np.arange(len(faces)),
        float(face_areas(out.vertices, faces).sum()),
        origin,
        float(np.ptp(flat[:, 0])),
    )


def _plane(centred: Points) -> Points:
    """Axes (3, 3) of the loop's plane, as rows, the longer way first; in them the loop runs counter-clockwise."""
    normal = np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0)
    normal /= max(float(np.linalg.norm(normal)), 1e-12)
    inside = centred - np.outer(centred @ normal, normal)
    first = np.linalg.svd(inside, full_matrices=False)[2][0]
    return np.stack([first, np.cross(normal, first), normal])


def _plate(mesh: Mesh, loop: Ints, origin: Floats, basis: Points, inner: NDArray[np.float64]) -> Floats:
    """Heights (q,) of a thin plate over places (q, 2) of the hole's plane, bent over the surface around it."""
    if not len(inner):
        return np.zeros(0)
    around = _around(mesh, loop)
    local = (mesh.vertices[around] - origin) @ basis.T
    radius = float(np.linalg.norm(local[np.isin(around, loop), :2], axis=1).max())
    near = np.linalg.norm(local[:, :2], axis=1) < radius * (1.0 + _BAND)
    local = local[near]
    keep = np.linspace(0, len(local) - 1, min(len(local), _MOST_SAMPLES)).round().astype(np.int64)
    local = local[keep]
    plate = RBFInterpolator(
        local[:, :2] / radius, local[:, 2], kernel="thin_plate_spline", smoothing=_SMOOTHING, degree=2
    )
    return np.asarray(plate(inner / radius))


def _around(mesh: Mesh, loop: Ints) -> Ints:
    """The vertices of the hole's edge and of the rings around it, ascending."""
    seen = np.zeros(len(mesh.vertices), dtype=bool)
    seen[loop] = True
    rings = int(np.clip(len(loop) / np.pi / 2 * _BAND, _LEAST_RINGS, _MOST_RINGS))
    for _ in range(rings):
        seen[mesh.faces[seen[mesh.faces].any(axis=1)]] = True
    return np.flatnonzero(seen)
