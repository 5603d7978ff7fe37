"""How much a surface holds, whole or below a plane, and the area of faces."""

from __future__ import annotations

import numpy as np

from rectify.geometry.corners import all_corners, any_corner, columns, highest, in_parts, least
from rectify.geometry.mesh import Faces, Floats, Mesh, Points

__all__ = ["volume", "volume_below", "volumes_below"]


def volume(mesh: Mesh) -> float:
    """Volume of a closed surface, mm³; positive when its faces point outward.

    Divergence theorem over the faces (Zwillinger, CRC Standard Mathematical Tables and Formulas; title
    from memory), about the centroid of the vertices, so that a far-away origin costs no digits.
    """
    if len(mesh.faces) == 0:
        return 0.0
    places = [place - place.mean() for place in columns(mesh.vertices)]

    def sixfold(faces: Faces) -> Floats:
        corners = columns(faces)
        (ax, bx, cx), (ay, by, cy), (az, bz, cz) = ([place.take(corner) for corner in corners] for place in places)
        return np.asarray(ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx))

    return float(in_parts(sixfold, mesh.faces).sum() / 6)


def volume_below(mesh: Mesh, z: float) -> float:
    """Volume between a surface and the plane at height z, counted below the plane, mm³.

    The surface may be open above the plane; below it must be closed but for the plane itself. The flux
    of (0, 0, h - z) through the plane is nothing, so only the faces count, those that cross it cut exactly.
    """
    under = mesh.vertices[:, 2] < z
    some, whole = any_corner(under, mesh.faces), all_corners(under, mesh.faces)
    area, moment = _flux_at_zero(mesh.vertices, mesh.faces[whole])
    crossed = mesh.faces[some & ~whole]
    return float(moment.sum() - z * area.sum() + _flux_below(mesh.vertices, crossed, np.full(len(crossed), z)).sum())


def volumes_below(mesh: Mesh, heights: Floats) -> Floats:
    """`volume_below` at many heights at once: (k,) mm³.

    Parameters
    ----------
    mesh : Mesh
        As for `volume_below`, at the highest of them.
    heights : (k,) mm, in any order
    """
    order = np.argsort(heights)
    z = np.asarray(heights, dtype=np.float64)[order]
    low, high = least(mesh.vertices[:, 2], mesh.faces), highest(mesh.vertices[:, 2], mesh.faces)
    first, last = np.searchsorted(z, low, side="right"), np.searchsorted(z, high, side="left")
    # the flux through a face that lies below a plane is linear in the plane's height
    area, moment = _flux_at_zero(mesh.vertices, mesh.faces)
    size = len(z) + 1
    areas, moments = (np.cumsum(np.bincount(last, weights=part, minlength=size))[: len(z)] for part in (area, moment))
    face = np.repeat(np.arange(len(mesh.faces)), last - first)
    level = np.repeat(last - np.cumsum(last - first), last - first) + np.arange(len(face))
    cut = np.bincount(level, weights=_flux_below(mesh.vertices, mesh.faces[face], z[level]), minlength=len(z))
    out = np.empty(len(z))
    out[order] = moments - areas * z + cut
    return out


def _flux_at_zero(vertices: Points, faces: Faces) -> tuple[Floats, Floats]:
    """Of each face, (m,): its area as seen from above, mm², signed, and its flux for the plane at height 0, mm³."""
    places = columns(vertices)

    def both(part: Faces) -> Floats:
        corners = columns(part)
        (ax, bx, cx), (ay, by, cy), (az, bz, cz) = ([place.take(i) for i in corners] for place in places)
        area = ((bx - ax) * (cy - ay) - (by - ay) * (cx - ax)) / 2
        return np.stack([area, area * (az + bz + cz) / 3], axis=1)

    found = in_parts(both, faces)
    return found[:, 0], found[:, 1]


def _flux_below(vertices: Points, faces: Faces, z: Floats) -> Floats:
    """The flux (s,) through the part of each face (s, 3) that lies below the plane z (s,) that crosses it."""
    if not len(faces):
        return np.zeros(0)
    under = vertices[:, 2][faces] < z[:, None]
    tip_below = under.sum(axis=1) == 1  # one triangle; else the whole face less its tip
    lead = np.where(tip_below, np.argmax(under, axis=1), np.argmin(under, axis=1))
    row = np.arange(len(faces))
    a, b, c = (vertices[faces[row, (lead + i) % 3]] for i in range(3))
    tip = _flux(a, _meet(a, b, z), _meet(a, c, z), z)
    return np.where(tip_below, tip, _flux(a, b, c, z) - tip)


def _meet(a: Points, b: Points, z: Floats) -> Points:
    share = (z - a[:, 2]) / (b[:, 2] - a[:, 2])
    return np.asarray(a + share[:, None] * (b - a))


def _flux(a: Points, b: Points, c: Points, z: Floats) -> Floats:
    area_z = ((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])) / 2
    return np.asarray(area_z * ((a[:, 2] + b[:, 2] + c[:, 2]) / 3 - z))
