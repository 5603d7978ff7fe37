"""What can be said of a rulebook without a limb: steep edges, feathers that do not fit, bone in the way.

A finding is refused (an error) or a warning; each has file, line, key and what would be right. What depends
on a limb (a short path, a landmark elsewhere than usual) is checked again when the rulebook is resolved.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

from rectify.errors import RulesError
from rectify.limb.vocabulary import VOCABULARY
from rectify.rulebook.footprint import core_mm, held_feather
from rectify.rulebook.from_file import apart_mm, half_extent, landmarks_of, most_mm, reaches, room
from rectify.rulebook.model import Region, RulebookModel
from rectify.rulebook.parts import Factors, RingPlace
from rectify.rulebook.plan import FORMING, Warn
from rectify.rulebook.quantity import show_mm, show_percent
from rectify.rulebook.slope import (
    FLARE_MOST_DEG,
    FLARE_WARN_DEG,
    WARN_DEG,
    feather_for,
    flare_deg,
    flare_over,
    slope_deg,
)
from rectify.rulebook.yamltext import KeyPath, key_text

if TYPE_CHECKING:
    from rectify.rulebook.load import Rulebook

__all__ = ["Finding", "check_rulebook", "findings"]

Where = Callable[[KeyPath], tuple[str | None, int | None]]
EPS = 1e-6


@dataclass(frozen=True)
class Finding:
    """One thing found in a rulebook; `refused` ones keep it from being used."""

    code: str
    refused: bool
    error: RulesError

    def warn(self) -> Warn:
        """As a plan's warning."""
        parts = [self.error.message, *(text for text in (self.error.wanted, self.error.hint) if text)]
        return Warn(self.code, "stop" if self.refused else "note", "; ".join(parts), self.error.key or "")


def check_rulebook(rulebook: Rulebook) -> list[Finding]:
    """Everything found without a limb, in the order of the regions. A loaded rulebook has no refused ones left."""
    return list(findings(rulebook.says, rulebook.where))


def findings(says: RulebookModel, where: Where) -> Iterator[Finding]:
    """The findings of a rulebook's models; `where` tells file and line of a key path."""
    checker = _Checker(says, where)
    for name, region in says.regions.items():
        yield from checker.region(name, region)
    yield from checker.opposed()
    yield from checker.wall()
    yield from checker.end()
    yield from checker.dimensions()
    yield from checker.flare()


def _of_volume(percent: float, basis: str) -> float:
    """What a percentage takes of the volume of its level, percent."""
    return percent if basis == "volume" else 100.0 * (1.0 - (1.0 - percent / 100.0) ** 2)


@dataclass
class _Checker:
    says: RulebookModel
    where: Where

    def __post_init__(self) -> None:
        limits = self.says.limits
        self.slope_limit = limits.slope.value if limits and limits.slope else 45.0
        self.vocabulary = VOCABULARY[self.says.amputation]

    def found(self, code: str, refused: bool, keys: KeyPath, message: str, **more: str | None) -> Finding:
        path, line = self.where(keys)
        return Finding(code, refused, RulesError(message, path=path, line=line, key=key_text(keys), **more))

    # -- one region --------------------------------------------------------------------------------

    def region(self, name: str, region: Region) -> Iterator[Finding]:
        keys: KeyPath = ("regions", name)
        yield from self._steep(keys, region)
        yield from self._over_bone(keys, region)
        yield from self._limits(keys, region)
        yield from self._protected(keys, region)
        yield from self._lines(keys, region)
        if region.action == "build-up" and region.when is not None and isinstance(region.when.part("shaping"), Factors):
            yield self.found(
                "factor-on-shaping",
                True,
                (*keys, "when", "shaping"),
                "is a factor on a build-up",
                wanted="factors on shaping in reductions only",
                hint="hands press where the plaster must carry; they give no room",
            )
        if region.evidence is None:
            yield self.found(
                "no-evidence",
                False,
                keys,
                "does not say where its amount comes from",
                hint="evidence: a key of the evidence list, or common practice, or from memory, unverified",
            )
        if region.allow is None:
            yield self.found("no-allow", False, keys, "does not say how far tuning may go", hint="allow: [least, most]")

    def _steep(self, keys: KeyPath, region: Region) -> Iterator[Finding]:
        if region.action in FORMING and region.action != "flatten":
            return
        half = half_extent(region)
        inside = (region.blend or ("inside" if region.action == "reduce" else "outside")) == "inside"
        feather = region.feather.value
        held = feather if half is None else held_feather(feather, half, inside)
        if held < feather - EPS:
            yield self.found(
                "feather-held",
                False,
                (*keys, "feather"),
                f"does not fit and is held to {show_mm(held)}",
                found=f"{region.feather} in a region {show_mm(2 * (half or 0.0))} across",
                wanted=f"at most {show_mm(held)}: half of what the core of {show_mm(core_mm())} leaves",
            )
        most = most_mm(region)
        if most is None:
            return
        slope = slope_deg(most, held, region.fall)
        what = f"{show_mm(most)} over {show_mm(held)} is {slope:.1f} deg steep"
        if slope > self.slope_limit + EPS:
            need = feather_for(most, self.slope_limit, region.fall)
            yield self.found(
                "slope",
                True,
                (*keys, "feather"),
                "makes an edge too steep",
                found=what,
                wanted=f"at most {self.slope_limit:g} deg: a feather of {show_mm(math.ceil(need * 10) / 10)}"
                + room(inside, half, need),
            )
        elif slope > WARN_DEG + EPS:
            need = feather_for(most, WARN_DEG, region.fall)
            yield self.found(
                "slope",
                False,
                (*keys, "feather"),
                "makes a steep edge",
                found=what,
                wanted=f"at most {WARN_DEG:g} deg: a feather of {show_mm(math.ceil(need * 10) / 10)}"
                + room(inside, half, need),
            )
        if region.allow is not None and most < region.allow[1].value - EPS:
            top = region.allow[1].value
            if slope_deg(top, held, region.fall) > self.slope_limit + EPS:
                need = feather_for(top, self.slope_limit, region.fall)
                yield self.found(
                    "allow-steep",
                    False,
                    (*keys, "allow"),
                    f"lets tuning reach {show_mm(top)}, too steep for this feather",
                    wanted=f"a feather of {show_mm(math.ceil(need * 10) / 10)}",
                    hint="such a tuning is refused unless it says a longer feather too",
                )

    def _over_bone(self, keys: KeyPath, region: Region) -> Iterator[Finding]:
        if region.amount.kind != "radius" or region.sideways() is not None:
            return
        bony = [name for name in landmarks_of(region) if self.vocabulary.is_bony(name)]
        if bony:
            yield self.found(
                "share-over-bone",
                False,
                (*keys, "amount"),
                f"is a share of radius over bone ({bony[0]})",
                found=region.amount.text,
                wanted="mm",
                hint="bone does not grow with girth",
            )

    def _limits(self, keys: KeyPath, region: Region) -> Iterator[Finding]:
        limits = self.says.limits
        if region.action in FORMING:  # it says itself how far it may take the skin
            return
        limit = None if limits is None else limits.reduction if region.action == "reduce" else limits.build_up
        if limit is None:
            return
        most = most_mm(region)
        if most is not None and most > limit.value + EPS:
            yield self.found(
                "past-limit",
                True,
                (*keys, "amount"),
                f"can be {show_mm(most)}, past the rulebook's own limit",
                wanted=f"at most {limit}",
            )
        elif region.allow is not None and region.allow[1].value > limit.value + EPS:
            yield self.found(
                "allow-past-limit",
                False,
                (*keys, "allow"),
                f"reaches {region.allow[1]}, past the rulebook's own limit",
                wanted=f"at most {limit}",
                hint="limits bind whatever allow says",
            )

    def _protected(self, keys: KeyPath, region: Region) -> Iterator[Finding]:
        if region.action != "reduce":
            return
        clear = {disc.of for disc in region.keep_clear}
        for name in self.says.protected:
            if name not in clear and reaches(region, name):
                yield self.found(
                    "reaches-protected",
                    True,
                    (*keys, "shape"),
                    f"reaches the protected {name}",
                    wanted="no reduction there",
                    hint=f"move it away, or cut it back: keep-clear: {{of: {name}, by: 6 mm}}",
                )

    def _lines(self, keys: KeyPath, region: Region) -> Iterator[Finding]:
        """A landmark that is usually a line, where one point is asked for."""
        places: list[tuple[KeyPath, RingPlace]] = [((*keys, "at"), region)]
        ring = region.shape.outline or ()
        places += [((*keys, "shape", "outline", k), place) for k, place in enumerate(ring) if len(ring) > 1]
        for where, place in places:
            if place.at is not None and place.part is None and self.vocabulary.is_line(place.at):
                yield self.found(
                    "line-without-part",
                    False,
                    where,
                    f"{place.at} is usually marked as a line",
                    wanted="where along it: part: 50 %",
                    hint="on a limb where it is a line this cannot be resolved",
                )

    # -- several regions ---------------------------------------------------------------------------

    def opposed(self) -> Iterator[Finding]:
        """A build-up and a reduction laid out from one landmark, without room for both slopes."""
        regions = self.says.regions.items()
        downs = [(name, region) for name, region in regions if region.action == "reduce"]
        ups = [(name, region) for name, region in regions if region.action == "build-up"]
        for (down_name, down), (up_name, up) in product(downs, ups):
            apart = apart_mm(down, up)
            amounts = (most_mm(down), most_mm(up))
            if apart is None or amounts[0] is None or amounts[1] is None or not (amounts[0] and amounts[1]):
                continue
            room = feather_for(amounts[0] + amounts[1], self.slope_limit)
            if apart < room:
                yield self.found(
                    "opposed-neighbours",
                    False,
                    ("regions", down_name, "shape"),
                    f"has no room beside the build-up {up_name}",
                    found=f"{show_mm(apart)} between its core and that outline",
                    wanted=f"{show_mm(math.ceil(room))} for both slopes",
                    hint="a build-up goes first where they meet",
                )

    def wall(self) -> Iterator[Finding]:
        """The overall rows against the limit of volume."""
        overall, limits = self.says.overall, self.says.limits
        if overall is None:
            return
        if overall.evidence is None:
            yield self.found(
                "no-evidence",
                False,
                ("overall",),
                "does not say where its percentages come from",
                hint="evidence: a key of the evidence list, or common practice, or from memory, unverified",
            )
        if limits is None or limits.volume is None:
            return
        least = -limits.volume[0].value
        volume = _of_volume(max(row.reduce.value for row in overall.rows), overall.basis)
        if volume > least + EPS:
            yield self.found(
                "past-limit",
                False,
                ("overall", "rows"),
                f"takes up to {show_percent(volume)} of the volume of a level",
                wanted=f"the limit of volume is {limits.volume[0]}",
                hint="the whole limb is measured against it when applied",
            )
        for index, row in enumerate(overall.rows):
            volume = 0.0 if row.allow is None else _of_volume(row.allow[1].value, overall.basis)
            if row.allow is not None and volume > least + EPS:
                yield self.found(
                    "allow-past-limit",
                    False,
                    ("overall", "rows", index, "allow"),
                    f"reaches {row.allow[1]}: {show_percent(volume)} of the volume of that level",
                    wanted=f"the limit of volume is {limits.volume[0]}",
                    hint="the whole limb is measured against it when applied",
                )

    def end(self) -> Iterator[Finding]:
        """What may be added at the end against the limit of build-ups, which counts it."""
        end, limits = self.says.end, self.says.limits
        if end is None or limits is None or limits.build_up is None:
            return
        most = end.amount if end.allow is None else end.allow[1]
        if most.value > limits.build_up.value + EPS:
            key = "allow" if end.allow is not None else "pad" if end.lengthen is None else "lengthen"
            yield self.found(
                "past-limit" if end.allow is None else "allow-past-limit",
                False,
                ("end", key),
                f"reaches {most}, past the rulebook's own limit",
                wanted=f"at most {limits.build_up}",
                hint="the end counts as a build-up",
            )

    def dimensions(self) -> Iterator[Finding]:
        """A region that moves for a dimension must say how far it may."""
        for index, dimension in enumerate(self.says.dimensions):
            for place, name in enumerate(dimension.by):
                if self.says.regions[name].allow is None:
                    yield self.found(
                        "by-without-allow",
                        True,
                        ("dimensions", index, "by", place),
                        f"moves {name}, which does not say how far it may be moved",
                        wanted=f"allow: [least, most] in regions.{name}",
                    )

    def flare(self) -> Iterator[Finding]:
        """How steep a flare is at the trimline, and its limit."""
        flare, limits = (self.says.brim.flare if self.says.brim else None), self.says.limits
        if flare is None:
            return
        keys: KeyPath = ("brim", "flare")
        if limits is not None and limits.flare is not None and flare.out.value > limits.flare.value + EPS:
            wanted = f"at most {limits.flare}"
            yield self.found("past-limit", True, (*keys, "out"), f"is {flare.out}, past the limit", wanted=wanted)
        steep = flare_deg(flare.out.value, flare.over.value)
        if steep > FLARE_WARN_DEG + EPS:
            refused = steep > FLARE_MOST_DEG + EPS
            over = flare_over(flare.out.value, FLARE_MOST_DEG if refused else FLARE_WARN_DEG)
            yield self.found(
                "steep-flare",
                refused,
                keys,
                "turns out too steeply" if refused else "turns out steeply",
                found=f"{flare.out} over {flare.over} is {steep:.0f} deg at the trimline",
                wanted=f"over {show_mm(math.ceil(over))} or more",
            )
