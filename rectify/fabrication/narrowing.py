"""Can the limb leave the socket: where along a pull the wall is narrower than the limb below it.

The model stands for the limb and moves as a rigid body straight along the pull. Sections square to the pull are laid
over one another: where a section lower down reaches beyond the wall higher up, the wall is in the way by the distance
between the two, in the plane of the section. Soft tissue gives way, and a hollow such as a bar is meant to hold; a
figure here is for judging, not a verdict. Turning or shifting the limb on its way out is not looked at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from rectify.geometry.edges import survey
from rectify.geometry.mesh import Floats, Ints, Mesh, Points
from rectify.geometry.normals import face_cross, unit
from rectify.geometry.sections import cut

__all__ = ["Narrowing", "best_pull", "narrowing", "pull_direction"]

_STEP_MM = 2.0
_SIMPLER_MM = 0.02  # a section's outline may lose so much
_FREE_MM = 0.05  # less is not in the way
_SMALLER = 0.999  # of a circumference: less is the mesh's own unevenness
_TILTS_DEG = np.arange(-15.0, 15.1, 1.0)


@dataclass(frozen=True)
class Narrowing:
    """The worst places along one pull.

    Parameters
    ----------
    narrower_mm : by how much, at the worst place; 0 where the limb comes out freely
    at : (3,) mm in the limb frame, on the wall there; None where free
    girth_mm, girth_below_mm : of the level that is narrowest against what lies below it: its own circumference and the
        largest one below
    girth_level_mm : that level, along the limb axis; None where no circumference is smaller than one below it
    """

    narrower_mm: float
    at: tuple[float, float, float] | None
    girth_mm: float
    girth_below_mm: float
    girth_level_mm: float | None

    @property
    def girth_percent(self) -> float:
        """By how much the circumference there is smaller than the largest below, % of the latter."""
        return 100.0 * (1.0 - self.girth_mm / self.girth_below_mm) if self.girth_below_mm else 0.0


def pull_direction(flexion_deg: float, adduction_deg: float, side: str) -> Floats:
    """The direction (3,) in which a limb leaves a socket that is flexed and adducted so: up, in the socket's frame."""
    lateral = 1.0 if side == "right" else -1.0
    lean = np.tan(np.radians([adduction_deg, flexion_deg]))
    return unit(np.array([-lateral * lean[0], -lean[1], 1.0]))


def best_pull(inside: Mesh, side: str) -> tuple[float, float]:
    """Flexion and adduction (degrees) of the pull with the least undercut, up to 15 degrees from the axis.

    The undercut counted is the area of the inside that looks along the pull, as seen along it.
    """
    cross = face_cross(inside.vertices, inside.faces) / 2
    best, found = np.inf, (0.0, 0.0)
    for flexion in sorted(_TILTS_DEG, key=abs):
        for adduction in sorted(_TILTS_DEG, key=abs):
            under = float(np.maximum(cross @ pull_direction(flexion, adduction, side), 0.0).sum())
            if under < best * (1.0 - 1e-9):
                best, found = under, (float(flexion), float(adduction))
    return found


def narrowing(model: Mesh, inside: Mesh, pull: Floats) -> Narrowing:
    """Where the wall is narrower than the limb below it.

    Parameters
    ----------
    model : Mesh
        Closed: the limb.
    inside : Mesh
        The part of it that is wall, open at the trimline.
    pull : (3,) unit
    """
    first = unit(np.array([0.0, 1.0, 0.0]) - pull[1] * pull)
    axes = np.stack([first, np.cross(pull, first), pull])
    whole, wall = (Mesh(m.vertices @ axes.T, m.faces) for m in (model, inside))
    levels = np.arange(wall.vertices[:, 2].min() + _STEP_MM, wall.vertices[:, 2].max(), _STEP_MM)
    limb = _outlines(whole, levels)
    edges = _segments(wall, levels)
    open_from = float(wall.vertices[survey(wall).border.ravel(), 2].min())
    below: BaseGeometry = shapely.Polygon()
    worst, at = 0.0, None
    girth = girth_below = largest = 0.0
    girth_at: float | None = None
    for z, outline, segments in zip(levels, limb, edges, strict=True):
        by, place = _in_the_way(below, outline, segments)
        if by > worst:
            worst, at = by, np.append(place, z) @ axes
        around = float(outline.convex_hull.length)
        if (
            z < open_from
            and around < largest * _SMALLER
            and (girth_at is None or around / largest < girth / girth_below)
        ):
            girth, girth_below = around, largest
            centre = shapely.get_coordinates(outline.centroid)[0]
            girth_at = -float((np.append(centre, z) @ axes)[2])
        largest = max(largest, around)
        below = below.union(outline)
    return Narrowing(
        worst, None if at is None else (float(at[0]), float(at[1]), float(at[2])), girth, girth_below, girth_at
    )


def _in_the_way(below: BaseGeometry, outline: BaseGeometry, wall: BaseGeometry) -> tuple[float, Floats]:
    """How far what lies below reaches beyond the wall of one section, and the place on the wall (2,)."""
    none = (0.0, np.zeros(2))
    if below.is_empty or wall.is_empty:
        return none
    points = shapely.get_coordinates(below.simplify(_SIMPLER_MM))
    beyond = _distances(points, outline)
    points = points[beyond > _FREE_MM]
    if not len(points):
        return none
    to_wall = _distances(points, wall)
    # where the nearest edge of the section is no wall, the wall is farther away than the section
    held = (to_wall > _FREE_MM) & (to_wall < beyond[beyond > _FREE_MM] + _FREE_MM)
    if not held.any():
        return none
    worst = int(np.argmax(np.where(held, to_wall, 0.0)))
    return float(to_wall[worst]), shapely.get_coordinates(shapely.shortest_line(wall, shapely.Point(points[worst])))[0]


def _distances(points: NDArray[np.float64], shape: BaseGeometry) -> Floats:
    return np.asarray(shapely.distance(shapely.points(points), shape), dtype=np.float64)


def _outlines(mesh: Mesh, levels: Floats) -> list[BaseGeometry]:
    """The area of each section of a closed body."""
    cuts = cut(mesh, mesh.vertices[:, 2], levels)
    out: list[BaseGeometry] = []
    for lines in _by_level(cuts.starts, cuts.ends, cuts.level_of, len(levels)):
        faces = shapely.get_parts(shapely.polygonize(lines))
        out.append(shapely.union_all(faces).simplify(_SIMPLER_MM))
    return out


def _segments(mesh: Mesh, levels: Floats) -> list[BaseGeometry]:
    cuts = cut(mesh, mesh.vertices[:, 2], levels)
    by_level = _by_level(cuts.starts, cuts.ends, cuts.level_of, len(levels))
    return [shapely.MultiLineString(list(lines)) for lines in by_level]


def _by_level(starts: Points, ends: Points, level_of: Ints, k: int) -> list[NDArray[np.object_]]:
    lines = np.asarray(shapely.linestrings(np.stack([starts[:, :2], ends[:, :2]], axis=1)), dtype=np.object_)
    order = np.argsort(level_of, kind="stable")
    return np.split(lines[order], np.cumsum(np.bincount(level_of, minlength=k))[:-1])
