"""One region of the bench, resolved for one limb: its place, its shape, its amount, and what stands against it.

Scaling is held to `allow` and says so; a tuning past it is refused unless somebody answers for it. A place that
rests on estimated bone is handled with care: room is made wider there, and no reduction comes near.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rectify.limb.spot import Spot
from rectify.limb.vocabulary import Vocabulary, is_free_mark
from rectify.rulebook.footprint import (
    core_mm,
    distance_mm,
    footprint,
    half_width_mm,
    held_feather,
    inscribed_mm,
    remaining,
)
from rectify.rulebook.parts import KeepClearOf, OvalShape, Place, StripShape
from rectify.rulebook.places import Line, Places, wrap
from rectify.rulebook.plan import (
    Anchor,
    Band,
    EndCap,
    KeepClear,
    Limits,
    Outline,
    Oval,
    RegionPlan,
    Shape,
    Strip,
)
from rectify.rulebook.quantity import Quantity, show_mm
from rectify.rulebook.slope import WARN_DEG, feather_for, slope_deg
from rectify.rulebook.words import Wrong
from rectify.rulebook.working import AmountChange, Notes, Working

__all__ = ["RegionResolver"]

ESTIMATED_CLEAR_MM = 10.0  # beyond its uncertainty, no reduction comes nearer to estimated bone
PROTECTED_CLEAR_MM = 5.0  # how far a reduction is cut back from a protected landmark; common practice, no source
EPS = 1e-9


@dataclass
class _Amount:
    """An amount on its way: what the rulebook makes of this limb, what was asked, what was said for it."""

    rulebook: float
    asked: float
    texts: list[tuple[object, str, str | None]]


class RegionResolver:
    """Resolves the regions of one bench on one limb."""

    def __init__(self, places: Places, notes: Notes, vocabulary: Vocabulary, limits: Limits) -> None:
        self.places, self.notes, self.vocabulary, self.limits = places, notes, vocabulary, limits

    # -- which landmarks ---------------------------------------------------------------------------

    def absent(self, name: str) -> bool:
        return self.places.landmark(name).absent

    def resolve(self, working: Working) -> RegionPlan | None:
        """The region on this limb; None where it is left out, with the reason among the warnings."""
        says = working.says
        missing = [name for name in essential_landmarks(working) if self.absent(name)]
        if missing:
            self.notes.warn("landmark-absent", "note", f"left out: no {missing[0]} on this limb", working.name)
            return None
        try:
            anchor, shape, line = self._laid_out(working)
            if anchor is None or shape is None:
                return None
            shape = self._widened(working, shape)
            anchor, shape = self._room_over_estimated_bone(working, anchor, shape)
            amount = self._amount(working, anchor)
        except Wrong as wrong:
            key = str(wrong.keys[0]) if wrong.keys else "path" if says.path else "at"
            working.fault(
                self.notes, wrong.message, key, wanted=wrong.wanted, hint=wrong.hint, deeper=tuple(wrong.keys[1:])
            )
            return None
        if not self._on_the_capture(working, anchor):
            return None
        blend = says.blend or ("inside" if says.action == "reduce" else "outside")
        region = RegionPlan(
            name=working.name,
            action=says.action,
            measured_from=says.from_,
            rulebook_mm=0.0 if working.added else amount.rulebook,
            change_mm=amount.asked - (0.0 if working.added else amount.rulebook),
            asked_mm=amount.asked,
            allow_mm=None if says.allow is None else (says.allow[0].value, says.allow[1].value),
            anchor=anchor,
            shape=shape,
            profile=says.profile,
            feather_mm=says.feather.value,
            blend=blend,
            why=says.why or (working.added.says.why if working.added else ""),
            evidence=says.evidence or "",
            amount_text=says.amount.text,
            tuned=working.tuned_entries(amount.texts),  # type: ignore[arg-type]
        )
        region = replace(region, keep_clear=self._keep_clear(working, region))
        self._steepness(working, region, line)
        return self._with_what_is_left(working, region)

    # -- place and shape ---------------------------------------------------------------------------

    def _laid_out(self, working: Working) -> tuple[Anchor | None, Shape | None, Line | None]:
        says, kind = working.says, working.says.shape.kind
        if kind == "band":
            return (*self._band(working), None)
        if kind == "end-cap":
            return (*self._end_cap(working), None)
        if kind == "strip":
            return self._strip(working)
        names = tuple(dict.fromkeys(essential_landmarks(working)))
        spots: tuple[Spot, ...] = ()
        if kind == "outline":
            spots = tuple(self._moved_on(working, spot) for spot in self._ring(working))
        if says.path is not None:
            assert says.along_path is not None
            line = self.places.path(self._present(working, says.path))
            way = says.along_path
            spot = line.spot(way.value if way.kind == "length" else line.length_mm * way.value / 100.0)
            spot = self.places.moved(spot, says, "the path")
        elif says.at is not None:
            spot = self.places.spot(says)
        else:
            spot = _middle(spots)
        if not (kind == "outline" and says.at is None and says.path is None):
            spot = self._moved_on(working, spot)
        anchor = self.places.anchor(spot, names)
        if kind == "outline":
            return anchor, self._outline(anchor, spots), None
        assert says.shape.oval is not None
        return anchor, self._oval(says.shape.oval, anchor), None

    def _present(self, working: Working, places: Sequence[Place]) -> list[Place]:
        """The places of a path that this limb has; one in the middle may be absent."""
        kept = [place for place in places if not self.absent(place.at)]
        for place in places:
            if self.absent(place.at):
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
        radius = self._radius(anchor.spot, oval.along, oval.around)
        return Oval(oval.along.mm(radius), oval.around.mm(radius), oval.turn.value if oval.turn else 0.0)

    def _radius(self, spot: Spot, *quantities: Quantity) -> float:
        """The local radius, where one of the quantities is a share of it."""
        return self.places.radius(spot.station_mm) if any(q.kind == "radius" for q in quantities) else math.nan

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

    def _ring_spot(self, place: object, base: Spot | None) -> Spot:
        from rectify.rulebook.parts import RingPlace

        assert isinstance(place, RingPlace)
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

    def _strip(self, working: Working) -> tuple[Anchor | None, Strip | None, Line | None]:
        says = working.says
        assert says.path is not None and says.shape.strip is not None
        present = self._present(working, says.path)
        line = self.places.path(present)
        side = says.sideways()
        if side is not None:
            middle = line.spot(line.length_mm / 2)
            line = self.places.shifted(line, side[0], side[1].mm(self._radius(middle, side[1])))
        start, stop = (self._cut_back(place, line) for place in (present[0], present[-1]))
        if start + stop >= line.length_mm - 1.0:
            self._too_short(working, line.length_mm, start + stop)
            return None, None, None
        widths = says.shape.strip.width
        run = line.length_mm - start - stop
        knots = [start + run * k / (len(widths) - 1) for k in range(len(widths))] if len(widths) > 1 else []
        path = tuple(self._moved_on(working, spot) for spot in line.cut(start, line.length_mm - stop, knots))
        line = self.places.line(path)
        middle = line.spot(line.length_mm / 2)
        names = tuple(dict.fromkeys(place.at for place in present))
        anchor = self.places.anchor(middle, names)
        return anchor, Strip(path, self._widths(says.shape.strip, line, middle)), line

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
        radius = self._radius(middle, *strip.width)
        said = [width.mm(radius) for width in strip.width]
        if len(said) == 1:
            return tuple(said * len(line.spots))
        at = np.linspace(0.0, line.length_mm, len(said))
        return tuple(float(width) for width in np.interp(line.at_mm, at, said))

    def _band(self, working: Working) -> tuple[Anchor, Band]:
        says = working.says
        assert says.between is not None
        low, high = (self.places.station(level) for level in says.between)
        if not low < high - EPS:
            levels = f"{says.between[0].text()} at {show_mm(low)}, {says.between[1].text()} at {show_mm(high)}"
            raise Wrong("the levels cross on this limb", keys=("between",), wanted=f"proximal one first; {levels}")
        names = tuple(dict.fromkeys(level.at for level in says.between))
        return self.places.anchor(Spot((low + high) / 2, 0.0), names), Band(low, high)

    def _end_cap(self, working: Working) -> tuple[Anchor, EndCap]:
        cap = working.says.shape.end_cap
        assert cap is not None
        pole = Spot(self.places.chart.pole_mm, 0.0)
        if cap.reach is not None:
            return Anchor(pole, None, "computed"), EndCap(cap.reach.value)
        assert cap.from_ is not None
        station = self.places.station(cap.from_)
        reach = self.places.apart(Spot(station, 0.0), pole)[1]
        if reach <= 0.0:
            raise Wrong(f"{cap.from_.text()} lies past the end of this limb", keys=("shape",))
        return self.places.anchor(pole, (cap.from_.at,)), EndCap(reach)

    def _widened(self, working: Working, shape: Shape) -> Shape:
        """With the tunings' `widen`."""
        for tuning, widen in working.widen:
            changes = {key: quantity.value for key, quantity in widen if quantity is not None}
            keys = ("regions", working.name, "widen")
            if isinstance(shape, Oval) and "width" not in changes:
                shape = replace(
                    shape,
                    along_mm=shape.along_mm + changes.get("along", 0.0),
                    around_mm=shape.around_mm + changes.get("around", 0.0),
                )
                least = min(shape.along_mm, shape.around_mm)
            elif isinstance(shape, Strip) and "width" in changes:
                shape = replace(shape, widths_mm=tuple(width + changes["width"] for width in shape.widths_mm))
                least = min(shape.widths_mm)
            else:
                wanted = "along and around of an oval, or width of a strip"
                self.notes.faults.append(tuning.fault("does not fit the shape", keys, wanted=wanted))
                continue
            if least <= 0.0:
                self.notes.faults.append(tuning.fault("leaves nothing of the region", keys, found=show_mm(least)))
                return Oval(1.0, 1.0)
        return shape

    # -- estimated bone, and the edge of the capture -----------------------------------------------

    def _room_over_estimated_bone(self, working: Working, anchor: Anchor, shape: Shape) -> tuple[Anchor, Shape]:
        if anchor.source != "estimated":
            return anchor, shape
        unsure = show_mm(anchor.uncertainty_mm)
        bony = [name for name in essential_landmarks(working) if self.vocabulary.is_bony(name)]
        if not bony or working.says.action != "build-up":
            severity = "look" if bony else "note"
            text = f"laid out on an estimated place, give or take {unsure}"
            self.notes.warn("estimated-place", severity, text, working.name)  # type: ignore[arg-type]
            return anchor, shape
        self.notes.warn(
            "estimated-bone",
            "look",
            f"{bony[0]} is estimated, give or take {unsure}: the build-up is that much wider all round",
            working.name,
        )
        return anchor, self._grown(anchor, shape, anchor.uncertainty_mm)

    def _grown(self, anchor: Anchor, shape: Shape, by: float) -> Shape:
        """A shape so much wider on every side."""
        if isinstance(shape, Oval):
            return replace(shape, along_mm=shape.along_mm + 2 * by, around_mm=shape.around_mm + 2 * by)
        if isinstance(shape, Strip):
            return replace(shape, widths_mm=tuple(width + 2 * by for width in shape.widths_mm))
        if isinstance(shape, Band):
            return Band(shape.from_station_mm - by, shape.to_station_mm + by)
        if isinstance(shape, EndCap):
            return EndCap(shape.reach_mm + by)
        return Outline(tuple(self._pushed(anchor.spot, spot, by) for spot in shape.ring))

    def _pushed(self, middle: Spot, spot: Spot, by: float) -> Spot:
        x, y = self.places.apart(middle, spot)
        far = math.hypot(x, y)
        return spot if far < EPS else self.places.step(middle, y * (far + by) / far, x * (far + by) / far)

    def _on_the_capture(self, working: Working, anchor: Anchor) -> bool:
        spot, chart = anchor.spot, self.places.chart
        captured = bool(chart.is_captured(np.array([spot.station_mm]), np.array([spot.angle_deg]))[0])
        if captured and spot.station_mm >= chart.top_mm - EPS:
            return True
        short = chart.top_mm - spot.station_mm
        by = f", {show_mm(short)} above its edge" if short > 0 else ""
        self.notes.warn("beyond-capture", "look", f"left out: it lies beyond the capture{by}", working.name)
        return False

    # -- the amount --------------------------------------------------------------------------------

    def _amount(self, working: Working, anchor: Anchor) -> _Amount:
        own = self._scaled(working, working.says.amount, anchor)
        asked, texts = own, []
        for change in working.amounts:
            new, beyond = self._changed(working, change, asked, anchor)
            texts.append((change.tuning, f"amount {show_mm(asked)} -> {show_mm(new)}", beyond))
            asked = new
        return _Amount(own, asked, texts)  # type: ignore[arg-type]

    def _scaled(self, working: Working, amount: Quantity, anchor: Anchor) -> float:
        """The rulebook's own amount on this limb, held to allow and to the limits."""
        says, name = working.says, working.name
        value = amount.mm(self._radius(anchor.spot, amount)) * working.factor
        how = amount.text if working.factor == 1.0 else f"{amount.text} times {working.factor:.4g}"
        held = value
        if says.allow is not None:
            held = min(max(value, says.allow[0].value), says.allow[1].value)
        if abs(held - value) > EPS:
            text = f"{how} is {show_mm(value)} on this limb, held to {show_mm(held)} by allow"
            self.notes.warn("amount-held-to-allow", "note", text, name)
        limit = self._limit(working)
        if limit is not None and held > limit + EPS:
            text = f"{how} is {show_mm(held)} on this limb, held to the limit of {show_mm(limit)}"
            self.notes.warn("amount-held-to-limit", "look", text, name)
            held = limit
        return held

    def _limit(self, working: Working) -> float | None:
        return self.limits.reduction_mm if working.says.action == "reduce" else self.limits.build_up_mm

    def _changed(
        self, working: Working, change: AmountChange, before: float, anchor: Anchor
    ) -> tuple[float, str | None]:
        """The amount after one tuning, and what was said for passing allow."""
        quantity, tuning = change.quantity, change.tuning
        key = "amount" if change.sets else "change"
        keys = ("regions", working.name, key)
        new = quantity.mm(self._radius(anchor.spot, quantity)) if change.sets else before + quantity.value
        if new < -EPS:
            found = f"{show_mm(before)} {quantity.text} = {show_mm(new)}"
            hint = "to leave the region out, write drop: yes"
            self.notes.faults.append(tuning.fault("takes the amount below 0 mm", keys, found=found, hint=hint))
            return before, None
        limit = self._limit(working)
        if limit is not None and new > limit + EPS:
            self.notes.faults.append(
                tuning.fault(
                    f"makes it {show_mm(new)}, past the limit",
                    keys,
                    wanted=f"at most {show_mm(limit)}, the limit of this rulebook",
                    hint="no tuning passes a limit",
                )
            )
            return before, None
        return self._allowed(working, change, max(new, 0.0), before, keys)

    def _allowed(
        self, working: Working, change: AmountChange, new: float, before: float, keys: tuple[str, ...]
    ) -> tuple[float, str | None]:
        allow = working.says.allow
        if allow is None or allow[0].value - EPS <= new <= allow[1].value + EPS:
            return new, None
        span = f"{show_mm(allow[0].value)} to {show_mm(allow[1].value)}"
        if change.beyond is None:
            hint = "to go past it, say who answers for it: beyond-allow: {by: .., why: ..}"
            if change.tuning.key == "--set":
                hint = "to go past it, write it as a tuning in the case, with beyond-allow: {by: .., why: ..}"
            self.notes.faults.append(
                change.tuning.fault(f"makes it {show_mm(new)}, past allow", keys, wanted=span, hint=hint)
            )
            return before, None
        beyond = f"{change.beyond.by}: {change.beyond.why}"
        self.notes.warn("beyond-allow", "look", f"{show_mm(new)}, past allow ({span}); {beyond}", working.name)
        return new, beyond

    # -- what stands against it --------------------------------------------------------------------

    def _steepness(self, working: Working, region: RegionPlan, line: Line | None) -> None:
        """Warn of a steep feather; refuse one that a tuning made too steep."""
        inside, core = region.blend == "inside", core_mm(self.places.limb.edge_mm)
        half = half_width_mm(self.places, region.anchor.spot, region.shape)
        if line is not None:  # a strip's ends take their feather from its length
            half = min(half, (line.length_mm + min(region.shape.widths_mm)) / 2)  # type: ignore[union-attr]
        held = held_feather(region.feather_mm, half, inside, core)
        if held < region.feather_mm - 0.05:
            text = f"feather {show_mm(region.feather_mm)} does not fit, held to {show_mm(held)}"
            self.notes.warn("feather-held", "note", text, region.name)
        slope, limit = slope_deg(region.asked_mm, held), self.limits.slope_deg
        if slope <= WARN_DEG:
            return
        needed = feather_for(region.asked_mm, limit)
        said = f"{show_mm(region.asked_mm)} over {show_mm(held)} is {slope:.0f} deg steep"
        if slope <= limit + 1e-6:
            self.notes.warn("slope", "note", f"{said}; above {WARN_DEG:.0f} deg an edge is felt", region.name)
            return
        wanted = f"at most {limit:g} deg: a feather of {show_mm(math.ceil(needed * 10) / 10)}"
        if inside and needed > half - core / 2:
            wanted += f", in a region at least {show_mm(math.ceil((2 * needed + core) * 10) / 10)} across"
        key: str | None = next((key for key in ("amount", "feather", "shape") if key in working.blame), None)
        if key is None and not working.widen and working.added is None:
            self.notes.warn("slope", "look", f"{said} on this limb; {wanted}", region.name)
            return
        if key is None and working.added is None:
            tuning = working.widen[-1][0]
            keys = ("regions", region.name, "widen")
            self.notes.faults.append(tuning.fault("makes the feather too steep", keys, wanted=wanted, found=said))
            return
        key = key or "feather"
        if key == "amount" and working.amounts:
            key = "amount" if working.amounts[-1].sets else "change"
            working.blame[key] = working.amounts[-1].tuning
        working.fault(self.notes, "makes the feather too steep", key, wanted=wanted, found=said)

    def _keep_clear(self, working: Working, region: RegionPlan) -> tuple[KeepClear, ...]:
        """The discs it is cut back by: its own, protected landmarks, estimated bone."""
        discs = [disc for says in working.says.keep_clear for disc in self._discs_of(says)]
        if region.action != "reduce":
            return tuple(discs)
        area = footprint(self.places, region.anchor.spot, region.shape)
        if region.blend == "outside":
            area = area.buffer(region.feather_mm)  # type: ignore[attr-defined]
        area = remaining(self.places, region.anchor.spot, area, discs)
        return (*discs, *self._clear_of_bone(working, region, area))

    def _clear_of_bone(self, working: Working, region: RegionPlan, area: object) -> Iterator[KeepClear]:
        for name, by in self._tender_places():
            spots = self._along(name, by)
            far = distance_mm(self.places, region.anchor.spot, area, spots)  # type: ignore[arg-type]
            if far >= by:
                continue
            mark = self.places.landmark(name)
            if mark.source == "estimated":
                text = f"kept {show_mm(by)} clear of {name}, which is estimated"
                self.notes.warn("clear-of-estimated-bone", "look", text, region.name)
            elif far == 0.0 and (working.tuned or working.added):
                wanted = f"clear of it, as by keep-clear: {{of: {name}, by: {show_mm(by)}}}"
                key = next((key for key in ("shape", "at", "path", "between") if key in working.blame), "shape")
                working.fault(self.notes, f"reaches the protected {name}", key, wanted=wanted)
            elif far == 0.0:
                text = f"would reach the protected {name}: cut back by {show_mm(by)}"
                self.notes.warn("protected-reached", "look", text, region.name)
            for spot in spots:
                yield KeepClear(spot, by, name)

    def _tender_places(self) -> Iterator[tuple[str, float]]:
        """Landmarks no reduction may come near, and how near."""
        protected = set(self.notes.rulebook.says.protected)
        for name, mark in self.places.limb.landmarks.items():
            if mark.absent:
                continue
            if mark.source == "estimated" and (self.vocabulary.is_tender(name) or name in protected):
                yield name, mark.uncertainty_mm + ESTIMATED_CLEAR_MM
            elif name in protected:
                yield name, PROTECTED_CLEAR_MM + mark.uncertainty_mm

    def _discs_of(self, says: KeepClearOf) -> Iterator[KeepClear]:
        if says.of in self.places.limb.landmarks and not self.absent(says.of):
            for spot in self._along(says.of, says.by.value):
                yield KeepClear(spot, says.by.value, says.of)

    def _along(self, name: str, by: float) -> tuple[Spot, ...]:
        """The spots of a landmark; along a line close enough that discs of this radius leave no gap."""
        spots = self.places.spots_of(name)
        if len(spots) < 2:
            return spots
        line = self.places.line(spots)
        count = max(math.ceil(line.length_mm / max(by / 2, 2.0)), 1)
        return tuple(line.spot(line.length_mm * k / count) for k in range(count + 1))

    def _with_what_is_left(self, working: Working, region: RegionPlan) -> RegionPlan | None:
        """The region, unless its discs leave no core of it."""
        area = footprint(self.places, region.anchor.spot, region.shape)
        left = remaining(self.places, region.anchor.spot, area, region.keep_clear)
        if inscribed_mm(left) >= core_mm(self.places.limb.edge_mm) / 2:
            return region
        of = ", ".join(dict.fromkeys(disc.landmark or "" for disc in region.keep_clear)) or "the mesh's edges"
        found = f"kept clear of {of}, no core of it is left on this limb"
        if region.action == "build-up":
            working.fault(self.notes, "leaves no core", "shape", found=found, wanted="a larger region")
        else:
            self.notes.warn("region-left-out", "look", f"left out: {found}", region.name)
        return None


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
    """Every landmark a region names."""
    says = working.says
    inner = [place.at for place in says.path or ()]
    clear = [disc.of for disc in says.keep_clear]
    return tuple(dict.fromkeys((*essential_landmarks(working), *inner, *clear)))


def only_free_marks(names: Sequence[str]) -> bool:
    return all(is_free_mark(name) for name in names)


def _middle(spots: Sequence[Spot]) -> Spot:
    """The mean of a ring: mean station, and the direction of the summed directions."""
    turn = np.radians([spot.angle_deg for spot in spots])
    angle = math.degrees(math.atan2(float(np.sin(turn).sum()), float(np.cos(turn).sum())))
    return Spot(float(np.mean([spot.station_mm for spot in spots])), wrap(angle))
