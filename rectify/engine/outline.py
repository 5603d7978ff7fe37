"""A region's pencil line, drawn with shapely in the plane of its layout, rounded, and carried back to the chart."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from rectify.engine.layout import Layout
from rectify.geometry.mesh import Floats, Points
from rectify.geometry.segments import border_distance
from rectify.limb.spot import Spot
from rectify.rulebook.plan import KeepClear, Outline, Oval, RegionPlan, Strip

__all__ = ["cleared", "closed", "drawn", "inradius", "opened", "plane_of", "ring_of", "turned"]

_QUADRANT = 24  # segments to a quarter circle
_GRID_MM = 1.0
_THERE_MM = 1e-10  # nearer than this a step back from the plane changes nothing any more
_BACK_MM = 0.3


def plane_of(spots: tuple[Spot, ...], layout: Layout) -> Points:
    """Plane coordinates (k, 2) of places."""
    return layout.plane(np.array([s.station_mm for s in spots]), np.array([s.angle_deg for s in spots]))


def drawn(shape: Oval | Strip | Outline, layout: Layout) -> BaseGeometry:
    """The outline of a shape in the plane, as it was asked for."""
    if isinstance(shape, Oval):
        turn = np.linspace(0.0, 2 * np.pi, 4 * _QUADRANT, endpoint=False)
        ring = np.stack([shape.around_mm / 2 * np.cos(turn), shape.along_mm / 2 * np.sin(turn)], axis=1)
        return shapely.Polygon(ring @ turned(shape.turn_deg))
    if isinstance(shape, Outline):
        polygon = shapely.Polygon(plane_of(shape.ring, layout))
        return polygon if polygon.is_valid else shapely.make_valid(polygon)
    return _strip(plane_of(shape.path, layout), np.array(shape.widths_mm) / 2)


def turned(degrees: float) -> NDArray[np.float64]:
    """Rows times this: the distal end of what is turned goes towards lateral."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, -s], [s, c]])


def _strip(path: Points, half: Floats) -> BaseGeometry:
    """Discs along the path and what lies between neighbours; the widths run evenly from one to the next."""
    if np.ptp(half) == 0:
        return shapely.LineString(path).buffer(float(half[0]), quad_segs=_QUADRANT)
    discs = [shapely.Point(p).buffer(float(h), quad_segs=_QUADRANT) for p, h in zip(path, half, strict=True)]
    pairs = [discs[i].union(discs[i + 1]).convex_hull for i in range(len(discs) - 1)]
    return shapely.union_all(np.array(pairs))


def cleared(shape: BaseGeometry, region: RegionPlan, layout: Layout) -> BaseGeometry:
    """The outline cut back from what it keeps clear of, feather and all."""
    margin = region.feather_mm if region.blend == "outside" else 0.0
    for clear in region.keep_clear:
        shape = shape.difference(_disc(clear, layout, margin))
    return shape


def _disc(clear: KeepClear, layout: Layout, margin: float) -> BaseGeometry:
    centre = plane_of((clear.spot,), layout)[0]
    return shapely.Point(centre).buffer(clear.by_mm + margin, quad_segs=_QUADRANT)


def inradius(shape: BaseGeometry) -> float:
    """Radius of the largest circle inside, mm, to 0.05 mm below; 0 for nothing.

    By distances on a grid and a finer one about the best place: unlike a search by halves, it gives the same for
    outlines that differ only in rounding, such as a mirrored limb's.
    """
    if shape.is_empty:
        return 0.0
    shapely.prepare(shape)
    x0, y0, x1, y1 = shape.bounds
    x, y = np.arange(x0, x1 + _GRID_MM, _GRID_MM), np.arange(y0, y1 + _GRID_MM, _GRID_MM)
    best = 0.0
    for _ in range(2):
        px, py = (g.ravel() for g in np.meshgrid(x, y))
        inside = shapely.contains_xy(shape, px, py)
        if not inside.any():
            return best
        px, py = px[inside], py[inside]
        distance = border_distance(shape, np.stack([px, py], axis=1))
        at = int(np.argmax(distance))
        best = float(distance[at])
        x, y = (c + np.arange(-_GRID_MM, _GRID_MM + 0.01, 0.1 * _GRID_MM) for c in (px[at], py[at]))
    return best


def opened(shape: BaseGeometry, by: float) -> BaseGeometry:
    """Outward corners rounded to a radius of at least `by`."""
    return shape if by <= 0 else shape.buffer(-by, quad_segs=_QUADRANT).buffer(by, quad_segs=_QUADRANT)


def closed(shape: BaseGeometry, by: float) -> BaseGeometry:
    """Inward corners rounded to a radius of at least `by`."""
    return shape if by <= 0 else shape.buffer(by, quad_segs=_QUADRANT).buffer(-by, quad_segs=_QUADRANT)


def ring_of(line: BaseGeometry, layout: Layout) -> NDArray[np.float64]:
    """The outline back on the chart: (k, 2) stations and degrees, NaN rows between rings."""
    rings = []
    for part in getattr(line, "geoms", [line]):
        points = shapely.get_coordinates(shapely.segmentize(part.exterior, 4.0))
        rings += [_back(points, layout), np.full((1, 2), np.nan)]
    return np.concatenate(rings[:-1]) if rings else np.zeros((0, 2))


def _back(points: Points, layout: Layout) -> NDArray[np.float64]:
    """Places of plane points, by Newton steps on the layout."""
    chart, anchor = layout.chart, layout.anchor
    if layout.kind == "pole":
        angle = np.degrees(np.arctan2(points[:, 0], -points[:, 1]))
        way = -chart.to_pole(chart.stations, np.zeros(len(chart.stations)))
        return np.stack([np.interp(-np.linalg.norm(points, axis=1), way, chart.stations), angle], axis=1)
    ring = max(chart.mean_radius(min(anchor.station_mm, chart.centre_mm)), 1.0)
    at = np.stack([anchor.station_mm + points[:, 1], anchor.angle_deg + np.degrees(points[:, 0] / ring)], axis=1)
    for _ in range(8):
        at[:, 0] = np.clip(at[:, 0], chart.top_mm, chart.pole_mm - 0.5)
        here = layout.plane(at[:, 0], at[:, 1])
        ds = (layout.plane(at[:, 0] + 0.5, at[:, 1]) - here) / 0.5
        da = (layout.plane(at[:, 0], at[:, 1] + 0.5) - here) / 0.5
        miss = points - here
        if np.abs(miss).max(initial=0.0) < _THERE_MM:
            break
        det = ds[:, 0] * da[:, 1] - ds[:, 1] * da[:, 0]
        det = np.where(np.abs(det) > 1e-9, det, 1e-9)
        at[:, 0] += np.clip((miss[:, 0] * da[:, 1] - miss[:, 1] * da[:, 0]) / det, -20, 20)
        at[:, 1] += np.clip((ds[:, 0] * miss[:, 1] - ds[:, 1] * miss[:, 0]) / det, -30, 30)
    # about the pole a point now and then finds no way back: the line goes straight past it
    return np.asarray(at[np.linalg.norm(layout.plane(at[:, 0], at[:, 1]) - points, axis=1) < _BACK_MM])
