"""Holes in the wall: filled so that the surface carries on, told with area and place, or refused.

What is refused (working values, no source): a hole more than 45 mm wide, or more than 45 % of the limb's own width,
which bends round the limb and would be invented rather than filled; and holes that together are more than 4 % of the
wall. A slit, however long, is sewn up. A filled hole of more than 100 mm² is for a person to look at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.capture.faces import unfold_flat
from rectify.capture.spikes import without_faces
from rectify.capture.step import Step, place_of, place_text
from rectify.capture.top import limb_width, top_loop
from rectify.errors import MeshError
from rectify.geometry.crossings import crossing_faces
from rectify.geometry.edges import border_loops
from rectify.geometry.fill import Filled, fill_hole, hole_widths
from rectify.geometry.mesh import Ints, Mesh
from rectify.geometry.nearest import faces_near
from rectify.geometry.normals import face_areas

__all__ = ["WIDEST_MM", "fill_holes"]

WIDEST_MM = 45.0
_WIDEST_SHARE = 0.45  # of the limb's width
_SLIT_MM = 6.0
MOST_SHARE = 0.04
_LOOK_MM2 = 100.0
_ROUNDS = 4


@dataclass(frozen=True, eq=False)
class _Round:
    """One try at all holes: the mesh, what was filled, and the edges whose filling will not do."""

    mesh: Mesh
    filled: list[Filled]
    bad: list[Ints]


def fill_holes(mesh: Mesh) -> tuple[Mesh, Ints, list[Step]]:
    """Fill every opening but the top. Where a filling would pass through the wall, the hole's edge is first cut back.

    Returns
    -------
    Mesh
    (k,) int64
        The new vertices.
    list of Step

    Raises
    ------
    MeshError
        If a hole, or all of them together, are too large to be filled honestly, or one cannot be filled.
    """
    none = np.zeros(0, dtype=np.int64)
    for _ in range(_ROUNDS):
        loops = border_loops(mesh)
        top = top_loop(mesh, loops)
        holes = [loop for loop in loops if loop is not top]
        if not holes:
            return mesh, none, []
        _refuse_wide(mesh, holes)
        done = _fill_all(mesh, holes)
        if not done.bad:
            break
        edges = np.isin(mesh.faces, np.concatenate(done.bad)).any(axis=1)
        mesh = without_faces(mesh, np.flatnonzero(edges))
    else:
        middle = mesh.vertices[done.bad[0]].mean(axis=0) if len(done.bad) else np.zeros(3)
        raise MeshError(
            "a hole cannot be filled without passing through the wall",
            wanted="a hole whose edge can be laid flat",
            found=f"{len(done.bad)} that cannot, one near {place_text(middle)}",
            hint="mend the scan there, or scan again",
        )
    wall = float(face_areas(mesh.vertices, mesh.faces).sum())
    _refuse_share(sum(hole.area_mm2 for hole in done.filled), wall, len(done.filled))
    out = Mesh(done.mesh.vertices, unfold_flat(done.mesh)[0], done.mesh.colours)
    return out, np.arange(len(mesh.vertices), len(out.vertices)), _steps(done.filled)


def _fill_all(mesh: Mesh, holes: list[Ints]) -> _Round:
    corner = mesh.vertices[mesh.faces]
    edge = float(np.median(np.linalg.norm(corner - np.roll(corner, -1, axis=1), axis=2)))
    filled, bad = [], []
    for loop in holes:
        try:
            done = fill_hole(mesh, loop, edge)
        except MeshError:
            bad.append(loop)
            continue
        if _crosses(done):
            bad.append(loop)
            continue
        mesh = done.mesh
        filled.append(done)
    return _Round(mesh, filled, bad)


def _crosses(done: Filled) -> bool:
    """Whether the filling passes through itself or through the wall near it."""
    mesh = done.mesh
    corners = mesh.vertices[np.unique(mesh.faces[done.new_faces])]
    near = faces_near(corners, mesh.vertices, mesh.faces, 0.0)
    return bool(len(crossing_faces(Mesh(mesh.vertices, mesh.faces[near]))))


def _steps(filled: list[Filled]) -> list[Step]:
    steps = [
        Step(
            "hole-filled",
            f"a hole {done.width_mm:.0f} mm wide was filled, {done.area_mm2:.0f} mm², near {place_text(done.centre)}",
            look=True,
            area_mm2=done.area_mm2,
            place=place_of(done.centre),
        )
        for done in filled
        if done.area_mm2 > _LOOK_MM2
    ]
    small = [done.area_mm2 for done in filled if done.area_mm2 <= _LOOK_MM2]
    if small:
        message = f"{len(small)} holes of at most {_LOOK_MM2:g} mm², {sum(small):.0f} mm² in all, were filled"
        steps.append(Step("small-holes-filled", message, count=len(small), area_mm2=float(sum(small))))
    return steps


def _refuse_wide(mesh: Mesh, holes: list[Ints]) -> None:
    limb = limb_width(mesh.vertices)
    most = min(WIDEST_MM, _WIDEST_SHARE * limb)
    for loop in holes:
        points = mesh.vertices[loop]
        long, short = hole_widths(points)
        if long > most and short > _SLIT_MM:
            raise MeshError(
                "the wall has a hole that is too wide to fill",
                wanted=f"at most {most:.0f} mm, on a limb {limb:.0f} mm wide",
                found=f"{long:.0f} mm, near {place_text(points.mean(axis=0))} in the scan's axes",
                hint="scan again",
            )


def _refuse_share(total: float, wall: float, count: int) -> None:
    if total > MOST_SHARE * wall:
        raise MeshError(
            "too much of the wall was not captured",
            wanted=f"holes of at most {MOST_SHARE:.0%} of the wall",
            found=f"{count} holes, {total:.0f} mm², {total / wall:.1%} of the wall",
            hint="scan again",
        )
