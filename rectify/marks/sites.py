"""Places that may carry a name: a mark, or a ring with a dot in its middle, which is one place drawn twice."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rectify.geometry.mesh import Floats, Points
from rectify.limb.landmarks import RawLandmark
from rectify.marks.kinds import Kind
from rectify.marks.mark import Mark

__all__ = ["Site", "given_sites", "sites_of"]

_CONCENTRIC = 0.35  # of a ring's radius: a dot this near its middle belongs to it


@dataclass(frozen=True)
class Site:
    """A place that may carry a name, in a frame whose z runs along the limb, proximally.

    Parameters
    ----------
    marks : indices, the one that gives the place first
    kind, size_mm : of the largest of them
    level, angle : mm and degrees, -180 to 180
    radius : float, mm
        From the axis.
    lean : float, degrees
        Of a line, between it and the axis' direction along the surface: 0 along, 90 across; NaN for others.
    confidence : float
        That it is a mark.
    only : str, optional
        The one name it can have: it is no mark but a landmark that a person gave.
    """

    marks: tuple[int, ...]
    kind: Kind
    size_mm: float
    level: float
    angle: float
    radius: float
    lean: float
    confidence: float
    only: str | None = None


def sites_of(marks: tuple[Mark, ...], frame: Floats, lateral: float) -> tuple[Site, ...]:
    """The places of marks in a frame.

    Parameters
    ----------
    marks : tuple of Mark
        In the capture's axes.
    frame : (4, 4)
        From the capture's axes.
    lateral : float
        +1 where x is lateral, -1 where it is medial.
    """
    inside = _inside_rings(marks)
    held = {dot for dots in inside.values() for dot in dots}
    out = []
    for i, mark in enumerate(marks):
        if i in held:
            continue
        own = (*inside.get(i, ()), i)
        sure = 1.0 - float(np.prod([1.0 - marks[j].confidence for j in own]))
        curve = mark.curve if mark.kind == "line" else mark.curve[:0]
        out.append(_site(own, mark.kind, mark.size_mm, marks[own[0]].place, curve, frame, lateral, sure))
    return tuple(out)


def given_sites(landmarks: Mapping[str, RawLandmark], frame: Floats, lateral: float) -> tuple[Site, ...]:
    """Landmarks given by a person as places that can have one name only: they say where the limb lies, too."""
    out = []
    for name, raw in landmarks.items():
        if raw.absent or raw.beyond_capture or not len(raw.points):
            continue
        line = len(raw.points) > 1
        length = float(np.linalg.norm(np.diff(raw.points, axis=0), axis=1).sum())
        middle = raw.points[len(raw.points) // 2] if not line else raw.points.mean(axis=0)
        curve = raw.points if line else raw.points[:0]
        out.append(_site((), "line" if line else "dot", length, middle, curve, frame, lateral, 1.0, name))
    return tuple(out)


def _site(
    own: tuple[int, ...],
    kind: Kind,
    size: float,
    place: Points,
    curve: Points,
    frame: Floats,
    lateral: float,
    sure: float,
    only: str | None = None,
) -> Site:
    x, y, z = frame[:3, :3] @ place + frame[:3, 3]
    angle = float(np.degrees(np.arctan2(lateral * x, y)))
    lean = _lean(curve @ frame[:3, :3].T)
    return Site(own, kind, size, -float(z), angle, float(np.hypot(x, y)), lean, sure, only)


def _inside_rings(marks: tuple[Mark, ...]) -> dict[int, list[int]]:
    """For each ring or outline, the dots and crosses in its middle, the nearest to it first."""
    out: dict[int, list[int]] = {}
    round_ = [i for i, m in enumerate(marks) if m.kind in ("ring", "outline")]
    for j, mark in enumerate(marks):
        if mark.kind not in ("dot", "cross"):
            continue
        gaps = [(float(np.linalg.norm(mark.place - marks[i].place)), i) for i in round_]
        near = [
            (gap, i) for gap, i in gaps if gap < _CONCENTRIC * marks[i].size_mm / 2 and mark.size_mm < marks[i].size_mm
        ]
        if near:
            out.setdefault(min(near)[1], []).append(j)
    for i, dots in out.items():
        dots.sort(key=lambda j: float(np.linalg.norm(marks[j].place - marks[i].place)))
    return out


def _lean(curve: Points) -> float:
    if len(curve) < 2:
        return float("nan")
    way = curve[-1] - curve[0]
    return float(np.degrees(np.arctan2(np.hypot(way[0], way[1]), abs(way[2]))))
