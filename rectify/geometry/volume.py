"""How much a surface holds, whole or below a plane, and the area of faces."""

from __future__ import annotations

import numpy as np

from rectify.geometry.corners import highest, least
from rectify.geometry.mesh import Faces, Floats, Mesh, Points

__all__ = ["volume", "volume_below", "volumes_below"]


def volume(mesh: Mesh) -> float:
    """Volume of a closed surface, mm³; positive when its faces point outward.

    Divergence theorem over the faces (Zwillinger, CRC Standard Mathematical Tables and Formulas; title
    from memory), about the centroid of the vertices, so that a far-away origin costs no digits.
    """
    if len(mesh.faces) == 0:
        return 0.0
    p = mesh.vertices - mesh.vertices.mean(axis=0)
    a, b, c = (p[mesh.faces[:, i]] for i in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def volume_below(mesh: Mesh, z: float) -> float:
    """Volume between a surface and the plane at height z, counted below the plane, mm³.

    The surface may be open above the plane; below it must be closed but for the plane itself. The flux
    of (0, 0, h - z) through the plane is nothing, so only the faces count, those that cross it cut exactly.
    """
    vertices, faces = mesh.vertices, mesh.faces
    h = vertices[:, 2] - z
    under = h < 0
    number = sum((under[faces[:, i]].astype(np.int8) for i in range(1, 3)), start=under[faces[:, 0]].astype(np.int8))
    total = _flux(vertices[faces[number == 3]], z)
    below = under[faces]
    one = number == 1  # a corner below: one triangle
    if one.any():
        a, b, c = _turned(vertices, faces[one], np.argmax(below[one], axis=1))
        total += _flux(np.stack([a, _meet(a, b, z), _meet(a, c, z)], axis=1), z)
    two = number == 2  # a corner above: the whole face less its tip
    if two.any():
        a, b, c = _turned(vertices, faces[two], np.argmin(below[two], axis=1))
        total += _flux(np.stack([a, b, c], axis=1), z) - _flux(np.stack([a, _meet(a, b, z), _meet(a, c, z)], axis=1), z)
    return total


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
    a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
    area = ((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])) / 2
    size = len(z) + 1
    areas = np.cumsum(np.bincount(last, weights=area, minlength=size))[: len(z)]
    moments = np.cumsum(np.bincount(last, weights=area * (a + b + c)[:, 2] / 3, minlength=size))[: len(z)]
    out = np.empty(len(z))
    out[order] = moments - areas * z
    for i in range(len(z)):
        crossed = mesh.faces[(first <= i) & (i < last)]
        out[order[i]] += volume_below(Mesh(mesh.vertices, crossed), float(z[i])) if len(crossed) else 0.0
    return out


def _turned(vertices: Points, faces: Faces, lead: np.ndarray) -> tuple[Points, Points, Points]:
    row = np.arange(len(faces))
    a, b, c = (vertices[faces[row, (lead + i) % 3]] for i in range(3))
    return a, b, c


def _meet(a: Points, b: Points, z: float) -> Points:
    share = (z - a[:, 2]) / (b[:, 2] - a[:, 2])
    return np.asarray(a + share[:, None] * (b - a))


def _flux(triangles: np.ndarray, z: float) -> float:
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    area_z = ((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])) / 2
    return float(np.sum(area_z * (triangles[:, :, 2].mean(axis=1) - z)))
