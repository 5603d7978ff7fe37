"""Where a region lies on one limb: its anchor and its shape, tunings that move and widen it included.

Raises Wrong where a place or a shape cannot be meant on this limb; the caller adds file and line.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rectify.limb.spot import Spot
from rectify.limb.vocabulary import is_free_mark
from rectify.rulebook.footprint import footprint
from rectify.rulebook.gap import ring_between
from rectify.rulebook.parts import OvalShape, Place, RingPlace, StripShape
from rectify.rulebook.places import Line, Places, wrap
from rectify.rulebook.plan import Anchor, Band, EndCap, Outline, Oval, RegionPlan, Sector, Shape, Strip
from rectify.rulebook.quantity import show_mm
from rectify.rulebook.words import Wrong
from rectify.rulebook.working import Notes, Working

__all__ = ["Layout", "all_landmarks", "essential_landmarks"]

EPS = 1e-9


@dataclass(frozen=True)
class Laid:
    """A region laid out: `line` is a strip's path."""

    anchor: Anchor
    shape: Shape
    line: Line | None = None


class Layout:
    """Lays regions out on one limb."""

    def __init__(self, places: Places, notes: Notes) -> None:
        self.places, self.notes = places, notes

    def of(self, working: Working, done: Mapping[str, RegionPlan] | None = None) -> Laid | None:
        """A region's anchor and shape; None where nothing of it is left, with the reason among the warnings.

        `done` : the regions that are laid out already, for one that lies between two of them.
        """
        kind = working.says.shape.kind
        if kind == "gap":
            return self._gap(working, done or {})
        if kind == "sector":
            return self._sector(working)
        if kind == "band":
            return self._band(working)
        if kind == "end-cap":
            return self._end_cap(working)
        return self._strip(working) if kind == "strip" else self._round_a_spot(working)

    def _round_a_spot(self, working: Working) -> Laid:
        """An oval or an outline."""
        says = working.says
        spots: tuple[Spot, ...] = ()
        if says.shape.outline is not None:
            spots = tuple(self._moved_on(working, spot) for spot in self._ring(working))
        if says.path is not None:
            assert says.along_path is not None
            line, way = self.places.path(self._present(working, says.path)), says.along_path
            spot = line.spot(way.value if way.kind == "length" else line.length_mm * way.value / 100.0)
            spot = self._moved_on(working, self.places.moved(spot, says, "the path"))
        elif says.at is not None:
            spot = self._moved_on(working, self.places.spot(says))
        else:
            spot = _middle(spots)  # of a ring that has been moved already
        anchor = self.places.anchor(spot, essential_landmarks(working))
        if says.shape.oval is not None:
            return Laid(anchor, self._oval(says.shape.oval, anchor))
        return Laid(anchor, self._outline(anchor, spots))

    def _present(self, working: Working, places: Sequence[Place]) -> list[Place]:
        """The places of a path that this limb has; one in the middle may be absent."""
        kept = [place for place in places if not self.places.landmark(place.at).absent]
        for place in places:
            if self.places.landmark(place.at).absent:
                self.notes.warn("landmark-absent", "note", f"path runs on without {place.at}", working.name)
        return kept

    def _moved_on(self, working: Working, spot: Spot) -> Spot:
        """Moved by the tunings, oldest first."""
        for tuning, moves in working.moves:
            try:
                spot = self.places.moved(spot, moves)
            except Wrong as wrong:
                keys = ("regions", working.name, "move", *wrong.keys)
                self.notes.faults.append(tuning.fault(wrong.message, keys, hint=wrong.hint))
        return spot

    def _oval(self, oval: OvalShape, anchor: Anchor) -> Oval:
        along, around = (self.places.mm(extent, anchor.spot) for extent in (oval.along, oval.around))
        return Oval(along, around, oval.turn.value if oval.turn else 0.0)

    def _ring(self, working: Working) -> tuple[Spot, ...]:
        """The places of an outline."""
        ring = working.says.shape.outline or ()
        if len(ring) == 1:
            assert ring[0].at is not None
            spots = self.places.spots_of(ring[0].at)
            spots = spots[:-1] if len(spots) > 1 and spots[0] == spots[-1] else spots
            if len(spots) < 3:
                raise Wrong(f"{ring[0].at} is no ring", keys=("shape",), wanted="a mark of at least three points")
            return spots
        says = working.says
        base = None
        if says.at is not None and any(place.at is None for place in ring):
            base = self.places.spot(says)
        spots_list = []
        for index, place in enumerate(ring):
            try:
                spots_list.append(self._ring_spot(place, base))
            except Wrong as wrong:
                keys = ("shape", "outline", index, *wrong.keys)
                raise Wrong(wrong.message, keys=keys, wanted=wrong.wanted, hint=wrong.hint) from wrong
        return tuple(spots_list)

    def _ring_spot(self, place: RingPlace, base: Spot | None) -> Spot:
        if place.at is not None:
            return self.places.spot(place)
        assert base is not None
        spot = base if place.angle is None else Spot(base.station_mm, wrap(place.angle.value))
        return self.places.moved(spot, place, "the region's place")

    def _outline(self, anchor: Anchor, spots: tuple[Spot, ...]) -> Outline:
        import shapely

        shape = Outline(spots)
        if not shapely.is_valid(footprint(self.places, anchor.spot, shape)):
            raise Wrong("the ring crosses itself on this limb", keys=("shape",), hint="list its places once round")
        return shape

    def _sector(self, working: Working) -> Laid:
        says = working.says
        assert says.shape.sector is not None
        spot = self._moved_on(working, self.places.spot(says))
        anchor = self.places.anchor(spot, essential_landmarks(working))
        return Laid(anchor, Sector(self.places.mm(says.shape.sector.around, spot)))

    def _gap(self, working: Working, done: Mapping[str, RegionPlan]) -> Laid | None:
        says = working.says
        assert says.between_regions is not None and says.shape.gap is not None
        missing = [name for name in says.between_regions if name not in done]
        if missing:
            self.notes.warn("region-left-out", "note", f"left out: no {missing[0]} on this limb", working.name)
            return None
        one, two = (done[name] for name in says.between_regions)
        ring = ring_between(self.places, one, two, says.shape.gap.margin.value)
        if ring is None:
            text = f"left out: no room between {one.name} and {two.name} on this limb"
            self.notes.warn("region-left-out", "look", text, working.name)
            return None
        worst = max((one.anchor, two.anchor), key=lambda a: (a.source == "estimated", a.uncertainty_mm))
        anchor = replace(worst, spot=_middle(ring))
        return Laid(anchor, self._outline(anchor, ring))

    def _strip(self, working: Working) -> Laid | None:
        says = working.says
        assert says.path is not None and says.shape.strip is not None
        present = self._present(working, says.path)
        line = self.places.path(present)
        side = says.sideways()
        if side is not None:
            middle = line.spot(line.length_mm / 2)
            line = self.places.shifted(line, side[0], self.places.mm(side[1], middle))
        start, stop = (self._cut_back(place, line) for place in (present[0], present[-1]))
        if start + stop >= line.length_mm - 1.0:
            self._too_short(working, line.length_mm, start + stop)
            return None
        widths = says.shape.strip.width
        run = line.length_mm - start - stop
        knots = [start + run * k / (len(widths) - 1) for k in range(len(widths))] if len(widths) > 1 else []
        path = tuple(self._moved_on(working, spot) for spot in line.cut(start, line.length_mm - stop, knots))
        line = self.places.line(path)
        middle = line.spot(line.length_mm / 2)
        names = tuple(dict.fromkeys(place.at for place in present))
        anchor = self.places.anchor(middle, names)
        return Laid(anchor, Strip(path, self._widths(says.shape.strip, line, middle)), line)

    def _cut_back(self, place: Place, line: Line) -> float:
        cut = place.along_path
        if cut is None:
            return 0.0
        return cut.value if cut.kind == "length" else line.length_mm * cut.value / 100.0

    def _too_short(self, working: Working, length: float, cut: float) -> None:
        found = f"the path is {show_mm(length)} long on this limb, and its ends are cut back by {show_mm(cut)}"
        if working.says.action == "build-up":
            hint = "cut back less, or drop the region in a tuning and say why"
            working.fault(self.notes, "leaves nothing of the path", "path", found=found, hint=hint)
        else:
            self.notes.warn("region-left-out", "look", f"left out: {found}", working.name)

    def _widths(self, strip: StripShape, line: Line, middle: Spot) -> tuple[float, ...]:
        """One width per spot of the path; said ones are spread evenly along it."""
        said = [self.places.mm(width, middle) for width in strip.width]
        if len(said) == 1:
            return tuple(said * len(line.spots))
        at = np.linspace(0.0, line.length_mm, len(said))
        return tuple(float(width) for width in np.interp(line.at_mm, at, said))

    def _band(self, working: Working) -> Laid:
        says = working.says
        assert says.between is not None
        low, high = (self.places.station(level) for level in says.between)
        if not low < high - EPS:
            levels = f"{says.between[0].text()} at {show_mm(low)}, {says.between[1].text()} at {show_mm(high)}"
            raise Wrong("the levels cross on this limb", keys=("between",), wanted=f"proximal one first; {levels}")
        names = tuple(dict.fromkeys(level.at for level in says.between))
        return Laid(self.places.anchor(Spot((low + high) / 2, 0.0), names), Band(low, high))

    def _end_cap(self, working: Working) -> Laid:
        cap = working.says.shape.end_cap
        assert cap is not None
        pole = Spot(self.places.chart.pole_mm, 0.0)
        if cap.reach is not None:
            return Laid(Anchor(pole, None, "computed"), EndCap(cap.reach.value))
        assert cap.from_ is not None
        station = self.places.station(cap.from_)
        reach = self.places.apart(Spot(station, 0.0), pole)[1]
        if reach <= 0.0:
            raise Wrong(f"{cap.from_.text()} lies past the end of this limb", keys=("shape",))
        return Laid(self.places.anchor(pole, (cap.from_.at,)), EndCap(reach))

    def widened(self, working: Working, shape: Shape) -> Shape:
        """With the tunings' `widen`."""
        for tuning, widen in working.widen:
            changes = {key: quantity.value for key, quantity in widen if quantity is not None}
            keys = ("regions", working.name, "widen")
            wider: Oval | Sector | Strip
            if isinstance(shape, Oval) and "width" not in changes:
                along, around = shape.along_mm + changes.get("along", 0.0), shape.around_mm + changes.get("around", 0.0)
                wider, least = replace(shape, along_mm=along, around_mm=around), min(along, around)
            elif isinstance(shape, Sector) and set(changes) == {"around"}:
                wider, least = Sector(shape.around_mm + changes["around"]), shape.around_mm + changes["around"]
            elif isinstance(shape, Strip) and "width" in changes:
                widths = tuple(width + changes["width"] for width in shape.widths_mm)
                wider, least = replace(shape, widths_mm=widths), min(widths)
            else:
                wanted = "along and around of an oval, or width of a strip"
                self.notes.faults.append(tuning.fault("does not fit the shape", keys, wanted=wanted))
                continue
            if least <= 0.0:
                self.notes.faults.append(tuning.fault("leaves nothing of the region", keys, found=show_mm(least)))
                continue
            shape = wider
        return shape

    def grown(self, anchor: Anchor, shape: Shape, by: float) -> Shape:
        """A shape so much wider on every side."""
        if isinstance(shape, Oval):
            return replace(shape, along_mm=shape.along_mm + 2 * by, around_mm=shape.around_mm + 2 * by)
        if isinstance(shape, Strip):
            return replace(shape, widths_mm=tuple(width + 2 * by for width in shape.widths_mm))
        if isinstance(shape, Band):
            return Band(shape.from_station_mm - by, shape.to_station_mm + by)
        if isinstance(shape, EndCap):
            return EndCap(shape.reach_mm + by)
        if isinstance(shape, Sector):
            return Sector(shape.around_mm + 2 * by)
        return Outline(tuple(self._pushed(anchor.spot, spot, by) for spot in shape.ring))

    def _pushed(self, middle: Spot, spot: Spot, by: float) -> Spot:
        x, y = self.places.apart(middle, spot)
        far = math.hypot(x, y)
        return spot if far < EPS else self.places.step(middle, y * (far + by) / far, x * (far + by) / far)


def essential_landmarks(working: Working) -> tuple[str, ...]:
    """The landmarks a region cannot be laid out without (of a path, its ends), in order."""
    says = working.says
    names = [says.at] if says.at else []
    names += [place.at for place in (says.path or ())[:: max(len(says.path or ()) - 1, 1)]]
    names += [level.at for level in says.between or ()]
    names += [place.at for place in says.shape.outline or () if place.at]
    cap = says.shape.end_cap
    names += [cap.from_.at] if cap is not None and cap.from_ is not None else []
    return tuple(dict.fromkeys(names))


def all_landmarks(working: Working) -> tuple[str, ...]:
    """Every landmark a region names; a free mark that is only kept clear of need not be there."""
    says = working.says
    inner = [place.at for place in says.path or ()]
    clear = [disc.of for disc in says.keep_clear if not is_free_mark(disc.of)]
    return tuple(dict.fromkeys((*essential_landmarks(working), *inner, *clear)))


def _middle(spots: Sequence[Spot]) -> Spot:
    """The mean of a ring: mean station, and the direction of the summed directions."""
    turn = np.radians([spot.angle_deg for spot in spots])
    angle = math.degrees(math.atan2(float(np.sin(turn).sum()), float(np.cos(turn).sum())))
    return Spot(float(np.mean([spot.station_mm for spot in spots])), wrap(angle))
