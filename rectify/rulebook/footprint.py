"""The outline of a region as a polygon in the plane of its anchor: for checks, not for the engine.

x runs round the limb (increasing angle), y along it (distal), mm, both measured from the anchor on the
surface. True on the wall; on the end cap the plane is a rough one, good enough to say "too near".
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from rectify.limb.spot import Spot
from rectify.rulebook.places import ChartLike, Places, wrap
from rectify.rulebook.plan import Band, EndCap, KeepClear, Outline, Oval, Sector, Shape, Strip

if TYPE_CHECKING:
    from shapely import Geometry

__all__ = [
    "carried",
    "core_mm",
    "distance_mm",
    "ellipse",
    "footprint",
    "half_width_mm",
    "held_feather",
    "in_plane",
    "inscribed_mm",
    "remaining",
]

CORE_MM = 3.0  # a core is at least this wide, and two edge lengths of the mesh (the language's own rule)
_FAR = 1e4  # mm: "all round" in a plane


def core_mm(edge_mm: float = 0.0) -> float:
    """The least width of a core, mm."""
    return max(CORE_MM, 2.0 * edge_mm)


def held_feather(feather_mm: float, half_width: float, inside: bool, core: float = CORE_MM) -> float:
    """The feather as held to what fits: inside an outline it leaves half the core."""
    return max(min(feather_mm, half_width - core / 2), 0.0) if inside else feather_mm


def in_plane(
    chart: ChartLike, anchor: Spot, spots: Sequence[Spot]
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Spots (n) in the plane of an anchor: (n, 2) mm."""
    stations = np.array([spot.station_mm for spot in spots], dtype=np.float64)
    angles = np.array([spot.angle_deg for spot in spots], dtype=np.float64)
    return np.stack(chart.apart(anchor, stations, angles), axis=1)


def footprint(places: Places, anchor: Spot, shape: Shape) -> Geometry:
    """The outline as a shapely polygon in the plane of the anchor; drawn once."""
    if (anchor, shape) not in places.footprints:
        places.footprints[anchor, shape] = _drawn(places, anchor, shape)
    return places.footprints[anchor, shape]


def _drawn(places: Places, anchor: Spot, shape: Shape) -> Geometry:
    import shapely

    if isinstance(shape, Oval):
        lateral = 1.0 if wrap(90.0 - anchor.angle_deg) >= 0 else -1.0
        return ellipse(shape.along_mm, shape.around_mm, shape.turn_deg * lateral)
    if isinstance(shape, Strip):
        return _strip(in_plane(places.chart, anchor, shape.path), shape.widths_mm)
    if isinstance(shape, Outline):
        return shapely.Polygon(in_plane(places.chart, anchor, shape.ring))
    if isinstance(shape, Band):
        low, high = (
            places.apart(anchor, Spot(station, anchor.angle_deg))[1]
            for station in (shape.from_station_mm, shape.to_station_mm)
        )
        return shapely.box(-_FAR, low, _FAR, high)
    if isinstance(shape, Sector):
        return shapely.box(-shape.around_mm / 2, -_FAR, shape.around_mm / 2, 0.0)
    assert isinstance(shape, EndCap)
    return shapely.box(-_FAR, -shape.reach_mm, _FAR, _FAR)


def ellipse(along_mm: float, around_mm: float, turn_deg: float = 0.0) -> Geometry:
    """An ellipse about (0, 0) by its full extents, its distal (+y) end turned towards +x; 72 sides."""
    import shapely

    turn = np.linspace(0.0, 2 * np.pi, 72, endpoint=False)
    x, y = around_mm / 2 * np.sin(turn), along_mm / 2 * np.cos(turn)
    tilt = np.radians(turn_deg)
    return shapely.Polygon(np.stack([x * np.cos(tilt) + y * np.sin(tilt), y * np.cos(tilt) - x * np.sin(tilt)], axis=1))


def _strip(path: np.ndarray[tuple[int, ...], np.dtype[np.float64]], widths: Sequence[float]) -> Geometry:
    """The hulls of neighbouring discs, put together."""
    import shapely

    discs = [shapely.Point(point).buffer(width / 2) for point, width in zip(path, widths, strict=True)]
    hulls = [shapely.union(a, b).convex_hull for a, b in pairwise(discs)]
    return shapely.union_all(hulls)


def half_width_mm(places: Places, anchor: Spot, shape: Shape) -> float:
    """Half the narrowest extent: the most a feather inside could ever take, mm."""
    if isinstance(shape, Oval):
        return min(shape.along_mm, shape.around_mm) / 2
    if isinstance(shape, Strip):
        return min(shape.widths_mm) / 2
    if isinstance(shape, Band):
        low = Spot(shape.from_station_mm, anchor.angle_deg)
        return places.apart(low, Spot(shape.to_station_mm, anchor.angle_deg))[1] / 2
    if isinstance(shape, EndCap):
        return shape.reach_mm
    if isinstance(shape, Sector):
        return shape.around_mm / 2
    return inscribed_mm(footprint(places, anchor, shape))


def remaining(places: Places, anchor: Spot, area: Geometry, clear: Sequence[KeepClear]) -> Geometry:
    """What a region keeps when discs are cut out of it."""
    import shapely

    for disc in clear:
        x, y = places.apart(anchor, disc.spot)
        area = shapely.difference(area, shapely.Point(x, y).buffer(disc.by_mm))
    return area


def distance_mm(places: Places, anchor: Spot, area: Geometry, spots: Sequence[Spot]) -> float:
    """How far the nearest of some spots lies from a region; 0 inside it, infinite where there is none."""
    import shapely

    if not spots or shapely.is_empty(area):
        return float("inf")
    points = shapely.points(in_plane(places.chart, anchor, spots))
    return float(np.min(shapely.distance(area, points)))


def inscribed_mm(area: Geometry) -> float:
    """Radius of the largest disc inside an area, mm; 0 where it is empty."""
    import shapely

    parts = [part for part in shapely.get_parts(area) if shapely.area(part) > 0]
    return max((float(shapely.length(shapely.maximum_inscribed_circle(part))) for part in parts), default=0.0)


def carried(places: Places, anchor: Spot, other: Spot, shape: Shape) -> Geometry:
    """Another region's outline in the plane of `anchor`, carried over by the way between the anchors: good near by,
    rough far away."""
    from shapely.affinity import translate

    x, y = places.apart(anchor, other)
    return translate(footprint(places, other, shape), x, y)
