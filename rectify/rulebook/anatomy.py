"""What anatomy has against a plan, before any of it is applied: every finding a warning with its reason.

A build-up where load is to be carried; a reduction over bone; an amount beyond what is usual there; a build-up and a
reduction that meet, or undo each other. That a reduction keeps clear of what is protected, and how steep a feather is,
is seen to where regions are laid out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from rectify.limb.vocabulary import VOCABULARY
from rectify.rulebook.footprint import carried, core_mm, distance_mm, footprint, half_width_mm, held_feather, remaining
from rectify.rulebook.places import Places
from rectify.rulebook.plan import Limits, RegionPlan
from rectify.rulebook.quantity import show_mm
from rectify.rulebook.slope import feather_for
from rectify.rulebook.working import Notes

if TYPE_CHECKING:
    from shapely import Geometry

__all__ = ["CARRIES", "USUAL_MM", "look_at_anatomy"]

# Where a limb of an amputation is taught to carry load; common practice, no source. The ischium does where a rulebook
# gives it a seat.
CARRIES: dict[str, tuple[str, ...]] = {
    "transtibial": ("mid-patellar-tendon", "medial-tibial-flare", "popliteal"),
    "ankle-disarticulation": ("mid-patellar-tendon", "medial-tibial-flare", "heel-pad"),
    "transfemoral": ("femoral-triangle", "lateral-femoral-shaft"),
}
_SEAT = "ischial-tuberosity"
# The most that is usually taken away or built up at a place, mm; from memory, unverified (ranges as courses teach them,
# in sixteenths of an inch). A warning, and no limit.
USUAL_MM: dict[str, dict[str, float]] = {
    "reduce": {
        "mid-patellar-tendon": 12.0,
        "popliteal": 10.0,
        "medial-tibial-flare": 5.0,
        "femoral-triangle": 12.0,
        "lateral-femoral-shaft": 6.0,
    },
    "build-up": {
        "fibular-head": 6.0,
        "fibular-neck": 6.0,
        "tibial-crest": 4.0,
        "tibial-tubercle": 4.0,
        "distal-tibia": 7.0,
        "distal-fibula": 6.0,
        "medial-hamstring": 8.0,
        "lateral-hamstring": 8.0,
        "medial-malleolus": 5.0,
        "lateral-malleolus": 5.0,
        "adductor-longus": 6.0,
        "greater-trochanter": 5.0,
        "ischial-tuberosity": 6.0,
        "distal-femur": 6.0,
    },
}
_LITTLE_MM = 0.5  # less of a build-up takes no load away
_UNDONE = 0.5  # of a reduction's core: where a build-up covers more of it, the two undo each other
_EPS = 1e-6


def look_at_anatomy(places: Places, notes: Notes, regions: Sequence[RegionPlan], limits: Limits) -> None:
    """Warn of what a person should look at before this plan is carried out on this limb."""
    cores = {region.name: _core(places, region) for region in regions if region.action == "reduce"}
    for region in regions:
        if region.asked_mm <= 0 or region.forms:
            continue
        _beyond_usual(places, notes, region)
        if region.action == "build-up":
            _over_what_carries(places, notes, region, seat=any(r.action == "shelf" for r in regions))
        else:
            _over_bone(places, notes, region, cores[region.name])
    _neighbours(places, notes, regions, limits, cores)


def _core(places: Places, region: RegionPlan) -> Geometry:
    """Where a reduction is full, in the plane of its anchor."""
    import shapely

    half = half_width_mm(places, region.anchor.spot, region.shape)
    inside = region.blend == "inside"
    held = held_feather(region.feather_mm, half, inside, core_mm(places.limb.edge_mm))
    area = footprint(places, region.anchor.spot, region.shape)
    left = remaining(places, region.anchor.spot, area, region.keep_clear)
    return shapely.buffer(left, -held if inside else 0.0)


def _there(places: Places, names: Sequence[str]) -> Iterator[str]:
    """The names that this limb has and where there is skin."""
    for name in names:
        mark = places.limb.landmarks.get(name)
        if mark is not None and not mark.absent and not mark.beyond_capture:
            yield name


def _covers(places: Places, region: RegionPlan, area: Geometry, name: str) -> bool:
    return distance_mm(places, region.anchor.spot, area, places.spots_of(name)) <= 0.0


def _beyond_usual(places: Places, notes: Notes, region: RegionPlan) -> None:
    area = footprint(places, region.anchor.spot, region.shape)
    most = USUAL_MM[region.action]
    there = [name for name in _there(places, tuple(most)) if _covers(places, region, area, name)]
    if not there:
        return
    name = max(there, key=lambda name: most[name])  # the crest runs into the distal tibia: what more is usual at counts
    if region.asked_mm > most[name] + _EPS:
        text = f"{show_mm(region.asked_mm)}, and {show_mm(most[name])} is the most that is usual at {name}"
        notes.warn("beyond-usual", "look", f"{text} (from memory, unverified)", region.name)


def _over_what_carries(places: Places, notes: Notes, region: RegionPlan, *, seat: bool) -> None:
    if region.asked_mm < _LITTLE_MM:
        return
    area = footprint(places, region.anchor.spot, region.shape)
    names = (*CARRIES.get(places.limb.amputation, ()), *((_SEAT,) if seat else ()))
    for name in _there(places, names):
        if _covers(places, region, area, name):
            text = f"builds up over {name}, where load is to be carried: the socket stands off there"
            notes.warn("build-up-where-load", "look", text, region.name)


def _over_bone(places: Places, notes: Notes, region: RegionPlan, core: Geometry) -> None:
    vocabulary, known = VOCABULARY[places.limb.amputation], notes.rulebook.says.protected
    names = [name for name in places.limb.landmarks if vocabulary.is_tender(name) and name not in known]
    for name in _there(places, names):
        if places.landmark(name).source != "estimated" and _covers(places, region, core, name):
            text = f"takes {show_mm(region.asked_mm)} away over {name}: bone close under the skin"
            notes.warn("reduction-over-bone", "look", text, region.name)


def _neighbours(
    places: Places, notes: Notes, regions: Sequence[RegionPlan], limits: Limits, cores: dict[str, Geometry]
) -> None:
    """A build-up that reaches into the core of a reduction, or leaves no room for both slopes."""
    import shapely

    ups = [region for region in regions if region.action == "build-up" and region.asked_mm > 0]
    for down in (region for region in regions if region.action == "reduce" and region.asked_mm > 0):
        core = cores[down.name]
        for up in ups:
            over = carried(places, down.anchor.spot, up.anchor.spot, up.shape)
            apart = float("inf") if shapely.is_empty(core) else float(shapely.distance(core, over))
            room = feather_for(up.asked_mm + down.asked_mm, limits.slope_deg)
            if apart <= 0.0:
                share = shapely.area(shapely.intersection(core, over)) / max(shapely.area(core), 1e-9)
                if share >= _UNDONE:
                    text = f"the build-up {up.name} lies over {share:.0%} of its core: they undo each other"
                    notes.warn("regions-cancel", "look", text, down.name)
                    continue
                text = f"the build-up {up.name} reaches into its core; a build-up goes first"
                notes.warn("opposed-neighbours", "look", text, down.name)
            elif apart < room:
                text = f"{apart:.0f} mm between its core and the build-up {up.name}; both slopes need {room:.0f} mm"
                notes.warn("opposed-neighbours", "note", text, down.name)
