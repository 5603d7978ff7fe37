"""A shell about a positive model: the model's own surface inside, a wall of a stated thickness, a rounded brim.

    model + trimline + wall -> Shell

Inside, within the trimline, every vertex of the model is there with its bits. Outside, the surface is as far from the
inside as was asked, and farther only where a hollow fills. The edge is a half round from inside to outside whose crown
stands over the trimline; it takes the last half of a wall below the line. One closed body that nowhere meets itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.errors import InputError, RectifyError
from rectify.fabrication.cut_line import Within, within_trimline
from rectify.fabrication.stand_off import directions, stood_off, way_out
from rectify.geometry.crossings import crossing_faces
from rectify.geometry.mesh import Faces, Floats, Ints, Mesh, Points
from rectify.geometry.nearest import Tree
from rectify.geometry.normals import unit
from rectify.geometry.ring import smoothed_ring

__all__ = ["THICKEST_MM", "THINNEST_MM", "Shell", "Wall", "make_shell"]

THINNEST_MM, THICKEST_MM = 1.5, 15.0  # common practice, no source: thinner breaks, thicker is no check socket
_FULL_MM = 10.0  # height above the tip over which the end has its full thickness
_PIECES = 10  # of the half round
_RIM_SMOOTH_MM = 3.0  # of the edge's directions along the line


@dataclass(frozen=True)
class Wall:
    """How thick a shell is, mm.

    Parameters
    ----------
    wall_mm : everywhere
    brim_mm, brim_fade_mm : at the trimline, fading to the wall over this distance from it
    end_mm, end_fade_mm : over the lowest 10 mm, fading to the wall over so much more height
    """

    wall_mm: float = 4.0
    brim_mm: float = 4.0
    end_mm: float = 4.0
    brim_fade_mm: float = 30.0
    end_fade_mm: float = 40.0

    def __post_init__(self) -> None:
        for key, value in (("wall", self.wall_mm), ("brim-wall", self.brim_mm), ("end-wall", self.end_mm)):
            if not THINNEST_MM <= value <= THICKEST_MM:
                raise InputError(
                    "is no thickness of a check socket",
                    key=key,
                    wanted=f"{THINNEST_MM:g} mm to {THICKEST_MM:g} mm",
                    found=f"{value:g} mm",
                )

    def at(self, from_line: Floats, above_tip: Floats) -> Floats:
        """Thickness (n,) mm by distance from the trimline and height above the lowest point."""
        brim = _fade(from_line / self.brim_fade_mm)
        end = _fade((above_tip - _FULL_MM) / self.end_fade_mm)
        extra = (self.brim_mm - self.wall_mm) * brim + (self.end_mm - self.wall_mm) * end
        return np.asarray(self.wall_mm + extra)


def _fade(share: Floats) -> Floats:
    """1 up to 0, 0 from 1 on, a quintic between: no kink."""
    x = np.clip(share, 0.0, 1.0)
    return np.asarray(1.0 - x**3 * (10.0 - 15.0 * x + 6.0 * x**2))


@dataclass(frozen=True, eq=False)
class Shell:
    """A closed shell and its parts.

    Parameters
    ----------
    mesh : Mesh
        Closed: inside, outside, edge, in this order of vertices and faces.
    within : Within
        The inside as a surface that faces away from the limb.
    outer : Points
        (n, 3), one for each vertex of the inside.
    wanted : (n,) mm
        Thickness asked at each.
    rim : (k, 3) mm
        The crown of the rounded edge, in order.
    way : str
        Which directions the outside was made along.
    """

    mesh: Mesh
    within: Within
    outer: Points
    wanted: Floats
    rim: Points
    way: str


def make_shell(model: Mesh, trimline: Points, wall: Wall) -> Shell:
    """A shell about a positive model.

    Parameters
    ----------
    model : Mesh
        Closed, outward, limb frame, mm.
    trimline : (k, 3) mm
        On it, once round.
    wall : Wall

    Raises
    ------
    MeshError
        See `within_trimline`.
    RectifyError
        No wall of this thickness goes round this shape without passing through itself.
    """
    within = within_trimline(model, trimline, wall.brim_mm / 2)
    inner = within.mesh
    wanted = wall.at(within.from_line, inner.vertices[:, 2] - inner.vertices[:, 2].min())
    tree = Tree(inner.vertices, inner.faces)
    for way, along in directions(inner, within.around, float(wanted.max())):
        far = way_out(tree, inner.vertices, along, wanted)
        shell = _closed(within, stood_off(inner, along, wanted, tree, far), wanted, way)
        crossing = crossing_faces(shell.mesh)
        if not len(crossing):
            return shell
    at = shell.mesh.vertices[shell.mesh.faces[crossing[0], 0]]
    raise RectifyError(
        f"no wall of {wanted.max():g} mm goes round this shape without passing through itself",
        wanted="a fold or a hollow wider than twice the wall, or a thinner wall",
        found=f"{len(crossing)} crossing faces, the first at level {-at[2]:.0f} mm",
    )


def _closed(within: Within, outer: Points, wanted: Floats, way: str) -> Shell:
    inner, loop = within.mesh, within.loop
    n = len(inner.vertices)
    rows = _half_round(inner.vertices[loop], outer[loop])
    k = len(loop)
    index = np.concatenate([loop, 2 * n + np.arange(k * (len(rows))), n + loop]).reshape(-1, k)
    vertices = np.concatenate([inner.vertices, outer, rows.reshape(-1, 3)])
    faces = np.concatenate([inner.faces[:, ::-1], inner.faces + n, _strips(index)])
    return Shell(Mesh(vertices, faces), within, outer, wanted, rows[len(rows) // 2], way)


def _half_round(inside: Points, outside: Points) -> Points:
    """Rows (pieces - 1, k, 3) of the rounded edge between the two edges of the wall, from inside to outside."""
    middle, half = (inside + outside) / 2, (inside - outside) / 2
    radius = np.linalg.norm(half, axis=1, keepdims=True)
    away = _away(inside, half)
    away = unit(away - np.einsum("ij,ij->i", away, half)[:, None] * half / radius**2)
    turn = np.pi * np.arange(1, _PIECES) / _PIECES
    return np.asarray(middle + np.cos(turn)[:, None, None] * half + np.sin(turn)[:, None, None] * (radius * away))


def _away(inside: Points, half: Points) -> Points:
    """Directions (k, 3) along the surface away from the wall at its edge, smooth along the edge however its points lie.

    The surface is on the left of its edge as seen from outside, so that (half x way) looks away from it.
    """
    step = np.linalg.norm(np.roll(inside, -1, axis=0) - inside, axis=1)
    length = float(step.sum())
    count = max(8, round(length))
    at = np.concatenate([[0.0], np.cumsum(step)])
    even: Floats = np.arange(count, dtype=np.float64) * (length / count)

    def evenly(values: Points) -> Points:
        return _interpolated(even, at, np.concatenate([values, values[:1]]))

    line = evenly(inside)
    way = smoothed_ring(np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0), line, _RIM_SMOOTH_MM)
    away = smoothed_ring(unit(np.cross(evenly(half), way)), line, _RIM_SMOOTH_MM)
    return _interpolated(at[:-1], np.append(even, length), np.concatenate([away, away[:1]]))


def _interpolated(places: Floats, at: Floats, values: Points) -> Points:
    return np.stack([np.interp(places, at, values[:, i]) for i in range(3)], axis=1)


def _strips(index: Ints) -> Faces:
    """Faces between rows (r, k) of a closed strip, each row once round."""
    a, b = index[:-1], index[1:]
    a_next, b_next = np.roll(a, -1, axis=1), np.roll(b, -1, axis=1)
    one = np.stack([a, a_next, b_next], axis=-1)
    two = np.stack([a, b_next, b], axis=-1)
    return np.concatenate([one.reshape(-1, 3), two.reshape(-1, 3)])
