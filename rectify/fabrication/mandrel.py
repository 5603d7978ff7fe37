"""The mandrel's axis: about which the model turns under the cutter, with one radius at every height and angle.

A cutter that comes in square to the mandrel can make a shape only where each ray from the axis meets it once. The axis
runs through the model's end, so that the last sections hold it too, and is tilted no more than helps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.fabrication.narrowing import pull_direction
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import dots, face_cross, unit

__all__ = ["Mandrel", "choose_mandrel", "hidden_depths", "mandrel_along"]

_TILTS_DEG = np.arange(-12.0, 12.1, 3.0)
_FINE_DEG = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
_WORTH_MM2 = 4.0  # of hidden surface, as seen from the axis, that a degree of tilt must save
_END_MM = 40.0  # of height: so far up a cutter comes in from the end; common practice, no source
_ASIDE_MM = 1e-3  # of a ray from its vertex: through a vertex itself it may find no face
_CLEAR_MM = 0.02  # of the ray's own digits, and of going past aside


@dataclass(frozen=True, eq=False)
class Mandrel:
    """An axis in the limb frame.

    Parameters
    ----------
    tip : (3,) mm
        Where it leaves the model's end.
    up : (3,) unit
        From the end to the base.
    flexion_deg, adduction_deg : float
        Its tilt from the limb's axis, named as a socket's.
    """

    tip: Floats
    up: Floats
    flexion_deg: float
    adduction_deg: float

    def axes(self) -> Points:
        """Rows: two directions across, the second as near to anterior as can be, and up; right-handed."""
        second = unit(np.array([0.0, 1.0, 0.0]) - self.up[1] * self.up)
        return np.stack([np.cross(second, self.up), second, self.up])

    def local(self, points: Points) -> Points:
        """Points (n, 3) in the mandrel's own axes: z along it, the end at 0."""
        return np.asarray((points - self.tip) @ self.axes().T)

    def limb(self, points: Points) -> Points:
        """Points (n, 3) back in the limb frame."""
        return np.asarray(points @ self.axes() + self.tip)

    def transform(self) -> Floats:
        """(4, 4) from the limb frame to one whose z runs along the mandrel, x = y = 0 on it; height 0 is level 0's."""
        out = np.eye(4)
        out[:3, :3] = self.axes()
        out[:3, 3] = -self.axes() @ self.tip
        out[2, 3] = 0.0
        return out


def mandrel_along(mesh: Mesh, flexion_deg: float, adduction_deg: float, side: str) -> Mandrel:
    """The mandrel of a tilt, through the model's end in that direction."""
    up = pull_direction(flexion_deg, adduction_deg, side)
    return Mandrel(mesh.vertices[int(np.argmin(mesh.vertices @ up))], up, flexion_deg, adduction_deg)


def choose_mandrel(mesh: Mesh, side: str) -> Mandrel:
    """The least tilted mandrel about which little or nothing of a surface is hidden from the side.

    Parameters
    ----------
    mesh : Mesh
        What is to be carved, open at the top.
    side : "left" or "right"
    """
    cross = face_cross(mesh.vertices, mesh.faces) / 2
    centre = mesh.vertices[mesh.faces].mean(axis=1)

    def cost(mandrel: Mandrel) -> float:
        away = centre - mandrel.tip
        away = unit(away - dots(away, np.broadcast_to(mandrel.up, away.shape))[:, None] * mandrel.up)
        hidden = float(np.maximum(-dots(cross, away), 0.0).sum())
        return hidden + _WORTH_MM2 * float(np.hypot(mandrel.flexion_deg, mandrel.adduction_deg))

    def best(flexions: Floats, adductions: Floats) -> Mandrel:
        tried = [mandrel_along(mesh, float(f), float(a), side) for f in flexions for a in adductions]
        return min(tried, key=lambda m: (cost(m), abs(m.flexion_deg) + abs(m.adduction_deg)))

    coarse = best(_TILTS_DEG, _TILTS_DEG)
    return best(coarse.flexion_deg + _FINE_DEG, coarse.adduction_deg + _FINE_DEG)


def hidden_depths(mesh: Mesh, mandrel: Mandrel) -> Floats:
    """How deep each vertex lies below what a cutter makes that comes from the side or from the end: (n,) mm.

    On the ray to a vertex, square to the mandrel from outside or along it from beyond the end, the first face is the
    one that is cut; 0 where that is the vertex's own.
    """
    import igl

    local = np.ascontiguousarray(mandrel.local(mesh.vertices))
    out = unit(local * np.array([1.0, 1.0, 0.0]))
    from_axis = np.hypot(local[:, 0], local[:, 1])
    start = 2.0 * float(from_axis.max())
    faces = np.ascontiguousarray(mesh.faces, dtype=np.int64)
    tree = igl.AABB()
    tree.init(local, faces)
    aside = np.array([_ASIDE_MM, _ASIDE_MM / 2, _ASIDE_MM])
    level = local * np.array([0.0, 0.0, 1.0]) + aside
    _, way, _ = tree.intersect_ray_first(local, faces, level + start * out, -out)
    from_side = np.nan_to_num((start - np.asarray(way)) - from_axis, nan=0.0)
    foot = local * np.array([1.0, 1.0, 0.0]) + aside - np.array([0.0, 0.0, start])
    _, way, _ = tree.intersect_ray_first(local, faces, foot, np.tile([0.0, 0.0, 1.0], (len(foot), 1)))
    from_end = np.nan_to_num(local[:, 2] + start - np.asarray(way), nan=0.0)
    depth = np.where(local[:, 2] < _END_MM, np.minimum(from_side, from_end), from_side)
    return np.where(depth > _CLEAR_MM, depth, 0.0)
