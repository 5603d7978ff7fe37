"""What lies between two regions: the hull of both, less either with its feather and a margin."""

from __future__ import annotations

from rectify.limb.spot import Spot
from rectify.rulebook.footprint import carried
from rectify.rulebook.places import Places, wrap
from rectify.rulebook.plan import RegionPlan

__all__ = ["ring_between"]

_SLIVER_MM = 3.0  # half of what is too narrow to count: horns beside a round neighbour
_SIMPLER_MM = 0.5  # the ring has a place where it turns by more than this


def ring_between(places: Places, one: RegionPlan, two: RegionPlan, margin_mm: float) -> tuple[Spot, ...] | None:
    """The ring of what lies between two regions, once round; None where there is nothing.

    Both outlines are laid into a plane halfway between their anchors, on the wall: good near by, rough far away.
    """
    import shapely

    a, b = one.anchor.spot, two.anchor.spot
    half = wrap(b.angle_deg - a.angle_deg) / 2
    middle = Spot((a.station_mm + b.station_mm) / 2, wrap(a.angle_deg + half))
    outlines = [carried(places, middle, region.anchor.spot, region.shape) for region in (one, two)]
    hull = shapely.convex_hull(shapely.union(outlines[0], outlines[1]))
    for outline, region in zip(outlines, (one, two), strict=True):
        feather = region.feather_mm if region.blend == "outside" else 0.0
        hull = shapely.difference(hull, shapely.buffer(outline, feather + margin_mm))
    hull = shapely.buffer(shapely.buffer(hull, -_SLIVER_MM), _SLIVER_MM)
    centre = shapely.Point(0.0, 0.0)
    parts = [part for part in shapely.get_parts(hull) if isinstance(part, shapely.Polygon) and part.area > 0]
    if not parts:
        return None
    nearest = min(parts, key=lambda part: (round(float(shapely.distance(part, centre)), 6), -part.area))
    ring = shapely.get_coordinates(shapely.simplify(nearest.exterior, _SIMPLER_MM))[:-1]
    return tuple(places.step(middle, float(y), float(x)) for x, y in ring)
