"""The part of a positive model that lies within a trimline: its own surface, to the vertex.

Near the line the surface is given more vertices, which lie on its faces, so that the cut is smooth on a coarse model
too; every vertex of the model that is within keeps its bits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from rectify.errors import MeshError
from rectify.geometry.clip import clip, without_unused
from rectify.geometry.corners import all_corners, any_corner
from rectify.geometry.edges import border_loops, survey
from rectify.geometry.mesh import Floats, Ints, Mesh, Points
from rectify.geometry.nearest import nearest
from rectify.geometry.normals import vertex_normals
from rectify.geometry.refine import refine
from rectify.geometry.ring import Ring, side_of, smoothed_ring

__all__ = ["Within", "check_trimline", "within_trimline"]

_EDGE_MM = 1.2  # of the mesh near the line
_BAND_MM = 2.5  # two such edges
_BEYOND_MM = 20.0
_SAME_WAY = 0.7  # cosine: past the open edge of a capture the membrane turns off by more
_OFF_MM = 1.0  # farther from the surface than this is not a trimline of this model
_SMOOTH_MM = 1.5  # of the line: the steps it took over the model's faces


@dataclass(frozen=True, eq=False)
class Within:
    """What a trimline leaves of a model.

    Parameters
    ----------
    mesh : Mesh
        Open at the line, faces away from the limb.
    ring : Ring
        The trimline, smoothed.
    from_line : (n,) mm
        Distance of each vertex from the trimline.
    loop : (k,) int64
        The open edge in order; seen from outside the surface is on the left.
    around : Mesh
        The same surface carried on beyond the line as far as it runs on smoothly: for what is to have no edge there.
    """

    mesh: Mesh
    ring: Ring
    from_line: Floats
    loop: Ints
    around: Mesh


def check_trimline(model: Mesh, points: Points) -> None:
    """Refuse a curve that does not belong to this model.

    Raises
    ------
    MeshError
    """
    if points.ndim != 2 or points.shape[1:] != (3,) or len(points) < 8 or not np.isfinite(points).all():
        raise MeshError(
            "is no curve", key="points", wanted="8 points of 3 finite numbers or more", found=_shape(points)
        )
    off = nearest(points, model.vertices, model.faces)[0]
    worst = int(np.argmax(off))
    if off[worst] > _OFF_MM:
        raise MeshError(
            "does not lie on this model",
            key="points",
            wanted=f"within {_OFF_MM:g} mm of its surface",
            found=f"{off[worst]:.1f} mm away at point {worst}",
            hint="take the trimline that was made with this model",
        )


def within_trimline(model: Mesh, points: Points, back_mm: float) -> Within:
    """The model's surface from its end up to a line `back_mm` within the trimline (negative: beyond it).

    Parameters
    ----------
    model : Mesh
        Closed, outward, in the limb frame: distal is -z.
    points : (k, 3) mm
        The trimline, on the model, once round it.

    Raises
    ------
    MeshError
        The line is not on this model, does not run once round it, or nothing is left below it.
    """
    check_trimline(model, points)
    ring = Ring(smoothed_ring(points, points, _SMOOTH_MM))
    reach = abs(back_mm) + 2.0 * _BAND_MM
    fine = refine(model, lambda middles, lengths: ring.within(middles, reach + lengths), _EDGE_MM)
    signed = side_of(fine, ring, int(np.argmin(fine.vertices[:, 2])), _BAND_MM)
    cut, was = clip(fine, signed - back_mm)
    found = survey(cut)
    loops = border_loops(cut, found)
    if found.body_count != 1 or len(loops) != 1:
        raise MeshError(
            "what lies within the trimline is not one piece with one edge",
            wanted="a trimline that keeps clear of itself by more than the wall",
            found=f"{found.body_count} pieces, {len(loops)} edges",
        )
    from_line = np.where(was >= 0, signed[np.maximum(was, 0)], back_mm)
    return Within(cut, ring, from_line, loops[0], _around(fine, signed, cut.vertices[loops[0]]))


def _around(fine: Mesh, signed: Floats, edge: Points) -> Mesh:
    """What lies within the line, and what lies beyond it by up to `_BEYOND_MM` and looks the same way."""
    f = fine.faces
    normals = vertex_normals(fine)
    here = cKDTree(edge).query(fine.vertices)[1]
    at_edge = normals[cKDTree(fine.vertices).query(edge)[1]]
    on = (signed > -_BEYOND_MM) & (np.einsum("ij,ij->i", normals, at_edge[here]) > _SAME_WAY)
    keep = any_corner(signed > 0, f) | all_corners(on, f)
    return without_unused(Mesh(fine.vertices, f[keep]))[0]


def _shape(points: Points) -> str:
    return f"an array of shape {points.shape}" if np.isfinite(points).all() else "a number that is not finite"
