"""The limb's frame from the landmarks that are given, or from the marks themselves.

With the origin and what fixes angle 0 among the landmarks the frame is the limb's own, to the last digit. Without
them the axis comes from the shape, and origin and anterior from the pose under which the marks fit their names best;
that frame is for naming only: once landmarks are named, the limb makes its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from rectify.errors import LandmarkError, MeshError
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import unit
from rectify.limb.axis import frame_of
from rectify.limb.frame import axis_from, lay_frame
from rectify.limb.landmarks import RawLandmark
from rectify.limb.vocabulary import vocabulary
from rectify.marks.anatomy import Anatomy
from rectify.marks.mark import Mark
from rectify.marks.names import Costs, Pose
from rectify.marks.pose import free_poses
from rectify.marks.sites import Site, given_sites, sites_of

__all__ = ["absent_names", "frame_of_landmarks", "frame_of_marks", "given_name", "placed", "sites_in"]

SAME_MM = 9.0  # a mark this near a landmark that was given is that landmark: two hands mark one place so far apart
FEWEST_MARKS = 3  # from which the limb's place can be told without landmarks
_ROUNDS = 4  # axis and origin settle together
_FIRST_ORIGIN = 0.42  # of the capture's length from its top: a first guess, settled later


def frame_of_landmarks(mesh: Mesh, side: str, amputation: str, given: Mapping[str, RawLandmark]) -> Floats | None:
    """The limb frame, where the landmarks given fix it; None where they do not, or no axis can be laid."""
    edge = _open_edge(mesh)
    if edge is None:
        return None
    try:
        return lay_frame(mesh, edge, side, amputation, given).frame
    except (LandmarkError, MeshError):
        return None


def frame_of_marks(
    marks: tuple[Mark, ...],
    mesh: Mesh,
    side: str,
    amputation: str,
    anatomy: Anatomy,
    given: Mapping[str, RawLandmark],
) -> tuple[Floats | None, list[tuple[Pose, float]]]:
    """The frame under which the marks fit best, and the poses in it with their costs, best first."""
    edge = _open_edge(mesh)
    if edge is None or len(marks) + len(given) < FEWEST_MARKS:
        return None, []
    down = unit(mesh.vertices.mean(axis=0) - edge.mean(axis=0))
    fixed = given.get(vocabulary(amputation).origin[0])
    known = fixed is not None and len(fixed.points) > 0
    if fixed is not None and known:
        origin = fixed.points[0]
    else:
        origin = mesh.vertices.mean(axis=0)
        along = mesh.vertices @ down
        origin = origin + (along.min() + _FIRST_ORIGIN * np.ptp(along) - origin @ down) * down
    for _ in range(_ROUNDS):
        try:
            axis = axis_from(mesh, edge, amputation, origin)
        except MeshError:
            return None, []
        down = axis.distal
        aside = np.eye(3)[int(np.argmin(np.abs(down)))]
        rough = frame_of(axis, 10.0 * np.cross(down, aside), 0.0, side)  # any direction: the pose says which it is
        sites = sites_in(marks, rough, side, given)
        costs = Costs(sites, anatomy, absent_names(given))
        top, end = (-(part @ rough[2, :3] + rough[2, 3]) for part in (edge, mesh.vertices))
        poses = free_poses(sites, costs, float(top.mean()), float(end.max()), level_known=known)
        if not poses:
            return None, []
        first = poses[0][0]
        if known or abs(first.shift) < 0.5:
            break
        origin = axis.point + first.shift * down
    return _moved(rough, first, side), [
        (Pose(p.shift - first.shift, p.turn - first.turn, p.scale, p.end), cost) for p, cost in poses
    ]


def placed(marks: tuple[Mark, ...], frame: Floats, side: str) -> tuple[Mark, ...]:
    """The marks with their level and angle, lines from proximal to distal."""
    lateral = 1.0 if side == "right" else -1.0
    out = []
    for mark in marks:
        x, y, z = frame[:3, :3] @ mark.place + frame[:3, 3]
        curve = mark.curve
        if mark.kind == "line" and len(curve) > 1 and (curve[-1] - curve[0]) @ frame[2, :3] > 0:
            curve = curve[::-1]
        angle = float(np.degrees(np.arctan2(lateral * x, y))) % 360.0
        out.append(replace(mark, curve=curve, level_mm=-float(z), angle_deg=angle))
    return tuple(out)


def sites_in(marks: tuple[Mark, ...], frame: Floats, side: str, given: Mapping[str, RawLandmark]) -> tuple[Site, ...]:
    """The places to be named, then the landmarks that are given."""
    lateral = 1.0 if side == "right" else -1.0
    own = tuple(s for s in sites_of(marks, frame, lateral) if given_name(marks, s, given) is None)
    return own + given_sites(given, frame, lateral)


def given_name(marks: tuple[Mark, ...], site: Site, given: Mapping[str, RawLandmark]) -> str | None:
    """The landmark a person gave at this place, if any; of a line, along most of it."""
    for name, raw in given.items():
        for i in site.marks:
            line = marks[i].kind == "line"
            at = marks[i].curve if line else marks[i].place[None]
            if raw.absent or not len(raw.points) or line != (len(raw.points) > 1):
                continue
            gap = np.linalg.norm(raw.points[:, None] - at[None], axis=2).min(axis=1)
            if np.median(gap) < SAME_MM:
                return name
    return None


def absent_names(given: Mapping[str, RawLandmark]) -> tuple[str, ...]:
    """Landmarks the limb does not have."""
    return tuple(name for name, raw in given.items() if raw.absent)


def _open_edge(mesh: Mesh) -> Points | None:
    """The open top's edge, (k, 3) in order; None where the surface is closed."""
    loops = border_loops(mesh)
    return mesh.vertices[max(loops, key=len)] if loops else None


def _moved(frame: Floats, pose: Pose, side: str) -> Floats:
    """The frame whose level 0 and angle 0 are the pose's."""
    turn = np.radians(pose.turn) * (1.0 if side == "right" else -1.0)
    c, s = np.cos(turn), np.sin(turn)
    move = np.eye(4)
    move[:2, :2] = [[c, -s], [s, c]]  # what lies at atan2(x, y) = turn comes to 0
    move[2, 3] = pose.shift
    return np.asarray(move @ frame)
