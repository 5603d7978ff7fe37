"""A raw capture, mended step by step; a clean one passes through untouched.

    faces -> sides -> the limb's body -> open top -> trimmed top -> filled holes -> outward

What is not touched keeps its bits. Nothing is invented in silence: each step is told with its numbers, and the vertices
that fill holes are named, so that a region over them can be refused or looked at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.capture.holes import fill_holes
from rectify.capture.sheets import agree_sides, drop_bad_faces, keep_limb
from rectify.capture.step import Step, place_text
from rectify.capture.top import open_top, top_loop, trim_top
from rectify.errors import MeshError, RectifyError
from rectify.geometry.clip import without_unused
from rectify.geometry.crossings import crossing_faces
from rectify.geometry.edges import border_loops, survey
from rectify.geometry.mesh import Ints, Mesh
from rectify.geometry.volume import volume

__all__ = ["Repaired", "repair"]

_MOST_CROSSING = 0.01  # of the faces: more is no scanner's fault but another problem
_PASSES = 3


@dataclass(frozen=True, eq=False)
class Repaired:
    """A capture fit to be charted.

    Parameters
    ----------
    mesh : Mesh
        One body, open at the top and nowhere else, outward.
    invented : (k,) int64
        Vertices that fill holes.
    steps : tuple of Step
    """

    mesh: Mesh
    invented: Ints
    steps: tuple[Step, ...]


def repair(mesh: Mesh, *, inward: bool = False, path: str | None = None) -> Repaired:
    """Mend a capture as far as that can be done honestly.

    Parameters
    ----------
    mesh : Mesh
        In mm, in any pose.
    inward : bool
        The surface was captured from inside, so its faces are expected to point into the cavity.
    path : str, optional
        The scan's file, for the sentences.

    Raises
    ------
    MeshError
        What cannot be mended, with where and how much.
    """
    try:
        return _repair(mesh, inward)
    except RectifyError as error:
        if error.path is None:
            error.path = path
        raise


def _repair(mesh: Mesh, inward: bool) -> Repaired:
    mesh, steps = drop_bad_faces(mesh)
    for mend in (keep_limb, agree_sides, open_top, trim_top):
        mesh, more = mend(mesh)
        steps += more
    mesh, more = _clear_crossings(mesh)
    steps += more
    mesh, invented, more = fill_holes(mesh)
    steps += more
    mesh, more = _outward(mesh, inward)
    return Repaired(mesh, invented, tuple(steps + more))


def _clear_crossings(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    """Take out faces that pass through others, and let the holes they leave be filled."""
    dropped = 0
    place = None
    for _ in range(_PASSES):
        crossing = crossing_faces(mesh)
        if not len(crossing):
            break
        if len(crossing) > _MOST_CROSSING * len(mesh.faces):
            where = place_text(mesh.vertices[mesh.faces[crossing]].mean(axis=(0, 1)))
            raise MeshError(
                "the surface passes through itself",
                wanted="a surface that does not",
                found=f"{len(crossing)} of {len(mesh.faces)} faces, about {where}",
                hint="is a fold of skin scanned twice? mend the scan there, or scan again",
            )
        place = mesh.vertices[mesh.faces[crossing]].mean(axis=(0, 1)) if place is None else place
        mesh, count = _without(mesh, crossing)
        dropped += count
    if not dropped or place is None:
        return mesh, []
    x, y, z = (float(c) for c in place)
    message = f"{dropped} faces that passed through others were taken out, about {place_text(place)}"
    return mesh, [Step("crossings-cleared", message, count=dropped, place=(x, y, z))]


def _without(mesh: Mesh, faces: Ints) -> tuple[Mesh, int]:
    """Drop faces and what hangs by a corner only; the limb's body stays."""
    keep = np.ones(len(mesh.faces), dtype=bool)
    keep[faces] = False
    before = len(mesh.faces)
    out = without_unused(Mesh(mesh.vertices, mesh.faces[keep], mesh.colours))[0]
    out, _ = keep_limb(out)
    out = _without_pinches(out)
    return out, before - len(out.faces)


def _without_pinches(mesh: Mesh) -> Mesh:
    """Drop the faces at vertices where two borders touch, so that every border is a simple ring."""
    for _ in range(_PASSES):
        border = survey(mesh).border
        start, count = np.unique(border[:, 0], return_counts=True)
        pinched = start[count > 1]
        if not len(pinched):
            return mesh
        keep = ~np.isin(mesh.faces, pinched).any(axis=1)
        mesh = keep_limb(without_unused(Mesh(mesh.vertices, mesh.faces[keep], mesh.colours))[0])[0]
    return mesh


def _outward(mesh: Mesh, inward: bool) -> tuple[Mesh, list[Step]]:
    """Faces away from the limb: judged by the volume under a fan over the top."""
    loop = top_loop(mesh, border_loops(mesh))
    apex = len(mesh.vertices)
    fan = np.stack([np.roll(loop, -1), loop, np.full(len(loop), apex)], axis=1)
    body = Mesh(np.vstack([mesh.vertices, mesh.vertices[loop].mean(axis=0)]), np.concatenate([mesh.faces, fan]))
    outside = volume(body) > 0
    if outside and not inward:
        return mesh, []
    steps = []
    if not outside:
        mesh = Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[:, ::-1]), mesh.colours)
        message = (
            "faces turned over: the surface was captured from inside"
            if inward
            else "the scan was inside out: turned over"
        )
        steps.append(Step("turned-outward", message, count=len(mesh.faces)))
    return mesh, steps
