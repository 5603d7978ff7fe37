"""One region of the bench, resolved for one limb: its place, its shape, its amount, and what stands against it.

Scaling is held to `allow` and says so; a tuning past it is refused unless somebody answers for it. A place that
rests on estimated bone is handled with care: room is made wider there, and no reduction comes near.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import shapely

from rectify.errors import LandmarkError
from rectify.limb.spot import Spot
from rectify.limb.vocabulary import Vocabulary
from rectify.rulebook.amounts import Amount, Amounts
from rectify.rulebook.footprint import (
    core_mm,
    distance_mm,
    footprint,
    half_width_mm,
    held_feather,
    inscribed_mm,
    remaining,
)
from rectify.rulebook.layout import Layout, all_landmarks, essential_landmarks
from rectify.rulebook.parts import KeepClearOf
from rectify.rulebook.places import SIDE_DEG, Line, Places, wrap
from rectify.rulebook.plan import (
    FORMING,
    Action,
    Anchor,
    Form,
    KeepClear,
    Limits,
    RegionPlan,
    Sector,
    Shape,
    Solution,
    Tuned,
)
from rectify.rulebook.quantity import show_mm
from rectify.rulebook.slope import WARN_DEG, amount_for, feather_for, slope_deg
from rectify.rulebook.words import Wrong
from rectify.rulebook.working import Notes, Working

__all__ = ["RegionResolver"]

ESTIMATED_CLEAR_MM = 10.0  # beyond its uncertainty, no reduction comes nearer to estimated bone
PROTECTED_CLEAR_MM = 5.0  # how far a reduction is cut back from a protected landmark; common practice, no source
# How far the wall's edge is rounded where a form says nothing; common practice, no source.
_CORNER_MM = {"flatten": 3.0, "shelf": 6.0, "raise": 5.0, "squeeze": 0.0}
_SHELF_TILT_DEG = 5.0  # a seat falls a little towards the socket, so that what sits on it does not slide off; the same
EPS = 1e-9
_NOT_STEEP = ("squeeze", "shelf", "raise")  # their amount is no height that a feather carries
_OPPOSITE: dict[Action, Action] = {"reduce": "build-up", "build-up": "reduce"}


class RegionResolver:
    """Resolves the regions of one bench on one limb."""

    def __init__(
        self,
        places: Places,
        notes: Notes,
        vocabulary: Vocabulary,
        limits: Limits,
        solution: Solution,
        relied: frozenset[str],
    ) -> None:
        self.places, self.notes, self.vocabulary, self.limits = places, notes, vocabulary, limits
        self.solution, self.relied = solution, relied  # `relied`: names that stand for anatomy in this rulebook
        self.done: dict[str, RegionPlan] = {}
        self.layout, self.amounts = Layout(places, notes), Amounts(places, notes, limits, solution)

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
        if self._only_estimated(working):
            return None
        try:
            laid = self.layout.of(working, self.done)
            if laid is None:
                return None
            anchor = laid.anchor
            amount = self.amounts.of(working, anchor)
            action = says.action if amount.asked >= 0.0 else _OPPOSITE.get(says.action, says.action)
            shape = self._room_over_estimated_bone(working, anchor, action, self.layout.widened(working, laid.shape))
        except Wrong as wrong:
            key = str(wrong.keys[0]) if wrong.keys else "path" if says.path else "at"
            working.fault(
                self.notes, wrong.message, key, wanted=wrong.wanted, hint=wrong.hint, deeper=tuple(wrong.keys[1:])
            )
            return None
        if not self._on_the_capture(working, anchor):
            return None
        blend = says.blend or ("inside" if says.action == "reduce" else "outside")
        form = self._form(working, anchor, shape) if says.action in FORMING else None
        region = RegionPlan(
            name=working.name,
            action=action,
            measured_from=says.from_,
            rulebook_mm=0.0 if working.added else amount.rulebook,
            change_mm=abs(amount.asked) - (0.0 if working.added else amount.rulebook),
            asked_mm=abs(amount.asked),
            allow_mm=None if says.allow is None or working.carried else (says.allow[0].value, says.allow[1].value),
            anchor=anchor,
            shape=shape,
            profile=says.profile,
            feather_mm=says.feather.value,
            blend=blend,
            why=says.why or (working.added.says.why if working.added else ""),
            evidence=says.evidence or "",
            amount_text=says.amount.text,
            tuned=(*self._solved(working.name, amount), *working.tuned_entries(amount.texts)),
            solved_mm=amount.solved,
            form=form,
            fall=says.fall,
        )
        if form is not None and not self._captured_high_enough(working, region):
            return None
        if action != says.action:
            text = f"{show_mm(region.asked_mm)} less than the captured shape carries: made as a {action}"
            self.notes.warn("turned-round", "look" if action == "reduce" else "note", text, working.name)
        region = replace(region, keep_clear=self._keep_clear(working, region))
        if region.action not in _NOT_STEEP:
            half = self._half_width(region, laid.line)
            self._steepness(working, region, half)
            region = self._carried_allow(region, half)
        left = self._with_what_is_left(working, region)
        if left is not None:
            self.done[left.name] = left
        return left

    def _only_estimated(self, working: Working) -> bool:
        """Whether it needs marks and rests on a landmark that nobody marked: a fault for each."""
        if working.says.needs != "mark":
            return False
        marks = self.places.limb.landmarks
        unsure = [name for name in all_landmarks(working) if name in marks and marks[name].source == "estimated"]
        path, line = self.notes.rulebook.where(("regions", working.name, "needs"))
        for name in unsure:
            self.notes.faults.append(
                LandmarkError(
                    f"{name} is only estimated, and {working.name} may not rest on an estimate",
                    path=path,
                    line=line,
                    key=f"regions.{working.name}.needs",
                    hint=f"mark it, write {name}: absent where the limb has no such place, or drop the region in a "
                    "tuning and say why",
                )
            )
        return bool(unsure)

    def _solved(self, name: str, amount: Amount) -> tuple[Tuned, ...]:
        """What the dimensions changed, told like a tuning."""
        solved = self.solution.regions.get(name)
        if solved is None:
            return ()
        text = f"amount {show_mm(amount.rulebook)} -> {show_mm(solved.amount_mm)}"
        return (Tuned("dimensions", "", solved.why, None, text),)

    # -- walls that are formed -----------------------------------------------------------------------

    def _form(self, working: Working, anchor: Anchor, shape: Shape) -> Form:
        """How a wall is formed, in numbers. A flat wall leans as the skin does from end to end of it, unless said."""
        says = working.says
        faces = says.faces
        angle = anchor.spot.angle_deg if faces is None else SIDE_DEG[faces] if isinstance(faces, str) else faces.value
        in_mm, out_mm = says.most.mm() if says.most is not None else (0.0, 0.0)
        if says.tilt is not None:
            tilt = says.tilt.value
        else:
            tilt = self._lean(anchor.spot, shape, angle) if says.action == "flatten" else _SHELF_TILT_DEG
            tilt = 0.0 if says.action in ("raise", "squeeze") else tilt
        corner = says.corner.value if says.corner is not None else _CORNER_MM[says.action]
        return Form(wrap(angle), tilt, in_mm, out_mm, corner, says.narrow or "ml")

    def _lean(self, spot: Spot, shape: Shape, faces_deg: float) -> float:
        """How far the skin leans outwards over a shape's height, degrees: by its highest and its lowest place."""
        ring = shapely.get_coordinates(footprint(self.places, spot, shape))
        ends = [self.places.step(spot, float(y), 0.0) for y in (ring[:, 1].min(), ring[:, 1].max())]
        high, low = self.places.chart.point(np.array([end.station_mm for end in ends]), np.array([spot.angle_deg] * 2))
        turn = math.radians(wrap(faces_deg - spot.angle_deg))
        apart = (math.hypot(*high[:2]) - math.hypot(*low[:2])) * math.cos(turn)
        return math.degrees(math.atan2(apart, high[2] - low[2]))

    def _captured_high_enough(self, working: Working, region: RegionPlan) -> bool:
        """Whether there is skin as high as a raised wall is to stand, or a shelf is laid out of; else a fault."""
        if region.action not in ("raise", "shelf"):
            return True
        assert isinstance(region.shape, Sector)
        spot = region.anchor.spot
        need = region.asked_mm
        around = np.linspace(-region.shape.around_mm / 2, region.shape.around_mm / 2, 9)
        angles = np.array([self.places.step(spot, 0.0, float(x)).angle_deg for x in around])
        reach = [self._reach(spot.station_mm, float(angle), need) for angle in angles]
        short = int(np.argmin(reach))
        if reach[short] >= need:
            return True
        what = "a wall" if region.action == "raise" else "a shelf"
        missing = show_mm(math.ceil(need - reach[short]))
        low, high = (f"{angle % 360:.0f}" for angle in (angles[0], angles[-1]))
        working.fault(
            self.notes,
            f"the capture ends below what {what} needs",
            "amount",
            wanted=f"skin to {show_mm(need)} above its place, over {show_mm(region.shape.around_mm)} round the limb: "
            f"to level {show_mm(round(spot.station_mm - need))} from {low} to {high} deg",
            found=f"at {angles[short] % 360:.0f} deg it reaches {show_mm(math.floor(reach[short]))}",
            hint=f"capture {missing} higher there, make it narrower or lower, or drop the region and say why",
        )
        return False

    def _reach(self, station: float, angle: float, need: float) -> float:
        """How high above a level there is skin at an angle, mm, as far as is asked."""
        heights = np.arange(0.0, need + 0.5, 1.0)
        there = self.places.chart.is_captured(station - heights, np.full(len(heights), angle))
        there &= station - heights >= self.places.chart.top_mm
        return need if there.all() else float(heights[int(np.argmin(there))])

    # -- estimated bone, and the edge of the capture -----------------------------------------------

    def _room_over_estimated_bone(self, working: Working, anchor: Anchor, action: Action, shape: Shape) -> Shape:
        if anchor.source != "estimated":
            return shape
        unsure = show_mm(anchor.uncertainty_mm)
        unsure_of = [n for n in essential_landmarks(working) if self.places.landmark(n).source == "estimated"]
        bony = [name for name in unsure_of if self.vocabulary.is_bony(name)]
        if not bony or action != "build-up":
            severity = "look" if bony else "note"
            text = f"laid out on an estimated place, give or take {unsure}"
            self.notes.warn("estimated-place", severity, text, working.name)  # type: ignore[arg-type]
            return shape
        self.notes.warn(
            "estimated-bone",
            "look",
            f"{bony[0]} is estimated, give or take {unsure}: the build-up is that much wider all round",
            working.name,
        )
        return self.layout.grown(anchor, shape, anchor.uncertainty_mm)

    def _on_the_capture(self, working: Working, anchor: Anchor) -> bool:
        spot, chart = anchor.spot, self.places.chart
        captured = bool(chart.is_captured(np.array([spot.station_mm]), np.array([spot.angle_deg]))[0])
        if captured and spot.station_mm >= chart.top_mm - EPS:
            return True
        short = chart.top_mm - spot.station_mm
        by = f", {show_mm(short)} above its edge" if short > 0 else ""
        self.notes.warn("beyond-capture", "look", f"left out: it lies beyond the capture{by}", working.name)
        return False

    # -- what stands against it --------------------------------------------------------------------

    def _half_width(self, region: RegionPlan, line: Line | None) -> float:
        half = half_width_mm(self.places, region.anchor.spot, region.shape)
        if line is not None:  # a strip's ends take their feather from its length
            half = min(half, (line.length_mm + min(region.shape.widths_mm)) / 2)  # type: ignore[union-attr]
        return half

    def _carried_allow(self, region: RegionPlan, half: float) -> RegionPlan:
        """With as much of `allow` as the feather carries on this limb: what is offered can be set."""
        if region.allow_mm is None:
            return region
        held = self._held(region, half)
        least, most = region.allow_mm
        if slope_deg(most, held, region.fall) <= self.limits.slope_deg + 1e-6:
            return region
        carried = math.floor(10.0 * amount_for(held, self.limits.slope_deg, region.fall) + 1e-6) / 10.0
        most = max(least, region.rulebook_mm, carried)
        text = f"allow ends at {show_mm(most)} on this limb instead of {show_mm(region.allow_mm[1])}: a feather of "
        text += f"{show_mm(held)} carries no more at {self.limits.slope_deg:g} deg"
        self.notes.warn("allow-steep", "note", text, region.name)
        return replace(region, allow_mm=(least, most))

    def _held(self, region: RegionPlan, half: float) -> float:
        return held_feather(region.feather_mm, half, region.blend == "inside", core_mm(self.places.limb.edge_mm))

    def _steepness(self, working: Working, region: RegionPlan, half: float) -> None:
        """Warn of a steep feather; refuse one that a tuning made too steep."""
        inside, core = region.blend == "inside", core_mm(self.places.limb.edge_mm)
        held = self._held(region, half)
        if held < region.feather_mm - 0.05:
            text = f"feather {show_mm(region.feather_mm)} does not fit, held to {show_mm(held)}"
            self.notes.warn("feather-held", "note", text, region.name)
        slope, limit = slope_deg(region.asked_mm, held, region.fall), self.limits.slope_deg
        if slope <= WARN_DEG:
            return
        needed = feather_for(region.asked_mm, limit, region.fall)
        said = f"{show_mm(region.asked_mm)} over {show_mm(held)} is {slope:.1f} deg steep"
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
        if key == "amount":
            key = working.amount_key()
        working.fault(self.notes, "makes the feather too steep", key, wanted=wanted, found=said)

    def _keep_clear(self, working: Working, region: RegionPlan) -> tuple[KeepClear, ...]:
        """The discs it is cut back by: its own, protected landmarks, estimated bone."""
        discs = [disc for says in working.says.keep_clear for disc in self._discs_of(says)]
        if region.action not in ("reduce", "flatten"):
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
            elif far == 0.0 and (working.tuned or working.added or working.carried):
                wanted = f"clear of it, as by keep-clear: {{of: {name}, by: {show_mm(by)}}}"
                own = working.amount_key() if working.carried else "shape"
                key = next((key for key in ("shape", "at", "path", "between") if key in working.blame), own)
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
            tender = self.vocabulary.is_tender(name) and name in self.relied
            if mark.source == "estimated" and (tender or name in protected):
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
        edge = self.places.limb.edge_mm
        if inscribed_mm(left) >= core_mm(edge) / 2:
            return region
        of = ", ".join(dict.fromkeys(disc.landmark or "" for disc in region.keep_clear))
        clear = f"kept clear of {of}, no core" if of else "no core"
        found = f"{clear} of it is left on this limb: {core_mm(edge):.1f} mm wide, as edges of {edge:.1f} mm want it"
        if region.action == "build-up":
            hint = "a finer scan wants less: edges of 1 to 2 mm" if edge > 3.0 else None
            working.fault(self.notes, "leaves no core", "shape", found=found, wanted="a larger region", hint=hint)
        else:
            self.notes.warn("region-left-out", "look", f"left out: {found}", region.name)
        return None
