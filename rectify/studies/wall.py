"""The wall of a shape: what was captured or shaped of the limb, without the lid that closes its top.

A lid is nobody's skin: distances to it mean nothing. Of a result of this program the report says how many faces the
wall has; of other models a flat lid is found and taken off, and what cannot be told stays closed.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from rectify.capture.top import open_top
from rectify.errors import MeshError
from rectify.geometry.cap import cap_opening
from rectify.geometry.clip import clip, without_unused
from rectify.geometry.edges import bodies, border_loops, survey
from rectify.geometry.mesh import Floats, Mesh
from rectify.geometry.normals import face_areas
from rectify.geometry.rigid import carried
from rectify.geometry.volume import volume
from rectify.limb.axis import Axis
from rectify.limb.chart import build_chart
from rectify.limb.limb import Limb, profile_of
from rectify.rulebook.plan import Warn

__all__ = ["edge_level", "limb_of_wall", "wall_of_model", "wall_of_result"]

_LARGEST_MM = 1500.0
_UNDER_MM = 0.5  # a wall that is cut at the report's plane is cut a little above it, so that the plane meets it
_HOLE_SHARE = 0.25  # of the longest edge: openings shorter than this are holes in a wall, not its top
_TURNED_OVER = -1e-9


def wall_of_result(model: Mesh, report: dict[str, Any]) -> tuple[Mesh, tuple[Warn, ...]]:
    """The wall of a rectified model in the limb frame, by its report: its faces come first in the file.

    Where they do not (another program wrote the file anew), it is cut at the plane that the report counts volume below.
    """
    count = int(report["scan"]["faces"])
    if 0 < count < len(model.faces):
        wall = without_unused(Mesh(model.vertices, model.faces[:count]))[0]
        seen = survey(wall)
        if seen.oriented and seen.manifold and len(border_loops(wall, seen)) == 1:
            return wall, ()
    level = float(report["volume"]["plane_level_mm"])
    wall = clip(model, -model.vertices[:, 2] - (level - _UNDER_MM))[0]
    text = f"the faces of the model are not in the order this program writes: it is compared below level {level:.0f} mm"
    return wall, (Warn("cut-at-plane", "note", text, ""),)


def wall_of_model(model: Mesh, path: str) -> tuple[Mesh, tuple[Warn, ...]]:
    """The largest body of a model, outward, its flat lid off; and what was done, in words.

    Raises
    ------
    MeshError
        It has no area, or is too large to be a limb.
    """
    notes: list[Warn] = []
    piece = bodies(model)
    if piece.max(initial=0) > 0 or (piece < 0).any():
        area = np.bincount(piece[piece >= 0], weights=face_areas(model.vertices, model.faces)[piece >= 0])
        largest = int(np.argmax(area))
        model = without_unused(Mesh(model.vertices, model.faces[piece == largest]))[0]
        if len(area) > 1:
            text = f"{len(area)} separate pieces: only the largest is compared"
            notes.append(Warn("pieces-left-out", "note", text, ""))
    extent = float(np.ptp(model.vertices, axis=0).max()) if len(model.faces) else 0.0
    if not extent >= 1.0:
        raise MeshError(
            "has no size", path=path, found=f"{extent:.3g} mm", hint="are its units right? mm, cm, m or inch"
        )
    seen = survey(model)
    if not seen.border.size:
        try:
            model, steps = open_top(model)
            notes += [Warn(step.code, "note", step.message, "") for step in steps]
        except MeshError:
            text = "closed, without a flat lid: its top cannot be told from the limb; mind figures near it"
            notes.append(Warn("top-not-told", "note", text, ""))
    if volume(model) < _TURNED_OVER:
        model = Mesh(model.vertices, model.faces[:, ::-1])
        notes.append(Warn("turned-outward", "note", "its faces pointed inward and were turned over", ""))
    return model, tuple(notes)


def edge_level(wall: Mesh) -> float:
    """Level (z down) below which a wall is all there: of the lowest point of its edge; of a closed one its top's."""
    loops = border_loops(wall)
    points = wall.vertices if not loops else wall.vertices[loops[0]]
    return float(-(points[:, 2].max() if not loops else points[:, 2].min()))


def holes(wall: Mesh) -> int:
    """How many openings a wall has besides its top."""
    return max(len(border_loops(wall)) - 1, 0)


def limb_of_wall(wall: Mesh, frame: Floats, *, side: str, amputation: str) -> Limb | None:
    """A wall as a limb in the frame that a transform takes it to, which is not fitted anew; None where it is not open
    at the top and nowhere else."""
    mesh = wall.with_vertices(carried(wall.vertices, frame))
    seen = survey(mesh)
    if not seen.oriented or not seen.manifold or len(border_loops(mesh, seen)) != 1 or seen.body_count != 1:
        return None
    try:
        cap = cap_opening(mesh, mirror=side == "left")
        chart = build_chart(mesh, side)
    except (MeshError, IndexError):  # the second: no closed section, no end
        return None
    axis = Axis(np.zeros(3), np.array([0.0, 0.0, -1.0]), 0.0, float(-mesh.vertices[:, 2].min()))
    return Limb(side, amputation, mesh, cap, np.asarray(frame), axis, chart, profile_of(mesh), {})
