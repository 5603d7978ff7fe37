"""Holes in the wall: filled so that the surface carries on, told with area and place, or refused.

What is refused (working values, no source): a hole more than 45 mm wide, which bends round the limb and would be
invented rather than filled; and holes that together are more than 4 % of the wall. A filled hole of more than 100 mm²
is for a person to look at.
"""

from __future__ import annotations

import numpy as np

from rectify.capture.step import Step, place_text
from rectify.capture.top import top_loop
from rectify.errors import MeshError
from rectify.geometry.edges import border_loops
from rectify.geometry.fill import fill_hole
from rectify.geometry.mesh import Ints, Mesh
from rectify.geometry.normals import face_areas

__all__ = ["WIDEST_MM", "fill_holes"]

WIDEST_MM = 45.0
MOST_SHARE = 0.04
_LOOK_MM2 = 100.0


def fill_holes(mesh: Mesh) -> tuple[Mesh, Ints, list[Step]]:
    """Fill every opening but the top.

    Returns
    -------
    Mesh
    (k,) int64
        The new vertices.
    list of Step

    Raises
    ------
    MeshError
        If a hole, or all of them together, are too large to be filled honestly.
    """
    loops = border_loops(mesh)
    top = top_loop(mesh, loops)
    holes = [loop for loop in loops if loop is not top]
    if not holes:
        return mesh, np.zeros(0, dtype=np.int64), []
    _refuse_wide(mesh, holes)
    wall = float(face_areas(mesh.vertices, mesh.faces).sum())
    edge = float(np.median(np.linalg.norm(mesh.vertices[mesh.faces[:, 0]] - mesh.vertices[mesh.faces[:, 1]], axis=1)))
    first = len(mesh.vertices)
    filled = []
    for loop in holes:
        done = fill_hole(mesh, loop, edge)
        mesh = done.mesh
        filled.append(done)
    total = sum(done.area_mm2 for done in filled)
    if total > MOST_SHARE * wall:
        raise MeshError(
            "too much of the wall was not captured",
            wanted=f"holes of at most {MOST_SHARE:.0%} of the wall",
            found=f"{len(holes)} holes, {total:.0f} mm², {total / wall:.1%} of the wall",
            hint="scan again",
        )
    steps = [
        Step(
            "hole-filled",
            f"a hole {done.width_mm:.0f} mm wide was filled, {done.area_mm2:.0f} mm², near {place_text(done.centre)}",
            look=True,
            area_mm2=done.area_mm2,
            place=(float(done.centre[0]), float(done.centre[1]), float(done.centre[2])),
        )
        for done in filled
        if done.area_mm2 > _LOOK_MM2
    ]
    small = [done.area_mm2 for done in filled if done.area_mm2 <= _LOOK_MM2]
    if small:
        steps.append(
            Step(
                "small-holes-filled",
                f"{len(small)} holes of at most {_LOOK_MM2:g} mm², {sum(small):.0f} mm² in all, were filled",
                count=len(small),
                area_mm2=float(sum(small)),
            )
        )
    return mesh, np.arange(first, len(mesh.vertices)), steps


def _refuse_wide(mesh: Mesh, holes: list[Ints]) -> None:
    for loop in holes:
        points = mesh.vertices[loop]
        width = float(np.ptp(points, axis=0).max())
        if width > WIDEST_MM:
            raise MeshError(
                "the wall has a hole that is too wide to fill",
                wanted=f"at most {WIDEST_MM:g} mm",
                found=f"{width:.0f} mm, near {place_text(points.mean(axis=0))} in the scan's axes",
                hint="scan again",
            )
