"""A raw capture, mended step by step; a clean one passes through untouched.

    numbers -> gaps -> faces -> cracks -> flaps -> the limb's body -> sides -> spikes -> open top -> trimmed top
      -> crossings -> holes -> outward -> looked over

What is not touched keeps its bits. Nothing is invented in silence: each step is told with its numbers, and the vertices
that fill holes are named, so that a region over them can be refused or looked at. What cannot be mended is refused,
with the fault, a place and a number; a surface that is not sound never leaves here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rectify.capture.faces import check_numbers, check_size, close_cracks, close_gaps, drop_bad_faces
from rectify.capture.holes import fill_holes
from rectify.capture.sheets import agree_sides, clear_crowds, keep_limb, unpinch
from rectify.capture.spikes import check_crossings, clear_crossings, drop_spikes
from rectify.capture.step import Step
from rectify.capture.top import open_top, top_loop
from rectify.capture.trim import cut_by_plane, trim_top
from rectify.errors import MeshError, RectifyError
from rectify.geometry.edges import border_loops, survey
from rectify.geometry.fans import lesser_fans
from rectify.geometry.mesh import Floats, Ints, Mesh, Points
from rectify.geometry.volume import volume

__all__ = ["Plane", "Repaired", "repair"]

_ROUNDS = 3
Plane = tuple[Floats, Floats]  # a point on it, and the direction of what is cut off: (3,) each, the scan's axes, mm


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


def repair(
    mesh: Mesh, *, inward: bool = False, path: str | None = None, trim: Plane | Callable[[Mesh], Plane] | None = None
) -> Repaired:
    """Mend a capture as far as that can be done honestly.

    Parameters
    ----------
    mesh : Mesh
        In mm, in any pose.
    inward : bool
        The surface was captured from inside, so its faces are expected to point into the cavity.
    path : str, optional
        The scan's file, for the sentences.
    trim : (point, direction), each (3,), optional
        Cut the top by the plane through the point; what lies in the direction goes. Instead of trimming a ragged top or
        taking a lid off; where the whole scan lies below the plane, as if it had not been asked for, and that is told.
        Or what says the plane for the limb's body, once that is one piece with its faces agreed.

    Raises
    ------
    MeshError
        What cannot be mended, with where and how much.
    """
    try:
        return _repair(mesh, inward, trim)
    except RectifyError as error:
        if error.path is None:
            error.path = path
        raise


def _repair(mesh: Mesh, inward: bool, trim: Plane | Callable[[Mesh], Plane] | None) -> Repaired:
    mesh = check_numbers(mesh)
    steps: list[Step] = []
    mend: Callable[[Mesh], tuple[Mesh, list[Step]]]
    for mend in (close_gaps, drop_bad_faces, close_cracks, clear_crowds, keep_limb, _without_pinches):
        mesh, more = mend(mesh)
        steps += more
    check_size(mesh)
    for mend in (agree_sides, drop_spikes, _opened(trim)):
        mesh, more = mend(mesh)
        steps += more
    mesh, invented, more = _closed(mesh, not any(step.code == "top-cut" for step in steps))
    steps += more
    mesh, more = _outward(mesh, inward)
    _look_over(mesh)
    if steps:
        check_crossings(mesh)
    return Repaired(mesh, invented, tuple(steps + more))


def _closed(mesh: Mesh, may_trim: bool) -> tuple[Mesh, Ints, list[Step]]:
    """Nothing crosses and no hole is left; and the edge is trimmed again where a hole by it was cut back into it."""
    steps: list[Step] = []
    places: list[Points] = []
    for _ in range(_ROUNDS):
        mesh, more = clear_crossings(mesh)
        steps += more
        mesh, new, more = fill_holes(mesh)
        steps += more
        places.append(mesh.vertices[new])
        trimmed, more = trim_top(mesh) if may_trim else (mesh, [])
        if not more:
            break
        mesh = trimmed
        steps += more
    return mesh, new if len(places) == 1 else _found_again(np.concatenate(places), mesh), steps


def _opened(trim: Plane | Callable[[Mesh], Plane] | None) -> Callable[[Mesh], tuple[Mesh, list[Step]]]:
    """How the top is opened: by the plane asked for, or where it is open and below its bites."""

    def as_captured(mesh: Mesh) -> tuple[Mesh, list[Step]]:
        out, steps = open_top(mesh)
        if out is not mesh:  # under a lid there may be tips that its plane cut through
            out, more = drop_spikes(out)
            steps += more
        out, more = trim_top(out)
        return out, steps + more

    def by_plane(mesh: Mesh) -> tuple[Mesh, list[Step]]:
        assert trim is not None
        out, steps = cut_by_plane(mesh, *(trim(mesh) if callable(trim) else trim))
        if out is not mesh:
            return out, steps
        out, more = as_captured(mesh)
        return out, steps + more

    return as_captured if trim is None else by_plane


def _found_again(points: Points, mesh: Mesh) -> Ints:
    """Which vertices of a mesh lie at these places to the bit."""
    places = {place.tobytes() for place in points}
    return np.flatnonzero([vertex.tobytes() in places for vertex in mesh.vertices])


def _without_pinches(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    if survey(mesh).disc:
        return mesh, []
    mesh, count = unpinch(mesh)
    if not count:
        return mesh, []
    message = f"at {count} vertices pieces of skin hung together in a point: the lesser piece was cut loose there"
    return mesh, [Step("pinches-cut", message, count=count)]


def _outward(mesh: Mesh, inward: bool) -> tuple[Mesh, list[Step]]:
    """Faces away from the limb: judged by the volume under a fan over the top."""
    loop = top_loop(mesh, border_loops(mesh))
    apex = len(mesh.vertices)
    fan = np.stack([np.roll(loop, -1), loop, np.full(len(loop), apex)], axis=1)
    body = Mesh(np.vstack([mesh.vertices, mesh.vertices[loop].mean(axis=0)]), np.concatenate([mesh.faces, fan]))
    if volume(body) > 0:
        if not inward:
            return mesh, []
        message = "faces point outward already, though the surface is said to be captured from inside: left as they are"
        return mesh, [Step("already-outward", message)]
    mesh = Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[:, ::-1]), mesh.colours)
    message = (
        "faces turned over: the surface was captured from inside" if inward else "the scan was inside out: turned over"
    )
    return mesh, [Step("turned-outward", message, count=len(mesh.faces))]


def _look_over(mesh: Mesh) -> None:
    """Hold the result against what was promised; a scan that still is not one sheet is refused."""
    seen = survey(mesh)
    if seen.disc and not len(seen.duplicate):
        return
    tunnels = 1 - seen.euler  # a surface open once and nowhere joined to itself has V - E + F = 1
    pinched = lesser_fans(mesh.faces)[0]
    faults = {
        "edges with more than two faces": len(seen.crowded),
        "edges whose faces disagree": len(seen.inconsistent),
        "faces without area or told twice": len(seen.degenerate) + len(seen.duplicate),
        "bodies too many": seen.body_count - 1,
        "openings too many": len(border_loops(mesh)) - 1,
        "vertices in which pieces hang together": len(pinched),
        "places where the surface is joined to itself like a handle (V - E + F, less 1)": tunnels,
    }
    found = [f"{count} {what}" for what, count in faults.items() if count]
    if found:
        raise MeshError(
            "the surface cannot be mended to one sheet",
            wanted="one surface, open at the top only",
            found="; ".join(found),
            hint="mend the scan in the scanning software, or scan again",
        )
