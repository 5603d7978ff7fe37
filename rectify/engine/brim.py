"""The trimline as a curve on the limb's chart: places joined in the unrolled wall, corners rounded.

The wall is unrolled as level against arc length at one mean radius. Where a corner's radius does not fit between its
neighbours it is made as large as fits.
"""

from __future__ import annotations

import numpy as np

from rectify.errors import RulesError
from rectify.geometry.mesh import Floats
from rectify.limb.chart import Chart
from rectify.rulebook.plan import Brim

__all__ = ["SPACING_MM", "brim_curve", "rounded_ring"]

SPACING_MM = 1.0
_STEPS = 16  # points of one rounded corner, before the whole curve is spaced evenly


def brim_curve(chart: Chart, brim: Brim) -> tuple[Floats, Floats, float]:
    """Stations (n,) mm and angles (n,) degrees of the trimline, evenly spaced, the last next to the first; and the
    radius at which it was unrolled, mm. The angles run on past 180: once round in all.

    Raises
    ------
    RulesError
        The places of the brim do not run once round the limb.
    """
    stations = np.array([spot.station_mm for spot in brim.line])
    angles = np.array([spot.angle_deg for spot in brim.line])
    radii = np.array(brim.radii_mm or (brim.corner_radius_mm,) * len(angles))
    turns = (np.roll(angles, -1) - angles + 180.0) % 360.0 - 180.0
    apart = (turns != 0.0) | (np.roll(stations, -1) != stations)  # what is said twice in a row is one place
    stations, angles, turns, radii = stations[apart], angles[apart], turns[apart], radii[apart]
    if round(abs(float(turns.sum()))) != 360:
        raise RulesError(
            "does not run once round the limb",
            key="brim.line",
            wanted="places in order round the limb, less than half a turn from each to the next",
            found=", ".join(f"{angle % 360:.0f}" for angle in angles) + " degrees",
        )
    radius = chart.mean_radius(float(stations.mean()))
    unwrapped = angles[0] + np.concatenate([[0.0], np.cumsum(turns)[:-1]])
    corners = np.stack([np.radians(unwrapped) * radius, stations], axis=1)
    around, along = rounded_ring(corners, np.sign(turns.sum()) * 2 * np.pi * radius, radii).T
    return along, np.degrees(around / radius), radius


def rounded_ring(corners: Floats, period: float, radii: Floats | float) -> Floats:
    """A ring that closes after `period` in its first coordinate, its corners rounded, evenly spaced: (n, 2) mm.

    Parameters
    ----------
    corners : (k, 2) mm, no two that follow each other the same
    period : float, mm
        What the first coordinate has gained after once round; signed.
    radii : (k,) mm, or one for all
        Of the corners; held to what fits.
    """
    shift = np.array([period, 0.0])
    before = np.concatenate([corners[-1:] - shift, corners[:-1]])
    after = np.concatenate([corners[1:], corners[:1] + shift])
    each = np.broadcast_to(radii, len(corners))
    parts = [_corner(a, b, c, float(r)) for a, b, c, r in zip(before, corners, after, each, strict=True)]
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
