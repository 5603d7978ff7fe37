"""A region's weight: 1 in its core, 0 past its line, a quintic step between.

The outline is shapely geometry in the plane of the region's layout. The signed distance to it is taken
once, on a fine raster that a cubic spline reads at any place, so the cost does not grow with the mesh.
Corners are rounded to at least the feather on the side where it lies, so the distance has no crease there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from rectify.engine.blend import fallen
from rectify.engine.layout import Layout, layout_at
from rectify.engine.outline import cleared, closed, drawn, inradius, opened, plane_of, ring_of, turned
from rectify.errors import RulesError
from rectify.geometry.grid_spline import GridSpline, Reading
from rectify.geometry.mesh import Floats, Points
from rectify.geometry.segments import border_distance
from rectify.limb.chart import Chart
from rectify.rulebook.plan import Band, EndCap, Fall, Outline, Oval, RegionPlan, Sector, Strip

__all__ = ["Weight", "region_weight"]

Where = Callable[[Floats, Floats], Floats]  # stations, angles -> weight

_RASTER_MM = 1.0
_BELOW_MM = 25.0  # more than the lead of any corner of a shelf
_LEAST_CORE_MM = 1.5  # half of the 3 mm that a core always has


@dataclass(frozen=True, eq=False)
class Weight:
    """How a region weighs at any place of the chart.

    Parameters
    ----------
    at : (stations, angles) -> (n,) weight in [0, 1]
    feather_mm : float
        As held to what fits.
    outline : (k, 2) stations and degrees
        The pencil line, for pictures; several rings follow one another with a row of NaN between.
    area_mm2 : float
        Inside the outline.
    stretch : float
        By how much lengths are off where the outline's plane is least true; 0.03 is 3 %.
    """

    at: Where
    feather_mm: float
    outline: NDArray[np.float64]
    area_mm2: float
    stretch: float


def region_weight(region: RegionPlan, chart: Chart, edge_mm: float) -> Weight:
    """The weight of one region of a plan on one limb.

    Parameters
    ----------
    region : RegionPlan
    chart : Chart
    edge_mm : float
        The mesh's edge length: a core is at least two of them wide.

    Raises
    ------
    RulesError
        Where the outline has no room for a core.
    """
    core = max(_LEAST_CORE_MM, edge_mm)
    shape = region.shape
    if isinstance(shape, Band):
        return _band(region, shape, chart, core)
    if isinstance(shape, EndCap):
        return _end_cap(region, shape, chart, core)
    if isinstance(shape, Sector):
        return _sector(region, shape, chart)
    layout = layout_at(chart, region.anchor.spot, _reach(shape, region))
    line = drawn(shape, layout)
    if isinstance(shape, Oval) and region.profile == "groove":
        return _groove(region, shape, layout, line, core)
    return _flat(region, layout, line, core)


def _reach(shape: Oval | Strip | Outline, region: RegionPlan) -> float:
    """How far distally of its anchor a region goes, feather included: decides wall or cap. A strip stays true on the
    cap as long as it follows a meridian, so it counts as on the wall."""
    outside = region.feather_mm if region.blend == "outside" else 0.0
    if isinstance(shape, Oval):
        return max(shape.along_mm, shape.around_mm) / 2 + outside
    if isinstance(shape, Outline):
        return max(s.station_mm for s in shape.ring) - region.anchor.spot.station_mm + outside
    return 0.0


# -- distance to weight ---------------------------------------------------------------------------


@dataclass(frozen=True)
class _Blend:
    """Where a weight rises: from 0 at a depth of `zero` inside the line to 1 at `zero + rise`."""

    feather: float
    zero: float
    rise: float
    fall: Fall = "smooth"


def _blend(region: RegionPlan, room: float, core: float) -> _Blend:
    """Hold the feather to the `room` from the line to the least core, mm.

    A dome rises over the whole half width, and so does a groove where it has no long axis of its own.
    """
    if room < 0:
        raise _no_room(region, 2 * (room + core), core)
    whole = region.profile != "flat"
    if region.blend == "inside":
        feather = room if whole else min(region.feather_mm, room)
        return _Blend(feather, 0.0, feather, region.fall)
    feather = region.feather_mm
    return _Blend(feather, -feather, feather + room if whole else feather, region.fall)


def _flat(region: RegionPlan, layout: Layout, asked: BaseGeometry, core: float) -> Weight:
    asked = cleared(asked, region, layout)
    blend = _blend(region, inradius(asked) - core, core)
    line = (opened if region.blend == "inside" else closed)(asked, blend.feather)
    field = _Raster(line, -blend.zero)

    def at(stations: Floats, angles: Floats) -> Floats:
        return field.step(layout.plane(stations, angles), blend)

    ring = ring_of(line, layout)
    return Weight(at, blend.feather, ring, float(line.area), _stretch(ring, layout))


def _groove(region: RegionPlan, shape: Oval, layout: Layout, line: BaseGeometry, core: float) -> Weight:
    """A trough: rounded across the narrow way, full along its middle line, its two ends feathered."""
    inside = region.blend == "inside"
    out = 0.0 if inside else region.feather_mm
    half = np.array([shape.around_mm, shape.along_mm]) / 2 + out
    swap = half[1] > half[0]
    long, short = (half[1], half[0]) if swap else (half[0], half[1])
    if min(short, long) - core < 0:
        raise _no_room(region, 2 * short, core)
    feather = min(region.feather_mm, long - core)
    turn = turned(shape.turn_deg).T
    clear = [(plane_of((c.spot,), layout)[0], c.by_mm) for c in region.keep_clear]

    def at(stations: Floats, angles: Floats) -> Floats:
        plane = layout.plane(stations, angles)
        p = plane @ turn
        x, y = (p[:, 1], p[:, 0]) if swap else (p[:, 0], p[:, 1])
        width = np.sqrt(np.clip(1.0 - (x / long) ** 2, 0.0, None))
        across = 1.0 - np.divide(np.abs(y), short * width, out=np.full_like(y, 2.0), where=width > 0)
        weight = fallen(across / (1.0 - core / short), region.fall) * fallen((long - np.abs(x)) / feather, region.fall)
        for centre, by in clear:
            weight *= fallen((np.linalg.norm(plane - centre, axis=1) - by) / max(feather, core), region.fall)
        return weight

    ring = ring_of(line, layout)
    return Weight(at, feather, ring, float(line.area), _stretch(ring, layout))


def _band(region: RegionPlan, shape: Band, chart: Chart, core: float) -> Weight:
    low, high = shape.from_station_mm, shape.to_station_mm
    blend = _blend(region, (high - low) / 2 - core, core)

    def at(stations: Floats, angles: Floats) -> Floats:
        if region.action == "squeeze":  # done level by level, so that a section stays one
            level = -chart.point(stations, angles)[:, 2]
            return _step(np.minimum(level - low, high - level), blend)
        depth = np.minimum(chart.along(low, stations, angles), -chart.along(high, stations, angles))
        return _step(depth, blend)

    circle = chart.mean_radius((low + high) / 2) * 2 * np.pi
    return Weight(at, blend.feather, _rings(low, high), float(circle * (high - low)), 0.0)


def _end_cap(region: RegionPlan, shape: EndCap, chart: Chart, core: float) -> Weight:
    blend = _blend(region, shape.reach_mm - core, core)

    def at(stations: Floats, angles: Floats) -> Floats:
        return _step(shape.reach_mm - chart.to_pole(stations, angles), blend)

    way = chart.to_pole(chart.stations, np.zeros(len(chart.stations)))
    station = float(np.interp(-shape.reach_mm, -way, chart.stations))
    return Weight(at, blend.feather, _rings(station), float(np.pi * shape.reach_mm**2), 0.0)


def _sector(region: RegionPlan, shape: Sector, chart: Chart) -> Weight:
    """Its width counts at each level; below its place it weighs for as long as a corner may be rounded there."""
    spot, half = region.anchor.spot, shape.around_mm / 2
    blend = _Blend(region.feather_mm, -region.feather_mm, region.feather_mm, region.fall)

    def at(stations: Floats, angles: Floats) -> Floats:
        weight = _step(half - np.abs(chart.around(spot.angle_deg, stations, angles)), blend)
        return np.where(stations <= spot.station_mm + _BELOW_MM, weight, 0.0)

    rows = np.linspace(chart.top_mm, spot.station_mm, 40)
    turn = np.degrees(half / np.interp(rows, chart.stations, chart.perimeters) * 2 * np.pi)
    up, down = np.stack([rows, spot.angle_deg + turn], axis=1), np.stack([rows, spot.angle_deg - turn], axis=1)
    edge = chart.is_captured(rows, np.full(len(rows), spot.angle_deg))
    high = float(rows[edge].min()) if edge.any() else spot.station_mm
    ring = np.concatenate([down[rows >= high], up[rows >= high][::-1], down[rows >= high][:1]])
    return Weight(at, blend.feather, ring, shape.around_mm * (spot.station_mm - high), 0.0)


def _rings(*stations: float) -> NDArray[np.float64]:
    """Outlines all round the limb at some stations, a row of NaN between them."""
    turn = np.linspace(-180.0, 180.0, 121)
    parts = [np.vstack([np.stack([np.full(121, s), turn], axis=1), [[np.nan, np.nan]]]) for s in stations]
    return np.concatenate(parts)[:-1]


def _stretch(ring: NDArray[np.float64], layout: Layout) -> float:
    places = ring[np.isfinite(ring[:, 0])]
    return float(layout.stretch(places[:, 0], places[:, 1]).max(initial=0.0))


def _step(depth: Floats, blend: _Blend) -> Floats:
    """Weights of depths inside the line, mm; a cliff where there is no room to rise."""
    if blend.rise <= 0:
        return (depth >= blend.zero).astype(np.float64)
    return fallen((depth - blend.zero) / blend.rise, blend.fall)


class _Raster:
    """Signed distance to an outline, positive inside, read by a cubic spline."""

    def __init__(self, line: BaseGeometry, margin: float) -> None:
        x0, y0, x1, y1 = line.bounds
        pad = margin + 3 * _RASTER_MM
        self._low = np.array([x0 - pad, y0 - pad])
        self._size = (np.ceil((np.array([x1 + pad, y1 + pad]) - self._low) / _RASTER_MM) + 1).astype(int)
        x = self._low[0] + _RASTER_MM * np.arange(self._size[0])
        y = self._low[1] + _RASTER_MM * np.arange(self._size[1])
        px, py = (g.ravel() for g in np.meshgrid(x, y, indexing="ij"))
        shapely.prepare(line)
        distance = border_distance(line, np.stack([px, py], axis=1))
        distance *= np.where(shapely.contains_xy(line, px, py), 1.0, -1.0)
        self._spline = GridSpline.of(distance.reshape(self._size), around=False)

    def step(self, plane: Points, blend: _Blend) -> Floats:
        """Weights at plane points (n, 2)."""
        at = (plane - self._low) / _RASTER_MM
        far_x, far_y = (self._size - 1).tolist()
        x, y = at[:, 0], at[:, 1]
        near = np.flatnonzero((x >= 0) & (x <= far_x) & (y >= 0) & (y <= far_y))
        weight = np.zeros(len(plane))
        distance = Reading.at(at[near, 0], at[near, 1], self._spline.shape).of(self._spline)
        weight[near] = _step(distance, blend)
        return weight


def _no_room(region: RegionPlan, width: float, core: float) -> RulesError:
    return RulesError(
        "the outline has no room for a core",
        key=f"regions.{region.name}.shape",
        wanted=f"at least {2 * core:.1f} mm across (3 mm and two edge lengths of the mesh)",
        found=f"{width:.1f} mm",
        hint="make the shape wider, or use a finer scan",
    )
