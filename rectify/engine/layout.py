"""Lay a region out flat: plane coordinates about its anchor, x around towards lateral, y along distally.

On the wall x is the arc at a place's own level and y the way along the surface from the anchor's level;
about a place on the end cap, where that pair is far from isometric, azimuthal equidistant coordinates;
about the pole itself, the way to the pole and the angle. Plane distance against the geodesic: within 3 % up
to 25 mm from the anchor on the wall, 5 % on the cap. Wide regions are off by more, and `stretch` says by how much.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from rectify.geometry.mesh import Floats, Points
from rectify.geometry.normals import unit
from rectify.limb.chart import Chart
from rectify.limb.spot import Spot

__all__ = ["Layout", "layout_at"]

_POLE_NEAR_MM = 0.5  # nearer than this no direction is distal: laid out about the pole itself
_CAP_FROM = 0.35  # radians past the end's centre up to which the wall's pair is still within bounds
_FAR = 1e6  # where the plane does not reach


@dataclass(frozen=True, eq=False)
class Layout:
    """A plane touching the limb at `anchor`."""

    chart: Chart
    anchor: Spot
    kind: Literal["wall", "cap", "pole"]

    def plane(self, stations: Floats, angles: Floats) -> Points:
        """Plane coordinates of places (n,), (n,): (n, 2) mm; very large where the plane does not reach."""
        stations, angles = np.atleast_1d(stations).astype(np.float64), np.atleast_1d(angles).astype(np.float64)
        if self.kind == "wall":
            return np.stack(self.chart.apart(self.anchor, stations, angles)).T
        if self.kind == "pole":
            far, turn = self.chart.to_pole(stations, angles), np.radians(angles)
            return np.stack([far * np.sin(turn), -far * np.cos(turn)], axis=1)
        return self._azimuthal(stations, angles)

    def stretch(self, stations: Floats, angles: Floats) -> Floats:
        """By how much lengths in the plane are off from lengths on the surface at places: (n,), the worst direction.

        The largest |s - 1| of the singular values s of the map from the surface's tangent plane to this plane.
        """
        h = 0.5  # mm and degrees

        def both(ds: float, da: float) -> tuple[Points, Points]:
            s, a = stations + ds, angles + da
            return self.chart.smooth_point(s, a), self.plane(s, a)

        (p_s, q_s), (p_n, q_n), (p_a, q_a), (p_b, q_b) = both(h, 0), both(-h, 0), both(0, h), both(0, -h)
        skin = np.stack([p_s - p_n, p_a - p_b], axis=2)  # (n, 3, 2)
        flat = np.stack([q_s - q_n, q_a - q_b], axis=2)
        metric = np.einsum("nki,nkj->nij", skin, skin)
        carried = np.einsum("nki,nkj->nij", flat, flat)
        values = np.linalg.eigvals(np.linalg.solve(metric, carried)).real
        return np.asarray(np.abs(np.sqrt(np.clip(values, 0.0, None)) - 1.0).max(axis=1))

    @cached_property
    def _axes(self) -> tuple[Floats, Floats, Floats, Floats]:
        """The anchor's place on the surface, and the directions up, along and around there."""
        station, angle = self.anchor.station_mm, np.array([self.anchor.angle_deg])
        origin = self.chart.smooth_point(np.array([station]), angle)[0]
        up = self.chart.normal(np.array([station]), angle)[0]
        before, after = self.chart.smooth_point(np.array([station - 1.0, station + 1.0]), np.repeat(angle, 2))
        along = unit((after - before) - ((after - before) @ up) * up)
        return origin, up, along, -self.chart.lateral * np.cross(up, along)

    def _azimuthal(self, stations: Floats, angles: Floats) -> Points:
        """Arc and bearing from the anchor, taking the way there as an arc of even curvature.

        chord (h / sin h) with h half the angle between the normals: exact on a sphere, a cylinder's rings and
        a plane.
        """
        origin, up, along, around = self._axes
        chord = self.chart.smooth_point(stations, angles) - origin
        cosine = np.clip(self.chart.normal(stations, angles) @ up, -1.0, 1.0)
        half = np.arccos(cosine) / 2
        arc = np.linalg.norm(chord, axis=1) * np.divide(half, np.sin(half), out=np.ones_like(half), where=half > 1e-6)
        flat = np.stack([chord @ around, chord @ along], axis=1)
        plane = unit(flat) * arc[:, None]
        plane[cosine < -0.2] = _FAR  # round the other side
        return np.asarray(plane)


def layout_at(chart: Chart, anchor: Spot, reach_mm: float) -> Layout:
    """The plane for a region that reaches `reach_mm` distally of its anchor, feather included."""
    if chart.pole_mm - anchor.station_mm < _POLE_NEAR_MM:
        return Layout(chart, Spot(chart.pole_mm, 0.0), "pole")
    past = (anchor.station_mm + reach_mm - chart.centre_mm) / chart.centre_radius_mm
    return Layout(chart, anchor, "cap" if past > _CAP_FROM else "wall")
