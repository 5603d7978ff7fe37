"""Shapes with closed forms, in the limb frame: tubes, cones, capsules, a sphere, a bent tube.

Length is mm; z is the axis, level 0 at z = 0, distal downward. Each shape is closed but for its upper edge
(the open proximal edge of a limb) unless it says otherwise; faces point outward; triangles are
near-equilateral. Vertices lie on the true surface, so chords cut inside it: a ring of n vertices is
short by (2 pi / n)^2 / 24 of its length.
"""

from __future__ import annotations

import numpy as np

from rectify.errors import MeshError
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.synthetic.lattice import Surface, weave

__all__ = ["bent_tube", "capped_cone", "capsule", "cone", "elliptic_capsule", "sphere", "tube"]


def tube(
    radius: float = 50.0,
    wall: float = 150.0,
    edge_mm: float = 2.0,
    proximal: float = 60.0,
    *,
    end: str = "flat",
) -> Mesh:
    """A cylinder from z = +proximal down to z = -wall.

    Parameters
    ----------
    radius, wall, edge_mm, proximal : float, mm
    end : 'flat' | 'open'
        A flat disc with a sharp rim, or no end at all.

    Examples
    --------
    >>> mesh = tube(radius=40.0, wall=100.0, edge_mm=5.0, proximal=20.0)
    >>> [float(z) for z in (mesh.vertices[:, 2].min(), mesh.vertices[:, 2].max())]
    [-100.0, 20.0]
    """
    return cone(radius, radius, wall, edge_mm, proximal, end=end)


def cone(
    radius_top: float = 55.0,
    radius_end: float = 40.0,
    wall: float = 150.0,
    edge_mm: float = 2.0,
    proximal: float = 60.0,
    *,
    end: str = "flat",
) -> Mesh:
    """A frustum: radius_top at z = +proximal, radius_end at z = -wall.

    Parameters
    ----------
    radius_top, radius_end, wall, edge_mm, proximal : float, mm
    end : 'flat' | 'open'
        A flat disc with a sharp rim, or no end at all.
    """
    _positive(radius_top=radius_top, radius_end=radius_end, height=wall + proximal)
    radius, height = np.array([radius_end, radius_top]), np.array([-wall, proximal])
    if end == "open":
        return weave(_turned(np.array([0.0, 1.0]), radius, height), edge_mm, start="edge")
    if end != "flat":
        raise MeshError("no such end for a tube or a cone", wanted="flat or open", found=end)
    rim = 0.25  # any rise strictly between 0 and 1: the part below it is the disc
    surface = _turned(np.array([0.0, rim, 1.0]), np.append(0.0, radius), np.append(-wall, height))
    return weave(surface, edge_mm, breaks=(0.0, rim, 1.0))


def capsule(radius: float = 50.0, wall: float = 150.0, edge_mm: float = 2.0, proximal: float = 60.0) -> Mesh:
    """A cylinder from z = +proximal down to z = -wall and a hemisphere below it.

    Volume below z = 0: pi r^2 wall + 2/3 pi r^3.

    Examples
    --------
    >>> mesh = capsule(radius=40.0, wall=100.0, edge_mm=5.0, proximal=20.0)
    >>> float(mesh.vertices[:, 2].min())
    -140.0
    """
    return elliptic_capsule(2.0 * radius, 2.0 * radius, wall, edge_mm, proximal)


def elliptic_capsule(
    ap: float = 110.0, ml: float = 90.0, wall: float = 150.0, edge_mm: float = 2.0, proximal: float = 60.0
) -> Mesh:
    """A capsule of elliptic section: `ap` wide along y and `ml` along x, its end half an ellipsoid.

    The end is as deep as the mean of the two half widths.

    Parameters
    ----------
    ap, ml, wall, edge_mm, proximal : float, mm
        Whole widths, not half.
    """
    _positive(ap=ap, ml=ml, height=wall + proximal)
    depth = (ap + ml) / 4.0

    def surface(rise: Floats, angle: Floats) -> Points:
        part, height = _capped(rise, depth, wall, proximal)
        return np.stack([part * ml / 2.0 * np.sin(angle), part * ap / 2.0 * np.cos(angle), height], axis=-1)

    return weave(surface, edge_mm)


def capped_cone(
    radius_top: float = 55.0,
    radius_end: float = 40.0,
    wall: float = 150.0,
    edge_mm: float = 2.0,
    proximal: float = 60.0,
) -> Mesh:
    """A frustum whose end is the part of a sphere that meets it without a corner.

    Radius_top at z = +proximal, radius_end at z = -wall. The sphere touches the frustum there, so with half
    opening angle a (tan a = (radius_top - radius_end) / height) its radius is radius_end / cos a and its
    centre lies radius_end * tan a above that level.
    """
    _positive(radius_top=radius_top, radius_end=radius_end, height=wall + proximal)
    slope = np.arctan2(radius_top - radius_end, wall + proximal)
    ball = radius_end / np.cos(slope)
    centre = -wall + radius_end * np.tan(slope)
    turn = np.pi / 2.0 - slope  # from the pole to the touching ring
    rim = 0.4

    def surface(rise: Floats, angle: Floats) -> Points:
        below = np.clip(rise / rim, 0.0, 1.0) * turn
        along = np.clip((rise - rim) / (1.0 - rim), 0.0, 1.0)
        radius = np.where(rise < rim, ball * np.sin(below), radius_end + along * (radius_top - radius_end))
        height = np.where(rise < rim, centre - ball * np.cos(below), -wall + along * (wall + proximal))
        return np.stack([radius * np.sin(angle), radius * np.cos(angle), height], axis=-1)

    return weave(surface, edge_mm, breaks=(0.0, rim, 1.0))


def sphere(radius: float = 50.0, edge_mm: float = 2.0) -> Mesh:
    """A whole sphere about the origin, closed."""
    _positive(radius=radius)

    def surface(rise: Floats, angle: Floats) -> Points:
        part, height = np.sin(np.pi * rise), -np.cos(np.pi * rise)
        return radius * np.stack([part * np.sin(angle), part * np.cos(angle), height], axis=-1)

    return weave(surface, edge_mm, stop="pole")


def bent_tube(
    radius: float = 45.0,
    wall: float = 150.0,
    edge_mm: float = 2.0,
    proximal: float = 70.0,
    *,
    bend_deg: float = 15.0,
    bend_radius: float = 120.0,
) -> Mesh:
    """A capsule that bends backward above level 0, as a limb does at a bent knee.

    Below z = 0 it is a capsule about z. Above, its axis runs along an arc of `bend_radius` toward -y until it
    has turned by `bend_deg`, then straight on; the axis is `proximal` long above level 0 and the open edge
    lies square to it. Every section square to the bent axis is a circle of `radius`.

    Raises
    ------
    MeshError
        If the bend is tighter than the tube, or longer than the part above level 0.
    """
    _positive(radius=radius, wall=wall, proximal=proximal)
    bend = np.radians(bend_deg)
    if bend_radius <= radius:
        raise MeshError("the bend folds the tube", wanted=f"a bend radius above {radius} mm", found=f"{bend_radius} mm")
    if not 0.0 <= bend * bend_radius <= proximal:
        raise MeshError(
            "the bend does not fit above level 0",
            wanted=f"at most {proximal} mm of arc",
            found=f"{bend * bend_radius:.1f} mm",
        )

    def surface(rise: Floats, angle: Floats) -> Points:
        part, height = _capped(rise, radius, wall, proximal)
        turn = np.clip(height / bend_radius, 0.0, bend)
        straight = np.maximum(height - bend * bend_radius, 0.0)
        back = -bend_radius * (1.0 - np.cos(turn)) - straight * np.sin(turn)
        up = np.minimum(height, 0.0) + bend_radius * np.sin(turn) + straight * np.cos(turn)
        out = part * radius * np.cos(angle)
        side = part * radius * np.sin(angle)
        return np.stack([side, back + out * np.cos(turn), up + out * np.sin(turn)], axis=-1)

    return weave(surface, edge_mm)


def _turned(rise_at: Floats, radius_at: Floats, height_at: Floats) -> Surface:
    """A surface of revolution about z through the corners of a profile."""

    def surface(rise: Floats, angle: Floats) -> Points:
        radius, height = np.interp(rise, rise_at, radius_at), np.interp(rise, rise_at, height_at)
        return np.stack([radius * np.sin(angle), radius * np.cos(angle), height], axis=-1)

    return surface


def _capped(rise: Floats, depth: float, wall: float, proximal: float) -> tuple[Floats, Floats]:
    """Part of the full width (0 at the pole to 1) and height (mm) along a straight wall with a round end."""
    cap = depth * np.pi / 2.0
    gone = rise * (cap + wall + proximal)
    turn = np.minimum(gone / cap, 1.0) * np.pi / 2.0
    height = np.where(gone < cap, -wall - depth * np.cos(turn), -wall + gone - cap)
    return np.asarray(np.sin(turn)), height


def _positive(**lengths: float) -> None:
    """Each length is a positive number."""
    for name, length in lengths.items():
        if not np.isfinite(length) or length <= 0:
            raise MeshError(f"the shape's {name} must be positive", found=f"{length} mm")
