"""Edges where three faces or more meet: the skin runs on across them, and what stands on it is cut off.

The surface is taken apart at such edges. Beginning with the largest part, at each edge the part that carries on most
smoothly stays: a flap, or a second sheet grown to the skin along one side, leaves without a hole.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.capture.step import Step, place_of, place_text
from rectify.geometry.clip import without_unused
from rectify.geometry.edges import survey
from rectify.geometry.mesh import Ints, Mesh, Points
from rectify.geometry.normals import face_areas, unit
from rectify.geometry.pieces import pieces

__all__ = ["clear_crowds"]

_MOST_PARTS = 400  # with more, the faces at crowded edges are simply dropped
_CORNER = 8  # power of the cosine: an edge where both turn a corner, as at a lid, says nothing


@dataclass(frozen=True, eq=False)
class _Meetings:
    """One row for each time that a part has a crowded edge: edge, part, direction from the edge into the face."""

    edge: Ints
    part: Ints
    into: Points
    edges: int


def clear_crowds(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    """Leave at most two faces at every edge."""
    crowded = survey(mesh).crowded
    if not len(crowded):
        return mesh, []
    place = mesh.vertices[crowded[0]].mean(axis=0)
    area = float(face_areas(mesh.vertices, mesh.faces).sum())
    before = len(mesh.faces)
    part, meetings = _taken_apart(mesh)
    if part.max(initial=0) < _MOST_PARTS:
        gone = _standing(meetings, np.bincount(part, weights=face_areas(mesh.vertices, mesh.faces)))
        mesh = _kept(mesh, ~gone[part])
    mesh = _without_rest(mesh)
    dropped = before - len(mesh.faces)
    message = (
        f"at {len(crowded)} edges more than two faces met, one near {place_text(place)}: {dropped} faces that "
        "stood on the skin there were cut off"
    )
    area -= float(face_areas(mesh.vertices, mesh.faces).sum())
    return mesh, [
        Step("flaps-cut-off", message, look=True, count=dropped, area_mm2=area, place=place_of(place)),
    ]


def _kept(mesh: Mesh, keep: np.ndarray) -> Mesh:
    return without_unused(Mesh(mesh.vertices, mesh.faces[keep], mesh.colours))[0]


def _taken_apart(mesh: Mesh) -> tuple[Ints, _Meetings]:
    """Which part each face belongs to, faces being joined across edges with two faces only; and who meets whom."""
    f, n = mesh.faces, np.int64(len(mesh.vertices))
    half = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])
    face = np.tile(np.arange(len(f)), 3)
    tip = np.concatenate([f[:, 2], f[:, 0], f[:, 1]])
    key = half.min(axis=1) * n + half.max(axis=1)
    order = np.argsort(key, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(key[order]) != 0])
    count = np.diff(starts, append=len(key))
    two = starts[count == 2]
    one, other = face[order[two]], face[order[two + 1]]
    part = pieces(len(f), one, other)[1]
    number = np.repeat(np.arange(len(starts)), count)
    in_crowd = np.repeat(count > 2, count)
    rows = order[in_crowd]
    low, high = half[rows].min(axis=1), half[rows].max(axis=1)
    along = unit(mesh.vertices[high] - mesh.vertices[low])
    into = mesh.vertices[tip[rows]] - mesh.vertices[low]
    into = unit(into - np.einsum("ij,ij->i", into, along)[:, None] * along)
    _, edge = np.unique(number[in_crowd], return_inverse=True)
    return part, _Meetings(edge, part[face[rows]], into, int(edge.max(initial=-1)) + 1)


def _standing(meet: _Meetings, area: np.ndarray) -> np.ndarray:
    """Which parts (p,) stand on the skin instead of being it."""
    parts = len(area)
    open_parts = np.zeros(parts, dtype=bool)
    open_parts[meet.part] = True
    gone = np.zeros(parts, dtype=bool)
    kept_at = np.zeros(meet.edges, dtype=np.int64)
    kept_into = np.zeros((meet.edges, 3))
    rows_of = np.split(np.argsort(meet.part, kind="stable"), np.cumsum(np.bincount(meet.part, minlength=parts))[:-1])

    def keep(part: int) -> None:
        rows = rows_of[part]
        np.add.at(kept_at, meet.edge[rows], 1)
        kept_into[meet.edge[rows]] = meet.into[rows]
        open_parts[part] = False

    while open_parts.any():
        waiting = np.flatnonzero(open_parts)
        smooth = np.full(len(waiting), -np.inf)
        for i, part in enumerate(waiting):
            edges = meet.edge[rows_of[part]]
            if (kept_at[edges] + np.bincount(edges, minlength=meet.edges)[edges] > 2).any() and kept_at[edges].any():
                gone[part], open_parts[part] = True, False
            elif (kept_at[edges] == 1).any():
                into = meet.into[rows_of[part]][kept_at[edges] == 1]
                level = -np.einsum("ij,ij->i", into, kept_into[edges[kept_at[edges] == 1]])
                smooth[i] = float((np.clip(level, 0.0, 1.0) ** _CORNER).mean())
        if not open_parts.any():
            break
        waiting_on = open_parts[waiting]
        if np.isfinite(smooth[waiting_on]).any():
            keep(int(waiting[int(np.argmax(np.where(waiting_on, smooth, -np.inf)))]))
        else:
            left = np.flatnonzero(open_parts)
            keep(int(left[int(np.argmax(area[left]))]))
    return gone


def _without_rest(mesh: Mesh) -> Mesh:
    """Drop every face at an edge that is crowded still: a hole is left to be filled."""
    crowded = survey(mesh).crowded
    if not len(crowded):
        return mesh
    n = np.int64(len(mesh.vertices))
    keys = np.unique(crowded[:, 0] * n + crowded[:, 1])
    on = np.zeros(len(mesh.faces), dtype=bool)
    for i in range(3):
        a, b = mesh.faces[:, i], mesh.faces[:, (i + 1) % 3]
        on |= np.isin(np.minimum(a, b) * n + np.maximum(a, b), keys)
    return _kept(mesh, ~on)
