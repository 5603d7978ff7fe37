"""Where a fitting goes on: a boss with a flat at a stated angle under the end of a shell, and a hole through it.

The fitting's line runs up through the end of the socket: it passes the limb's axis at the level of the shell's lowest
point, moved by the offsets, and leans from the axis by flexion and adduction, each as seen square to its own plane.
Flexion is the socket's, so seen from the socket the line's upper end leans back; in adduction it leans medially. The
flat lies square to the line, and everything of the shell is above it by the boss's height at least. Solids are joined
and cut by manifold3d; the inside of the shell keeps its bits but where the hole goes through.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from rectify.errors import InputError, MeshError
from rectify.fabrication.shell import Shell
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import unit, vertex_normals

if TYPE_CHECKING:
    import manifold3d

__all__ = ["Fitting", "Seat", "seat_of", "with_fitting"]

_SEGMENTS = 96
_GRIP_MM = 15.0  # of the end's height that the boss takes hold of; common practice, no source
_CORE_SHARE = 0.4  # of the wall from inside: where the boss ends
_END_MM = 80.0  # of height that a hole may go through
_AROUND_MM = 6.0  # of a hole's edge: the inside there says how long the drill must be
_FACING = -0.5  # the end looks down the drill within 60 degrees; elsewhere the hole would come out at the side
_THROUGH_MM = 3.0  # the hole's drill goes so much farther than the wall
_MOST_DEG = 25.0
_MOST_OFFSET_MM = 60.0


@dataclass(frozen=True)
class Fitting:
    """What goes on the end; lengths mm, angles degrees, 0 for none.

    Parameters
    ----------
    hole_mm : diameter of the hole
    boss_mm : diameter of the boss's flat
    height_mm : least height of the boss beyond the shell's outside
    flexion_deg, adduction_deg : of the socket; negative for extension and abduction
    anterior_mm, lateral_mm : where the line is moved to; negative for posterior and medial
    """

    hole_mm: float = 0.0
    boss_mm: float = 0.0
    height_mm: float = 6.0
    flexion_deg: float = 0.0
    adduction_deg: float = 0.0
    anterior_mm: float = 0.0
    lateral_mm: float = 0.0

    def __post_init__(self) -> None:
        for key, value, low, high, unit_ in (
            ("hole", self.hole_mm, 2.0, 60.0, "mm"),
            ("boss", self.boss_mm, 15.0, 120.0, "mm"),
            ("boss-height", self.height_mm, 0.5, 60.0, "mm"),
        ):
            if value and not low <= value <= high:
                raise _outside(key, value, low, high, unit_)
        for key, value, most, unit_ in (
            ("flexion", self.flexion_deg, _MOST_DEG, "deg"),
            ("adduction", self.adduction_deg, _MOST_DEG, "deg"),
            ("anterior", self.anterior_mm, _MOST_OFFSET_MM, "mm"),
            ("lateral", self.lateral_mm, _MOST_OFFSET_MM, "mm"),
        ):
            if abs(value) > most:
                raise _outside(key, value, -most, most, unit_)
        if self.boss_mm and self.hole_mm > self.boss_mm - 6.0:
            raise InputError(
                "leaves no boss about it",
                key="hole",
                wanted=f"at most {self.boss_mm - 6.0:g} mm through a boss of {self.boss_mm:g} mm",
                found=f"{self.hole_mm:g} mm",
            )


def _outside(key: str, value: float, low: float, high: float, unit_: str) -> InputError:
    return InputError(
        "is out of range", key=key, wanted=f"{low:g} {unit_} to {high:g} {unit_}", found=f"{value:g} {unit_}"
    )


@dataclass(frozen=True, eq=False)
class Seat:
    """Where a fitting sits in the limb frame.

    Parameters
    ----------
    centre : (3,) mm
        Middle of the flat.
    up : (3,) unit
        Square to the flat, from the fitting into the socket.
    height_mm : float
        From the flat up to the lowest point of the shell's outside.
    """

    centre: Floats
    up: Floats
    height_mm: float

    def at_level(self, level_mm: float) -> Floats:
        """Where the fitting's line passes a level: (x, y) mm."""
        share = (-level_mm - self.centre[2]) / self.up[2]
        return np.asarray((self.centre + share * self.up)[:2])


def seat_of(shell: Shell, fitting: Fitting, side: str) -> Seat:
    """The seat that a fitting takes under a shell.

    Parameters
    ----------
    side : "left" or "right"
        Lateral is +x on a right limb.
    """
    lateral = 1.0 if side == "right" else -1.0
    lean = np.tan(np.radians([fitting.adduction_deg, fitting.flexion_deg]))
    up = unit(np.array([-lateral * lean[0], -lean[1], 1.0]))
    through = np.array([lateral * fitting.lateral_mm, fitting.anterior_mm, shell.outer[:, 2].min()])
    lowest = float((shell.outer @ up).min())
    height = fitting.height_mm if fitting.boss_mm else 0.0
    centre = through + (lowest - height - through @ up) * up
    return Seat(centre, up, height)


def with_fitting(shell: Shell, fitting: Fitting, seat: Seat, share: float = 0.7) -> Mesh:
    """The shell with its boss and hole, closed.

    Parameters
    ----------
    share : float
        Where in the wall the boss runs, from inside (0) to outside (1).

    Raises
    ------
    MeshError
        The hole does not go through the end.
    """
    if not fitting.boss_mm and not fitting.hole_mm:
        return shell.mesh
    body = _solid(shell.mesh)
    if fitting.boss_mm:
        body = body + _boss(shell, fitting, seat, share)
    if fitting.hole_mm:
        body = body - _drill(shell, fitting, seat)
        if body.genus() != 1 or len(body.decompose()) != 1:
            raise _missed(fitting)
    made = body.to_mesh64()
    return Mesh(np.asarray(made.vert_properties)[:, :3], np.asarray(made.tri_verts).astype(np.int64))


def _boss(shell: Shell, fitting: Fitting, seat: Seat, share: float) -> manifold3d.Manifold:
    """The convex hull of the flat and of what the wall holds of the end above it: it runs into the end all round.

    Its upper part lies within the wall, so that it meets the shell's surface only where it leaves it.
    """
    import manifold3d

    turn = np.arange(_SEGMENTS) * (2 * np.pi / _SEGMENTS)
    around = np.stack([np.cos(turn), np.sin(turn)], axis=1) @ _axes(seat.up)[:2]
    within = _between_faces(shell, share)
    height = (within - seat.centre) @ seat.up
    end = within[height < float(height.min()) + _GRIP_MM]
    made: Any = manifold3d.Manifold.hull_points(np.concatenate([seat.centre + fitting.boss_mm / 2 * around, end]))
    return made - _solid(_closed_by_fan(_between_faces(shell, _CORE_SHARE), shell))


def _drill(shell: Shell, fitting: Fitting, seat: Seat) -> manifold3d.Manifold:
    """A cylinder from below the flat to just within the cavity."""
    inner = shell.within.mesh.vertices
    away = inner - seat.centre
    height = away @ seat.up
    beside = np.linalg.norm(away - height[:, None] * seat.up, axis=1)
    near = (height < height.min() + _END_MM) & (beside < fitting.hole_mm / 2 + _AROUND_MM)
    if not near.any() or (vertex_normals(shell.within.mesh)[near] @ seat.up).mean() > _FACING:
        raise _missed(fitting)
    start = -_THROUGH_MM
    return _frustum(
        seat.centre + start * seat.up,
        seat.up,
        float(height[near].max()) + _THROUGH_MM - start,
        fitting.hole_mm / 2,
        fitting.hole_mm / 2,
    )


def _missed(fitting: Fitting) -> MeshError:
    return MeshError(
        "does not go through the end of the socket",
        key="hole",
        wanted="a hole with wall all round it",
        found=f"one of {fitting.hole_mm:g} mm, {fitting.anterior_mm:g} mm anterior, {fitting.lateral_mm:g} mm lateral",
        hint="move it towards the axis",
    )


def _between_faces(shell: Shell, share: float) -> Points:
    """Points (n, 3) in the wall: 0 inside, 1 outside."""
    inner = shell.within.mesh.vertices
    return np.asarray(inner + share * (shell.outer - inner))


def _closed_by_fan(vertices: Points, shell: Shell) -> Mesh:
    loop = shell.within.loop
    n = len(vertices)
    fan = np.stack([np.roll(loop, -1), loop, np.full(len(loop), n)], axis=1)
    points = np.concatenate([vertices, vertices[loop].mean(axis=0, keepdims=True)])
    return Mesh(points, np.concatenate([shell.within.mesh.faces, fan]))


def _solid(mesh: Mesh) -> manifold3d.Manifold:
    import manifold3d

    made = manifold3d.Manifold(
        manifold3d.Mesh64(np.ascontiguousarray(mesh.vertices), np.ascontiguousarray(mesh.faces.astype(np.uint64)))
    )
    if made.status() != manifold3d.Error.NoError:
        raise MeshError(
            "the shell is no solid to which a boss or a hole could be made",
            wanted="a closed surface",
            found=str(made.status()),
        )
    return made


def _frustum(foot: Floats, up: Floats, height: float, low: float, high: float) -> manifold3d.Manifold:
    import manifold3d

    upright: Any = manifold3d.Manifold.cylinder(height, low, high, _SEGMENTS)
    return upright.transform(np.column_stack([_axes(up).T, foot]))


def _axes(up: Floats) -> Points:
    """Rows: two directions across, the first as near to anterior as can be, and up; right-handed."""
    first = unit(np.array([0.0, 1.0, 0.0]) - up[1] * up)
    return np.stack([first, np.cross(up, first), up])
