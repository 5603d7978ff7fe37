"""The trimline: a rulebook's brim as a closed curve on the finished model, in the limb frame.

The places of the brim are joined by straight lines in the limb's unrolled wall (level against arc length at one
mean radius), corners are rounded there, and the curve is laid on the rectified surface by its nearest points.
Where a corner's radius does not fit between its neighbours it is made as large as fits. The edge itself, the
flare, is not formed: what the rulebook says of it is passed on.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from rectify.errors import RulesError
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.nearest import nearest
from rectify.limb import Limb
from rectify.rulebook.plan import Brim

__all__ = ["SPACING_MM", "rounded_ring", "trimline", "trimline_facts"]

SPACING_MM = 1.0
_DECIMALS = 4  # 0.0001 mm: below what float32 holds at 300 mm
_STEPS = 16  # points of one rounded corner, before the whole curve is spaced evenly


def trimline_facts(limb: Limb, brim: Brim, mesh: Mesh) -> dict[str, Any]:
    """What a trimline file holds.

    Parameters
    ----------
    limb : Limb
    brim : Brim
    mesh : Mesh
        The rectified wall in the limb frame, open at the top.

    Raises
    ------
    RulesError
        See `trimline`.
    """
    points, captured = trimline(limb, brim, mesh)
    steps = np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1)
    return {
        "format": 1,
        "units": "mm",
        "frame": "limb: origin on the axis at level 0, +z proximal, +y anterior, +x the person's right",
        "closed": True,
        "length_mm": round(float(steps.sum()), 3),
        "beyond_capture_mm": round(float(steps[~captured].sum()), 3),
        "corner_radius_mm": float(brim.corner_radius_mm),
        "flare": {"out_mm": float(brim.flare_out_mm), "over_mm": float(brim.flare_over_mm), "where": brim.flare_where}
        if brim.flare_out_mm
        else None,
        "points": np.round(points + 0.0, _DECIMALS).tolist(),
    }


def trimline(limb: Limb, brim: Brim, mesh: Mesh) -> tuple[Points, np.ndarray[Any, np.dtype[np.bool_]]]:
    """The curve (n, 3) mm, its last point next to its first, and for each point whether there is captured skin.

    Where there is none the point lies on the model's open edge, the nearest there is.

    Raises
    ------
    RulesError
        The places of the brim do not run once round the limb.
    """
    stations = np.array([spot.station_mm for spot in brim.line])
    angles = np.array([spot.angle_deg for spot in brim.line])
    turns = (np.roll(angles, -1) - angles + 180.0) % 360.0 - 180.0
    if round(abs(float(turns.sum()))) != 360:
        raise RulesError(
            "does not run once round the limb",
            key="brim.line",
            wanted="places in order round the limb, less than half a turn from each to the next",
            found=", ".join(f"{angle % 360:.0f}" for angle in angles) + " degrees",
        )
    radius = limb.chart.mean_radius(float(stations.mean()))
    unwrapped = angles[0] + np.concatenate([[0.0], np.cumsum(turns)[:-1]])
    corners = np.stack([np.radians(unwrapped) * radius, stations], axis=1)
    around, along = rounded_ring(corners, np.sign(turns.sum()) * 2 * np.pi * radius, brim.corner_radius_mm).T
    degrees = np.degrees(around / radius)
    on_capture = limb.chart.point(along, degrees)
    _, _, points = nearest(on_capture, mesh.vertices, mesh.faces)
    return points, limb.chart.is_captured(along, degrees)


def rounded_ring(corners: Floats, period: float, radius: float) -> Floats:
    """A ring that closes after `period` in its first coordinate, its corners rounded, evenly spaced: (n, 2) mm.

    Parameters
    ----------
    corners : (k, 2) mm, no two that follow each other the same
    period : float, mm
        What the first coordinate has gained after once round; signed.
    radius : float, mm
        Of the corners; held to what fits.
    """
    shift = np.array([period, 0.0])
    before = np.concatenate([corners[-1:] - shift, corners[:-1]])
    after = np.concatenate([corners[1:], corners[:1] + shift])
    parts = [_corner(a, b, c, radius) for a, b, c in zip(before, corners, after, strict=True)]
    ring = np.concatenate(parts)
    ring = np.concatenate([ring, ring[:1] + shift])
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    count = max(3, round(way[-1] / SPACING_MM))
    places = np.arange(count) * (way[-1] / count)
    return np.stack([np.interp(places, way, ring[:, i]) for i in range(2)], axis=1)


def _corner(a: Floats, b: Floats, c: Floats, radius: float) -> Floats:
    """The way round the corner b between a and c: b itself, or the points of an arc (n, 2)."""
    to_b, from_b = b - a, c - b
    room = min(float(np.hypot(*to_b)), float(np.hypot(*from_b))) / 2
    one, two = to_b / np.hypot(*to_b), from_b / np.hypot(*from_b)
    turn = float(np.arctan2(one[0] * two[1] - one[1] * two[0], one @ two))
    if radius <= 0 or abs(turn) < 1e-6 or np.pi - abs(turn) < 1e-6:
        return b[None, :]
    cut_back = min(radius * np.tan(abs(turn) / 2), room)
    fits = cut_back / np.tan(abs(turn) / 2)
    inward = np.sign(turn) * np.array([-one[1], one[0]])
    start = b - cut_back * one
    swept = np.linspace(0.0, abs(turn), _STEPS + 1)[:, None]
    return np.asarray(start + fits * (np.sin(swept) * one + (1 - np.cos(swept)) * inward))
