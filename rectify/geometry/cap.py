"""Close an open surface along its own edge: no vertex added, none moved."""

from __future__ import annotations

import numpy as np

from rectify.errors import MeshError
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Faces, Ints, Mesh

__all__ = ["cap_faces", "cap_loop"]


def cap_faces(mesh: Mesh, *, mirror: bool = False) -> Faces:
    """Faces that close every opening of a surface: (m, 3), outward if the surface is.

    Parameters
    ----------
    mesh : Mesh
    mirror : bool
        Triangulate the mirror image (x to -x), so that a limb and its mirror are closed by the same faces.

    Raises
    ------
    MeshError
        If an edge crosses itself when laid out flat: it is too ragged to close.
    """
    caps = [cap_loop(mesh, loop, mirror=mirror) for loop in border_loops(mesh)]
    return np.concatenate(caps) if caps else np.zeros((0, 3), dtype=np.int64)


def cap_loop(mesh: Mesh, loop: Ints, *, mirror: bool = False) -> Faces:
    """Faces over one border loop (k,), which is triangulated in the plane that fits it best."""
    import mapbox_earcut
    import shapely

    loop = np.roll(loop, -int(np.argmin(loop)))
    points = mesh.vertices[loop]
    if mirror:  # the mirror image runs round the other way: start at the same vertex, go the same way
        points = points * np.array([-1.0, 1.0, 1.0])
        loop, points = np.roll(loop[::-1], 1), np.roll(points[::-1], 1, axis=0)
    centred = points - points.mean(axis=0)
    normal = np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0)  # twice the vector area of the loop
    normal /= np.linalg.norm(normal)
    aside = np.eye(3)[int(np.argmin(np.abs(normal)))]
    first = np.cross(aside, normal)
    first /= np.linalg.norm(first)
    flat = np.ascontiguousarray(np.stack([centred @ first, centred @ np.cross(normal, first)], axis=1))
    if not shapely.is_simple(shapely.linearrings(flat)):
        raise MeshError(
            "the open edge crosses itself when laid flat",
            wanted="an edge that can be closed without a fold",
            found=f"a ragged edge of {len(loop)} points near {_place(points)}",
            hint="trim the top of the scan by a plane",
        )
    faces = (
        mapbox_earcut.triangulate_float64(flat, np.array([len(flat)], dtype=np.uint32)).reshape(-1, 3).astype(np.int64)
    )
    a, b, c = flat[faces[:, 0]], flat[faces[:, 1]], flat[faces[:, 2]]
    u, w = b - a, c - a
    # earcut's sense of turning is its own; the cap must run against the border it closes
    if float(np.sum(u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0])) > 0:
        faces = faces[:, ::-1]
    return loop[faces] if not mirror else loop[faces][:, ::-1]


def _place(points: np.ndarray) -> str:
    return "(" + ", ".join(f"{x:.0f}" for x in points.mean(axis=0)) + ") mm"
