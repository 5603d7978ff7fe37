"""Lay one surface over another that is mostly the same: trimmed least squares on the half that agrees best.

Point to plane (Chen Y, Medioni G 1992, Image Vis Comput 10(3):145-155) on the share of points that lie nearest
(trimmed: Chetverikov D, Stepanov D, Krsek P 2005, Image Vis Comput 23(3):299-309; both cited from memory), so that a
part that was changed does not pull. Rigid only: nothing is scaled. What is sampled is spread evenly over the area, the
same every time.

Not promised: that the nearest fit is the right one. A round limb may turn about its axis, and a cone that was made
evenly narrower slides along it and still fits. `room` says how far a fit may be moved before it is worse; landmarks
hold it where the surface leaves it free.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import face_areas, unit
from rectify.geometry.rigid import carried, small_motion
from rectify.geometry.signed import Tree

__all__ = ["KEPT", "Fit", "Marks", "Quick", "Room", "fit", "room", "rough_fit", "spread_points"]

KEPT = 0.5  # the share of points that count: as much as half of a limb may have been changed
_STEPS, _ROUGH_STEPS, _MORE_STEPS = 60, 14, 8
_STILL_MM = 1e-6  # a step that moves no point farther than this is the last
_WORSE, _WORSE_MM = 0.5, 0.01  # half as bad again, and a hundredth of a mm for surfaces that fit exactly
_PUSHES_MM, _PUSHES_DEG = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0), (0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0)
_PATCH_MM = 50.0  # changes come in patches: over so much of a surface distances are one observation, not many
_SURE_MM = 0.02  # a surface is not surer than this, however well it agrees
_LEAST_SHARE = 1e-9  # of the stiffest direction: softer ones are left alone (a ball may turn as it likes)


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted motion.

    Parameters
    ----------
    frame : (4, 4)
        Takes the points to the surface.
    rms_mm : float
        Of the distances that count.
    off_mm : (n,)
        Distance of every point.
    kept : (n,) bool
        Which points counted.
    """

    frame: Floats
    rms_mm: float
    off_mm: Floats
    kept: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Marks:
    """Points that are the same on both (k, 3), and how far one may be off (standard deviation, mm).

    They hold a fit where the surface leaves it free, and give way where the surface is sure.
    """

    points: Points
    targets: Points
    off_mm: float
    area_mm2: float  # of the surface that the other points stand for


def spread_points(mesh: Mesh, count: int) -> Points:
    """About `count` points of a surface (k, 3), each for an equal part of its area: the middles of faces."""
    area = face_areas(mesh.vertices, mesh.faces)
    total = np.cumsum(area)
    at = (np.arange(count) + 0.5) / count * total[-1]
    chosen = np.unique(np.searchsorted(total, at))
    return np.asarray(mesh.vertices[mesh.faces[np.minimum(chosen, len(area) - 1)]].mean(axis=1))


def fit(
    points: Points,
    tree: Tree,
    start: Floats,
    *,
    steps: int = _STEPS,
    held: Floats | None = None,
    marks: Marks | None = None,
) -> Fit:
    """The trimmed fit of points (n, 3) to a surface, from a start that is near.

    Parameters
    ----------
    held : (6,), optional
        A turn (3,) and a shift (3,) that the fit may not make any more of.
    marks : Marks, optional

    Returns
    -------
    Fit
        The best met on the way (the last, with marks); it has converged, or `steps` were made.
    """
    best: Fit | None = None
    frame = np.asarray(start, dtype=np.float64)
    for _ in range(steps):
        moved = carried(points, frame)
        off, place, normal = tree.nearest(moved)
        now = _trimmed(frame, off)
        if best is None or marks is not None or now.rms_mm < best.rms_mm:
            best = now
        rows, gap, about, size = _planes(moved[now.kept], place[now.kept], normal[now.kept])
        if marks is not None:
            more = _pulls(marks, frame, about, size, now, len(points))
            rows, gap = np.concatenate([rows, more[0]]), np.concatenate([gap, more[1]])
        frame = _solved(rows, gap, about, size, held) @ frame
        if float(np.linalg.norm(carried(points, frame) - moved, axis=1).max()) < _STILL_MM:
            break
    assert best is not None
    return best


def _trimmed(frame: Floats, off: Floats) -> Fit:
    count = max(6, round(KEPT * len(off)))
    chosen = np.zeros(len(off), dtype=bool)
    chosen[np.argpartition(off, min(count, len(off)) - 1)[:count]] = True
    return Fit(frame, float(np.sqrt(np.mean(off[chosen] ** 2))), off, chosen)


def _planes(points: Points, places: Points, normals: Points) -> tuple[Floats, Floats, Floats, float]:
    """What a small motion does to the distances from planes: rows (k, 6) of turn and shift, the gaps (k,), the point
    that is turned about, and the size that makes turns count like shifts."""
    about = points.mean(axis=0)
    away = points - about
    size = float(np.sqrt((away**2).sum(axis=1).mean())) or 1.0
    rows = np.concatenate([np.cross(away, normals) / size, normals], axis=1)
    return rows, np.einsum("ij,ij->i", normals, places - points), about, size


def _pulls(marks: Marks, frame: Floats, about: Floats, size: float, now: Fit, count: int) -> tuple[Floats, Floats]:
    """The same for marks, weighed against the surface: a mark by its own doubt, the surface by how many patches it has
    and by what half of it agrees within, so that a wall that was reduced all over does not pass for a sure one."""
    moved = carried(marks.points, frame)
    away = (moved - about) / size
    eye = np.eye(3)
    rows = np.concatenate([np.concatenate([np.cross(away, e), np.tile(e, (len(away), 1))], axis=1) for e in eye])
    gap = (marks.targets - moved).T.ravel()
    kept = int(now.kept.sum())
    patches = marks.area_mm2 * kept / count / _PATCH_MM**2
    doubt = max(float(now.off_mm[now.kept].max()), _SURE_MM)
    surface = patches / kept / doubt**2  # what one point tells, per mm²
    weight = np.sqrt(1.0 / marks.off_mm**2 / surface)
    return weight * rows, weight * gap


def _solved(rows: Floats, gap: Floats, about: Floats, size: float, held: Floats | None) -> Floats:
    """The small motion that closes the gaps best."""
    free = np.eye(6)
    if held is not None:
        way = unit(np.concatenate([held[:3] * size, held[3:]]))
        free = np.linalg.svd(np.eye(6) - np.outer(way, way))[0][:, :5]
    rows = rows @ free
    values, ways = np.linalg.eigh(rows.T @ rows)
    firm = values > _LEAST_SHARE * values[-1]
    solved = free @ (ways[:, firm] @ ((ways[:, firm].T @ (rows.T @ gap)) / values[firm]))
    return small_motion(solved[:3] / size, solved[3:], about)


# -- from far ---------------------------------------------------------------------------------------


class Quick:
    """A surface as points with normals, for the rough beginning of a fit."""

    def __init__(self, points: Points, normals: Points) -> None:
        from scipy.spatial import cKDTree

        self._tree = cKDTree(points)
        self._points, self._normals = points, unit(normals)

    def nearest(self, points: Points) -> tuple[Floats, Points, Points]:
        """As `Tree.nearest`, to the points instead of the surface."""
        off, i = self._tree.query(points)
        return np.asarray(off), self._points[i], self._normals[i]


def rough_fit(points: Points, quick: Quick, start: Floats) -> tuple[float, Floats]:
    """A rough fit from a start that may be far off: rms of the distances that count, mm, and the motion."""
    frame = np.asarray(start, dtype=np.float64)
    best, found = np.inf, frame
    for _ in range(_ROUGH_STEPS):
        moved = carried(points, frame)
        off, place, normal = quick.nearest(moved)
        now = _trimmed(frame, off)
        if now.rms_mm < best:
            best, found = now.rms_mm, frame
        frame = _solved(*_planes(moved[now.kept], place[now.kept], normal[now.kept]), None) @ frame
    return best, found


# -- how sure ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Room:
    """How far a fitted shape may still be moved before the fit is half as bad again.

    Parameters
    ----------
    along_mm : along the limb's axis
    turn_deg : about it
    """

    along_mm: float
    turn_deg: float


def room(points: Points, tree: Tree, found: Fit, axis: Floats, *, marks: Marks | None = None) -> Room:
    """Push the fit along the axis, and about it, and let it settle every other way, until it is worse.

    On a cone that was made evenly narrower nothing but this tells that it may as well have slid: leaving points out
    does not, as all of them agree.

    Parameters
    ----------
    points : (n, 3)
    axis : (3,) unit
        The limb's, in the points' own coordinates.
    """
    worse = found.rms_mm * (1.0 + _WORSE) + _WORSE_MM
    way = found.frame[:3, :3] @ axis
    about = carried(points.mean(axis=0)[None], found.frame)[0]
    zero = np.zeros(3)
    along = _until(
        lambda mm: small_motion(zero, mm * way, about),
        np.concatenate([zero, way]),
        _PUSHES_MM,
        worse,
        points,
        tree,
        found,
        marks,
    )
    turn = _until(
        lambda deg: small_motion(np.radians(deg) * way, zero, about),
        np.concatenate([way, zero]),
        _PUSHES_DEG,
        worse,
        points,
        tree,
        found,
        marks,
    )
    return Room(along, turn)


def _until(
    pushed: Callable[[float], Floats],
    held: Floats,
    pushes: tuple[float, ...],
    worse: float,
    points: Points,
    tree: Tree,
    found: Fit,
    marks: Marks | None,
) -> float:
    """The lesser of both ways' pushes at which the fit is worse than `worse`; the last push where none is."""
    least = []
    for sign in (1.0, -1.0):
        last, rms = 0.0, found.rms_mm
        for size in pushes:
            start = pushed(sign * size) @ found.frame
            now = fit(points, tree, start, steps=_MORE_STEPS, held=held, marks=marks).rms_mm
            if now > worse:
                share = (worse - rms) / (now - rms) if now > rms else 0.0
                last += share * (size - last)
                break
            last, rms = size, max(rms, now)
        least.append(last)
    return float(max(least))
