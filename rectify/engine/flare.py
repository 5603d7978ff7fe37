"""The flare of the brim: the model's wall turned outwards near the trimline, so that what is draped over it is.

Measured from the trimline in the unrolled wall, d below it: with t = 1 - d / over the surface goes out by out * t²,
from nothing at `over` below the line to `out` at it. Above the line, where what is draped over the model is cut off, it
levels out as it rose, by out * (2 - (2 - t)²) to twice `out` at `over` above the line, and stays there: nothing
undercut, and the crown bends no more sharply than the hollow under it. Levelled out over less, the crown turned by most
of its angle within one edge of a coarse scan, and stood there like the teeth of a saw.

Each place goes along the wall's normal, smoothed over half of `over`: what is carried out so far along normals that
follow every fold of the skin runs into itself in a groin, and makes teeth of small noise. At the line of the limbs it
was tried on the direction leaves the wall's own normal by 13 degrees at most: 0.15 mm of 6.

Full over the side that is flared, it runs out round the limb over 30 degrees on either hand.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rectify.engine.blend import quintic
from rectify.engine.brim import brim_curve
from rectify.engine.places import Places
from rectify.geometry.mesh import Floats, Points
from rectify.geometry.segments import nearest_segment
from rectify.limb.chart import Chart, wrap_deg
from rectify.rulebook.plan import Brim

__all__ = ["above_line", "flare_move", "flared_side", "rise"]

_SIDES = {"anterior": 0.0, "lateral": 90.0, "posterior": 180.0, "medial": -90.0}
_HALF_SIDE_DEG, _RUN_OUT_DEG = 45.0, 30.0
_SMOOTH = 0.5  # of `over`: Gaussian sigma of the directions; half of it still makes teeth, twice it leaves the normal


def flare_move(
    chart: Chart, brim: Brim, places: Places, cells: NDArray[np.float64], shelf: tuple[Floats, Floats] | None = None
) -> tuple[Points, NDArray[np.float64]]:
    """The flare's move of the vertices (n, 3) and of the chart's cells (k, c, 3), mm.

    Parameters
    ----------
    cells : (k, c, 3) mm
        What the chart's cells have moved so far: the flare goes along the smoothed normals that are there then.
    shelf : (n,) and (k * c,), optional
        How much of a shelf there is at the vertices and at the cells, 0 to 1: its own edge is not flared.

    Raises
    ------
    RulesError
        See `brim_curve`.
    """
    stations, angles = (g.ravel() for g in chart.cells)
    both = np.concatenate([places.stations, stations]), np.concatenate([places.angles, angles])
    side = flared_side(brim, both[1])
    if shelf is not None:
        side = side * (1.0 - np.concatenate(shelf))
    lowest = float(brim_curve(chart, brim)[0].max())
    at = np.flatnonzero((side > 0) & (both[0] <= lowest + brim.flare_over_mm))
    own = both[0][at], both[1][at]
    out = brim.flare_out_mm * side[at] * rise(above_line(chart, brim, *own), brim.flare_over_mm)
    move = np.zeros((len(side), 3))
    move[at] = out[:, None] * chart.normal_after(cells, *own, smooth_mm=_SMOOTH * brim.flare_over_mm)
    n = len(places.stations)
    return move[:n], move[n:].reshape(cells.shape)


def rise(above: Floats, over: float) -> Floats:
    """How far a flare has risen, as a share of `out`, so many mm above the line (below: negative): (n,)."""
    t = np.clip(1.0 + above / over, 0.0, 2.0)
    return np.where(t <= 1.0, t * t, 2.0 - (2.0 - t) ** 2)


def flared_side(brim: Brim, angles: Floats) -> Floats:
    """How much of the flare there is at angles, 0 to 1: (n,)."""
    if brim.flare_where not in _SIDES:
        return np.ones(len(angles))
    off = np.abs(wrap_deg(angles - _SIDES[brim.flare_where]))
    return quintic((_HALF_SIDE_DEG + _RUN_OUT_DEG - off) / _RUN_OUT_DEG)


def above_line(chart: Chart, brim: Brim, stations: Floats, angles: Floats) -> Floats:
    """How far places lie above the trimline in the unrolled wall, below it negative: (n,) mm."""
    along, degrees, radius = brim_curve(chart, brim)
    turn = np.sign(degrees[-1] - degrees[0]) * 360.0
    line = np.stack([np.radians(degrees) * radius, along], axis=1)
    once = np.array([np.radians(turn) * radius, 0.0])
    line = np.concatenate([line - once, line, line + once])
    start = degrees.min() if turn > 0 else degrees.max()
    own = start + (angles - start) % 360.0 if turn > 0 else start - (start - angles) % 360.0
    points = np.stack([np.radians(own) * radius, stations], axis=1)
    ways = np.diff(line, axis=0)
    pieces = np.flatnonzero(ways.any(axis=1))
    distance, piece = nearest_segment(points, line, np.stack([pieces, pieces + 1], axis=1))
    way, off = ways[pieces[piece]], points - line[pieces[piece]]
    # y is distal: positive to the distal side of a line that runs towards increasing angle
    distal = (way[:, 0] * off[:, 1] - way[:, 1] * off[:, 0]) * np.sign(turn) > 0
    return np.where(distal, -distance, distance)
