"""The limb's own axis and frame, so that a level and an angle mean the same on every capture.

The axis runs through the area centroids of the sections between 30 and 70 % of the way from the origin
landmark to the distal end: below the joint, above the rounded end; and where the segment lies above the origin, as
the thigh above a knee disarticulation, of the way up to the capture's edge. Sections that the edge cuts do not count,
as under an arm. The frame's origin is the axis point
at the origin landmark's level; +z proximal, +y anterior, +x the person's right. What the axis is not:
the line of a bent limb; `spread_mm` says how far the centroids stray from it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rectify.errors import MeshError
from rectify.geometry.corners import highest, least
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import unit
from rectify.geometry.sections import cut

__all__ = ["LEAST_ABOVE_MM", "Axis", "fit_axis", "frame_of", "to_frame"]

_FROM, _TO = 0.30, 0.70  # of the way from the origin's level to the distal end
_LEVELS = 41
_STEPS = 40
_CONVERGED = 1e-12  # radians between two steps
_MOST_TURN_DEG = 45.0  # from the way the opening faces; more is no line of the limb
_ROOM = 0.05  # radians that the axis may turn before the cut part is chosen anew
_LEAST_LENGTH_MM = 15.0  # less than this below the origin and there is no segment to fit
LEAST_ABOVE_MM = 60.0  # nor above it with less than this
_EDGE_MARGIN_MM = 5.0  # sections so near the open edge do not count


@dataclass(frozen=True, eq=False)
class Axis:
    """A line through the limb.

    Parameters
    ----------
    point : (3,) mm, on the axis at the origin landmark's level, in the capture's axes
    distal : (3,) unit
    spread_mm : float
        Largest distance of a fitted centroid from the line.
    end_level_mm : float
        Level of the most distal point of the capture.
    sure : bool
        Fitted as it should be. A segment too short for its girth has no line of its own: then the whole capture's.
    """

    point: Floats
    distal: Floats
    spread_mm: float
    end_level_mm: float
    sure: bool = True


def fit_axis(
    mesh: Mesh, origin: Floats, distal_hint: Floats, *, edge: Points | None = None, above: bool = False
) -> Axis:
    """Fit the axis, to convergence.

    Parameters
    ----------
    mesh : Mesh
        The captured wall, open or closed at the top.
    origin : (3,) mm
        The landmark at level 0.
    distal_hint : (3,)
        Any direction within some 40 degrees of distal.
    edge : (k, 3) mm, optional
        The capture's open edge.
    above : bool
        The segment lies between the origin and the edge, not below the origin.

    Raises
    ------
    MeshError
        If there is no limb below the origin, or a section there is open.
    """
    hint = unit(np.asarray(distal_hint, dtype=np.float64))
    axis = _converged(mesh, origin, hint, edge, above=above)
    if _turned_deg(axis, hint) <= _MOST_TURN_DEG:
        return axis
    # a segment hardly longer than it is wide has no line of its own: any cut through a ball is centred on any line
    axis = _converged(mesh, origin, hint, edge, above=above, whole=True)
    if _turned_deg(axis, hint) > _MOST_TURN_DEG:
        axis = _converged(mesh, origin, hint, edge, above=above, whole=True, steps=1)
        centre = axis.point + ((origin - axis.point) @ hint) * hint
        axis = Axis(centre, hint, axis.spread_mm, _end_level(mesh, origin, hint), sure=False)
    return replace(axis, sure=False)


def _turned_deg(axis: Axis, hint: Floats) -> float:
    return float(np.degrees(np.arccos(np.clip(axis.distal @ hint, -1.0, 1.0))))


def _converged(
    mesh: Mesh,
    origin: Floats,
    distal: Floats,
    edge: Points | None,
    *,
    above: bool,
    whole: bool = False,
    steps: int = _STEPS,
) -> Axis:
    """The line through the sections' centroids, from a first direction on; `whole`: from the edge on."""
    point, spread, new, search = origin, 0.0, distal, _Search()
    middle = _Middle(mesh, origin, distal, _span(mesh, origin, distal, edge, above, whole))
    for _ in range(steps):
        span = _span(mesh, origin, distal, edge, above, whole)
        if middle.turned(distal) > _ROOM:
            middle = _Middle(mesh, origin, distal, span)
        basis = _basis(distal)
        local = middle.points @ basis.T
        levels = np.linspace(*span, _LEVELS)
        cuts = cut(Mesh(local, middle.faces), local[:, 2], levels)
        if not cuts.closed.all():
            raise MeshError(
                f"the surface is open {abs(levels[~cuts.closed][0]):.0f} mm {'above' if above else 'below'} "
                "the origin landmark",
                wanted="closed sections over the middle of the residual limb",
                found=f"{int((~cuts.closed).sum())} of {len(levels)} sections open",
                hint="fill the hole, or scan again",
            )
        _, centroids = cuts.areas_and_centroids()
        line = np.column_stack([centroids, levels])
        mean = line.mean(axis=0)
        direction = np.linalg.svd(line - mean, full_matrices=False)[2][0]
        direction *= np.sign(direction[2])
        off = (line - mean) - np.outer((line - mean) @ direction, direction)
        spread = float(np.linalg.norm(off, axis=1).max())
        new = unit(direction @ basis)
        centre = origin + mean @ basis
        point = centre - ((centre - origin) @ new) * new
        if np.linalg.norm(new - distal) < _CONVERGED:
            break
        distal = search.next(distal, new)
    return Axis(point, new, spread, _end_level(mesh, origin, new))


class _Search:
    """For the direction that its own sections give back: each step is carried on as the last two steps went.

    Anderson's mixing of depth two, in the two ways that a direction can turn: some five steps instead of fifteen.
    Where a step came no nearer than the one before, it begins anew.
    """

    def __init__(self) -> None:
        self._from: list[Floats] = []
        self._miss: list[Floats] = []

    def next(self, distal: Floats, given: Floats) -> Floats:
        """What to try after a direction whose sections gave another."""
        miss = given - distal
        if self._miss and np.linalg.norm(miss) >= np.linalg.norm(self._miss[-1]):
            self._from, self._miss = [], []
        self._from, self._miss = [*self._from[-2:], distal], [*self._miss[-2:], miss]
        if len(self._miss) == 1:
            return given
        way, change = np.diff(self._from, axis=0), np.diff(self._miss, axis=0)
        share = np.linalg.lstsq(change.T, miss, rcond=1e-6)[0]
        return unit(given - (way + change).T @ share)


def _end_level(mesh: Mesh, origin: Floats, distal: Floats) -> float:
    end = float((mesh.vertices @ distal).max() - origin @ distal)
    if end < _LEAST_LENGTH_MM:
        raise MeshError(
            "no limb below the origin landmark",
            wanted=f"at least {_LEAST_LENGTH_MM:g} mm between it and the distal end",
            found=f"{end:.1f} mm",
            hint="is the origin landmark where it should be, and the scan the right one?",
        )
    return end


def _span(
    mesh: Mesh, origin: Floats, distal: Floats, edge: Points | None, above: bool, whole: bool = False
) -> tuple[float, float]:
    """Between which levels the axis is fitted."""
    end = _end_level(mesh, origin, distal)
    lowest = -np.inf if edge is None else float(((edge - origin) @ distal).max())
    if above:
        if not -lowest >= LEAST_ABOVE_MM:
            raise MeshError(
                "no limb above the origin landmark",
                wanted=f"at least {LEAST_ABOVE_MM:g} mm between it and the capture's edge",
                found=f"{max(-lowest, 0.0):.1f} mm",
                hint="capture further up",
            )
        return _TO * lowest, _FROM * lowest
    if whole and np.isfinite(lowest):
        return lowest + _EDGE_MARGIN_MM, _TO * end
    low = max(_FROM * end, lowest + _EDGE_MARGIN_MM)
    return low, max(_TO * end, low + (_TO - _FROM) * (end - low))


class _Middle:
    """The part of a limb that is cut while the axis turns no more than a little from where it is."""

    def __init__(self, mesh: Mesh, origin: Floats, distal: Floats, span: tuple[float, float]) -> None:
        self._distal = distal
        from_origin = mesh.vertices - origin
        height = from_origin @ distal
        room = _ROOM * float(np.abs(from_origin).max()) * np.sqrt(3.0)
        near = (highest(height, mesh.faces) >= span[0] - room) & (least(height, mesh.faces) <= span[1] + room)
        faces = mesh.faces[near]
        used = np.zeros(len(height), dtype=bool)
        used[faces] = True
        self.points = from_origin[used]
        self.faces = (np.cumsum(used) - 1)[faces]

    def turned(self, distal: Floats) -> float:
        """Radians, nearly."""
        return float(np.linalg.norm(distal - self._distal))


def _basis(distal: Floats) -> Points:
    """Three rows, right-handed: any two directions across, and distal."""
    aside = np.eye(3)[int(np.argmin(np.abs(distal)))]
    first = unit(np.cross(aside, distal))
    return np.stack([first, np.cross(distal, first), distal])


def frame_of(axis: Axis, direction: Floats, angle_deg: float, side: str) -> Floats:
    """The 4 x 4 transform from the capture's axes to the limb frame.

    Parameters
    ----------
    axis : Axis
    direction : (3,)
        What fixes the angle: from the axis to a mark, in the capture's axes, any length but none.
    angle_deg : float
        The angle at which that lies: 0 for an anterior mark; positive towards lateral.
    side : "left" or "right"

    Raises
    ------
    MeshError
        If the mark lies on the axis.
    """
    z = -axis.distal
    across = direction - (direction @ z) * z
    if np.linalg.norm(across) < 1.0:
        raise MeshError("the landmark that fixes angle 0 lies on the limb's axis", hint="mark it on the skin")
    to_mark = unit(across)
    right_of_mark = np.cross(to_mark, z)
    # +x is the person's right; lateral is +x on a right limb and -x on a left one
    turn = np.radians(angle_deg) * (1.0 if side == "right" else -1.0)
    y = np.cos(turn) * to_mark - np.sin(turn) * right_of_mark
    x = np.cross(y, z)
    frame = np.eye(4)
    frame[:3, :3] = np.stack([x, y, z])
    frame[:3, 3] = -frame[:3, :3] @ axis.point
    return frame


def to_frame(points: Points, frame: Floats) -> Points:
    """Points (n, 3) carried by a 4 x 4 rigid transform."""
    return np.asarray(points @ frame[:3, :3].T + frame[:3, 3])
