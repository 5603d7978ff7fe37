"""Where a shape of unknown pose may lie on another: the starts that a fit by shape is tried from.

Of each shape only what every limb has is used: a long way, a closed distal end, an open or flat top. The starts put
end on end and axis on axis and turn about the axis in steps; a shape whose top cannot be told is tried both ways up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import face_areas, unit
from rectify.geometry.rigid import carried, inverse, rotation

__all__ = ["Standing", "girth_mm", "stand", "starts"]

TURNS = 36  # 10 degrees apart: from 7 or 15 degrees off one limb in twelve under a wide flare did not find home
_SLICES, _ROUNDS = 8, 4
_TOP_SHARE = 0.5  # an opening narrower than this share of the shape's width is no top


@dataclass(frozen=True, eq=False)
class Standing:
    """A shape stood on its axis.

    Parameters
    ----------
    frame : (4, 4)
        From the shape's own axes: origin where the axis leaves the distal end, +z proximal.
    length_mm : along the axis
    sure : bool
        Which end is distal is known: the other is open.
    """

    frame: Floats
    length_mm: float
    sure: bool


def stand(mesh: Mesh, over_mm: float | None = None) -> list[Standing]:
    """The ways a shape may stand: one where its open top tells which end is distal, else two.

    Parameters
    ----------
    over_mm : float, optional
        Only so much of the distal part counts for the axis, so that two shapes of unequal length get the same one.
    """
    area = face_areas(mesh.vertices, mesh.faces)
    middles = mesh.vertices[mesh.faces].mean(axis=1)
    centre = np.average(middles, axis=0, weights=area)
    away = middles - centre
    ways = np.linalg.eigh((away * area[:, None]).T @ away)[1]
    opening = _opening(mesh)
    if opening is not None:
        return [_stood(mesh.vertices, middles, area, unit(opening - centre), over_mm, sure=True)]
    return [_stood(mesh.vertices, middles, area, sign * ways[:, 2], over_mm, sure=False) for sign in (1.0, -1.0)]


def _opening(mesh: Mesh) -> Floats | None:
    """Middle of the open top; None where there is no opening wide enough to be one."""
    loops = border_loops(mesh)
    if not loops:
        return None
    edge = mesh.vertices[loops[0]]
    width = 2.0 * float(np.linalg.norm(edge - edge.mean(axis=0), axis=1).max())
    extent = np.sort(np.ptp(mesh.vertices, axis=0))
    return np.asarray(edge.mean(axis=0)) if width > _TOP_SHARE * extent[0] else None


def _stood(
    vertices: Points, middles: Points, area: Floats, proximal: Floats, over_mm: float | None, *, sure: bool
) -> Standing:
    """The axis through the middles of slices, from a first direction on."""
    up = proximal
    point = np.average(middles, axis=0, weights=area)
    for _ in range(_ROUNDS):
        height = middles @ up
        low, high = float(height.min()), float(height.max())
        top = high if over_mm is None else min(high, low + over_mm)
        edges = np.linspace(low + 0.2 * (top - low), top - 0.05 * (top - low), _SLICES + 1)
        which = np.searchsorted(edges, height) - 1
        use = (which >= 0) & (which < _SLICES)
        weight = np.bincount(which[use], weights=area[use], minlength=_SLICES)
        sums = np.stack(
            [np.bincount(which[use], weights=area[use] * middles[use, i], minlength=_SLICES) for i in range(3)], axis=1
        )
        line = sums[weight > 0] / weight[weight > 0][:, None]
        if len(line) < 2:
            break
        point = line.mean(axis=0)
        way = np.linalg.svd(line - point, full_matrices=False)[2][0]
        up = way * (1.0 if way @ up >= 0 else -1.0)
    height = vertices @ up
    tip = point + (float(height.min()) - point @ up) * up
    aside = np.eye(3)[int(np.argmin(np.abs(up)))]
    y = unit(aside - (aside @ up) * up)
    frame = np.eye(4)
    frame[:3, :3] = np.stack([np.cross(y, up), y, up])
    frame[:3, 3] = -frame[:3, :3] @ tip
    return Standing(frame, float(np.ptp(height)), sure)


def girth_mm(mesh: Mesh, standing: Standing, over_mm: float) -> float:
    """How thick a shape is over its distal `over_mm`: the area-weighted mean distance from its axis, mm."""
    area = face_areas(mesh.vertices, mesh.faces)
    middles = carried(mesh.vertices[mesh.faces].mean(axis=1), standing.frame)
    use = middles[:, 2] <= over_mm
    return float(np.average(np.hypot(middles[use, 0], middles[use, 1]), weights=area[use]))


def starts(one: Standing, two: Standing, *, mirror: bool = False) -> list[Floats]:
    """Motions from the first shape's axes to the second's, end on end, turned about the axis in steps.

    With `mirror` the first is mirrored on the way: 4 x 4 with determinant -1.
    """
    flip = np.diag([-1.0 if mirror else 1.0, 1.0, 1.0, 1.0])
    out = []
    for angle in np.arange(TURNS) * (2.0 * np.pi / TURNS):
        turn = np.eye(4)
        turn[:3, :3] = rotation(np.array([0.0, 0.0, angle]))
        out.append(inverse(two.frame) @ turn @ flip @ one.frame)
    return out
