"""What a rulebook's file alone tells of a region: the most it can ask, its narrowest extent, what it surely reaches.

None where it depends on the limb.
"""

from __future__ import annotations

import math

from rectify.rulebook.footprint import core_mm, ellipse, held_feather
from rectify.rulebook.model import Region
from rectify.rulebook.parts import Factors, LinerFactors, RingPlace, When
from rectify.rulebook.quantity import Quantity, show_mm

__all__ = ["apart_mm", "half_extent", "landmarks_of", "largest_factor", "most_mm", "moved_mm", "reaches", "room"]


def most_mm(region: Region) -> float | None:
    """The most the rulebook itself can ask: its amount times its largest factors, held to allow; mm."""
    if region.amount.kind == "radius":
        return None if region.allow is None else region.allow[1].value
    value = region.amount.value * largest_factor(region.when)
    return value if region.allow is None else min(value, region.allow[1].value)


def largest_factor(when: When | None) -> float:
    """The largest product the factors of a `when` can make; words not listed count 1."""
    most = 1.0
    for _, part in when.parts if when else ():
        if isinstance(part, Factors):
            most *= max(1.0, *(factor for _, factor in part.by_word))
        elif isinstance(part, LinerFactors):
            most *= max(factor for _, factor in part.by_mm)
    return most


def half_extent(region: Region) -> float | None:
    """Half the narrowest extent in mm; None where it depends on the limb."""
    shape = region.shape
    sizes: list[Quantity] = []
    if shape.oval is not None:
        sizes = [shape.oval.along, shape.oval.around]
    elif shape.strip is not None:
        sizes = list(shape.strip.width)
    if not sizes or any(size.kind == "radius" and size.least_mm is None for size in sizes):
        return None
    return min(size.value if size.least_mm is None else size.least_mm for size in sizes) / 2


def room(inside: bool, half: float | None, need: float) -> str:
    """How wide a region must be for a feather inside it, in words; empty where it is wide enough."""
    if not inside or half is None or need <= half - core_mm() / 2:
        return ""
    return f", in a region at least {show_mm(math.ceil(2 * need + core_mm()))} across"


def landmarks_of(region: Region) -> tuple[str, ...]:
    """The landmarks a region is laid out on, not only measured from."""
    places: list[RingPlace] = [region, *(region.path or ()), *(region.shape.outline or ())]
    on = [place.at for place in places if place.at and place.angle is None and place.sideways() is None]
    return tuple(dict.fromkeys(on))


def moved_mm(place: RingPlace) -> tuple[float, float] | None:
    """How far a place lies from its landmark: around, along (lateral and distal positive); None where no telling."""
    if place.angle is not None or place.part is not None or place.anterior is not None or place.posterior is not None:
        return None
    total = [0.0, 0.0]
    for word, axis, sign in (("lateral", 0, 1.0), ("medial", 0, -1.0), ("distal", 1, 1.0), ("proximal", 1, -1.0)):
        quantity: Quantity | None = getattr(place, word)
        if quantity is not None:
            if quantity.kind != "length":
                return None
            total[axis] += sign * quantity.value
    return total[0], total[1]


def reaches(region: Region, name: str) -> bool:
    """Whether a region certainly reaches a landmark it is laid out from."""
    import shapely

    half = half_extent(region)
    if region.shape.oval is not None and region.at == name and half is not None:
        moved = moved_mm(region)
        if moved is None:
            return False
        oval = region.shape.oval
        turn = oval.turn.value if oval.turn else 0.0
        area = ellipse(oval.along.value, oval.around.value, turn)
        return bool(shapely.intersects(area, shapely.Point(-moved[0], -moved[1])))
    side = region.sideways()
    if region.shape.strip is None or half is None or (side is not None and side[1].value >= half):
        return False
    path = region.path or ()
    return any(place.at == name and _is_unmoved(place) and place.along_path is None for place in path)


def _is_unmoved(place: RingPlace) -> bool:
    return moved_mm(place) == (0.0, 0.0)


def apart_mm(down: Region, up: Region) -> float | None:
    """From the core of a reduction to the outline of a build-up, where both are laid out alike; else None."""
    half_down, half_up = half_extent(down), half_extent(up)
    if half_down is None or half_up is None:
        return None
    held = held_feather(down.feather.value, half_down, (down.blend or "inside") == "inside")
    if down.path is not None and up.path is not None:
        return _between_strips(down, up, half_down - held, half_up)
    if down.at is None or down.at != up.at or down.shape.oval is None or up.shape.oval is None:
        return None
    places = moved_mm(down), moved_mm(up)
    if places[0] is None or places[1] is None:
        return None
    import shapely
    from shapely.affinity import translate

    areas = []
    for region in (down, up):
        oval = region.shape.oval
        assert oval is not None
        areas.append(ellipse(oval.along.value, oval.around.value, oval.turn.value if oval.turn else 0.0))
    core = translate(shapely.buffer(areas[0], -held if (down.blend or "inside") == "inside" else 0.0), *places[0])
    return float(shapely.distance(core, translate(areas[1], *places[1])))


def _between_strips(down: Region, up: Region, core_half: float, up_half: float) -> float | None:
    """Two strips along one path, beside each other."""
    assert down.path is not None and up.path is not None
    if [place.at for place in down.path] != [place.at for place in up.path]:
        return None
    moved = []
    for region in (down, up):
        side = region.sideways()
        if side is not None and (side[1].kind != "length" or side[0] not in ("medial", "lateral")):
            return None
        moved.append(0.0 if side is None else side[1].value * (1.0 if side[0] == "lateral" else -1.0))
    return max(abs(moved[0] - moved[1]) - core_half - up_half, 0.0)
