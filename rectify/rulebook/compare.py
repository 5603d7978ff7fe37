"""Two rulebooks side by side, in words and in mm on one limb.

Both are resolved for the same limb with the same facts and without tunings; what is told is where they differ: regions
that only one of them has, amounts, extents, feathers, places, the overall reduction both ways of counting, the end,
dimensions, limits. Differences of amounts are held against what was read of people: one experienced person repeats
himself to 1 mm, two differ by 2 mm (convery-2003). Nothing is printed here, and nothing says which of the two is right.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from rectify.errors import RulesError
from rectify.rulebook.describe import both_bases, describe
from rectify.rulebook.facts import Facts
from rectify.rulebook.load import Rulebook
from rectify.rulebook.places import LimbLike, Places
from rectify.rulebook.plan import (
    Band,
    Brim,
    End,
    EndCap,
    Form,
    Oval,
    Overall,
    Plan,
    RegionPlan,
    Sector,
    Shape,
    Spot,
    Strip,
)
from rectify.rulebook.quantity import show_mm
from rectify.rulebook.resolve import resolve

__all__ = [
    "ONE_PERSON_MM",
    "TWO_PEOPLE_MM",
    "Comparison",
    "Difference",
    "RegionDifference",
    "compare",
    "compare_plans",
    "planned",
    "spread",
]

ONE_PERSON_MM, TWO_PEOPLE_MM = 1.0, 2.0  # Convery et al. (2003) Prosthet Orthot Int 27(3):207-213
_SAME_MM = 0.005  # below what is shown
_SAME_PLACE_MM = 0.05


@dataclass(frozen=True)
class Difference:
    """One thing that differs: what, in the first, in the second, and by how much where that can be said."""

    what: str
    first: str
    second: str
    by: str = ""


@dataclass(frozen=True)
class RegionDifference:
    """A region that differs. `first_mm` or `second_mm` is None where the region is not there on this limb."""

    name: str
    first_mm: float | None  # signed: build-ups positive, reductions negative
    second_mm: float | None
    differences: tuple[Difference, ...]

    @property
    def change_mm(self) -> float:
        """Of the amount, outward positive; a region that is not there counts as nothing."""
        return (self.second_mm or 0.0) - (self.first_mm or 0.0)


@dataclass(frozen=True)
class Comparison:
    """Where two rulebooks differ on a limb."""

    first: str
    second: str
    amputation: str
    regions: tuple[RegionDifference, ...]
    alike: tuple[str, ...]  # regions that do not differ
    overall: tuple[Difference, ...]
    rest: tuple[Difference, ...]  # end, dimensions, brim, limits, needs, status
    notes: tuple[str, ...]


def compare(first: Rulebook, second: Rulebook, limb: LimbLike, facts: Facts | None = None) -> Comparison:
    """Where two rulebooks differ on a limb.

    Parameters
    ----------
    limb : with every landmark that they name
    facts : the facts of the case; by default an average, healthy, bare limb

    Raises
    ------
    RulesError
        They are for different amputations.
    LandmarkError, Faults
        One of them cannot be resolved for this limb.
    """
    if first.amputation != second.amputation:
        raise RulesError(
            "cannot be compared: they are for different amputations",
            path=second.path,
            found=f"{first.amputation}, and {second.amputation}",
        )
    notes: list[str] = []
    one, two = (planned(book, limb, facts, notes) for book in (first, second))
    places = Places(limb)
    by_name = [{region.name: region for region in plan.regions} for plan in (one, two)]
    names = list(dict.fromkeys((*by_name[0], *by_name[1])))
    regions = [_region(name, by_name[0].get(name), by_name[1].get(name), places, (first, second)) for name in names]
    return Comparison(
        first=first.key,
        second=second.key,
        amputation=first.amputation,
        regions=tuple(region for region in regions if region.differences),
        alike=tuple(region.name for region in regions if not region.differences),
        overall=tuple(_overall(one.overall, two.overall)),
        rest=tuple(_rest(first, second, one, two)),
        notes=tuple(notes),
    )


def compare_plans(first: Plan, second: Plan, places: Places | None = None) -> Comparison:
    """Where two plans differ: rulebooks as resolved for a limb, tunings included.

    Parameters
    ----------
    places : of the limb, optional
        Without it a move round the limb is told in degrees instead of mm.

    Raises
    ------
    RulesError
        They are for different amputations.
    """
    if first.amputation != second.amputation:
        raise RulesError(
            "cannot be compared: they are for different amputations",
            found=f"{first.amputation}, and {second.amputation}",
        )
    by_name = [{region.name: region for region in plan.regions} for plan in (first, second)]
    regions = []
    for name in dict.fromkeys((*by_name[0], *by_name[1])):
        one, two = by_name[0].get(name), by_name[1].get(name)
        a, b = _signed(one), _signed(two)
        if one is None or two is None:
            there = ["not there" if region is None else "there" for region in (one, two)]
            found = [Difference("region", there[0], there[1], _mm((b or 0.0) - (a or 0.0)))]
        else:
            found = list(_in_plans(one, two, places))
        regions.append(RegionDifference(name, a, b, tuple(found)))
    rest = list(_ends(first, second))
    if first.brim != second.brim:
        rest.append(Difference("brim", *(_brim(plan.brim) for plan in (first, second))))
    for what in ("rulebook_key", "revision", "status"):
        pair = [str(getattr(plan, what)) for plan in (first, second)]
        if pair[0] != pair[1]:
            rest.append(Difference(what.replace("_key", ""), pair[0], pair[1]))
    return Comparison(
        first=first.rulebook_key,
        second=second.rulebook_key,
        amputation=first.amputation,
        regions=tuple(region for region in regions if region.differences),
        alike=tuple(region.name for region in regions if not region.differences),
        overall=tuple(_overall(first.overall, second.overall)),
        rest=tuple(rest),
        notes=(),
    )


def spread(change_mm: float) -> str:
    """How a difference of amounts stands to what people differ by, in words.

    Examples
    --------
    >>> spread(0.0), spread(0.4), spread(-1.5), spread(4.0)
    ('', "within one person's scatter", 'within what two people differ by', 'more than two people differ by')
    """
    size = abs(change_mm)
    if size < _SAME_MM:
        return ""
    if size <= ONE_PERSON_MM:
        return "within one person's scatter"
    return "within what two people differ by" if size <= TWO_PEOPLE_MM else "more than two people differ by"


_AVERAGE = Facts(
    shaping="none",
    surface="skin",
    rectified=False,
    tissue="average",
    sensation="normal",
    circulation="normal",
    skin="intact",
    volume="stable",
    suspension="sleeve",
    liner_mm=6.0,
    worn_mm=6.0,
)


def planned(book: Rulebook, limb: LimbLike, facts: Facts | None, notes: list[str]) -> Plan:
    """A rulebook resolved without tunings, by default for an average, healthy, bare limb; `notes` are added to."""
    facts = facts or _AVERAGE
    needs = book.says.needs
    if needs is not None and needs.shaping and facts.shaping not in needs.shaping:
        facts = replace(facts, shaping=needs.shaping[0])
        notes.append(f"{book.key} is for limbs shaped by {' or '.join(needs.shaping)}, and was resolved for one")
    return resolve(book, limb, facts, scan_sha256="0" * 64)


# -- regions ---------------------------------------------------------------------------------------


def _region(
    name: str, one: RegionPlan | None, two: RegionPlan | None, places: Places, books: tuple[Rulebook, Rulebook]
) -> RegionDifference:
    a, b = _signed(one), _signed(two)
    if one is None or two is None:
        first, second = (
            "there" if region is not None else _why_not(name, book)
            for region, book in zip((one, two), books, strict=True)
        )
        by = _mm((b or 0.0) - (a or 0.0))
        return RegionDifference(name, a, b, (Difference("region", first, second, by),))
    return RegionDifference(name, a, b, tuple(_in_region(one, two, places, books)))


def _signed(region: RegionPlan | None) -> float | None:
    if region is None:
        return None
    return -region.asked_mm if region.action == "reduce" else region.asked_mm  # what forms a wall counts as said


def _why_not(name: str, book: Rulebook) -> str:
    return "left out on this limb" if name in book.regions else "not there"


def _in_region(
    one: RegionPlan, two: RegionPlan, places: Places, books: tuple[Rulebook, Rulebook]
) -> Iterator[Difference]:
    yield from _in_plans(one, two, places)
    lines = [next(line for line in describe(book).regions if line.name == one.name) for book in books]
    for what in ("when", "keep_clear", "evidence"):
        said = [getattr(line, what) for line in lines]
        if said[0] != said[1]:
            yield Difference(what.replace("_", "-"), said[0] or "nothing", said[1] or "nothing")


def _in_plans(one: RegionPlan, two: RegionPlan, places: Places | None) -> Iterator[Difference]:
    """What the plans themselves say of a region; without a limb a move round it is told in degrees."""
    a, b = _signed(one) or 0.0, _signed(two) or 0.0
    if abs(b - a) > _SAME_MM or one.amount_text != two.amount_text:
        said = [
            f"{_mm(mm)}" + ("" if show_mm(abs(mm)) == r.amount_text else f" ({r.amount_text})")
            for mm, r in ((a, one), (b, two))
        ]
        yield Difference("amount", said[0], said[1], _mm(b - a))
    if one.allow_mm != two.allow_mm:
        yield Difference("allow", _span(one.allow_mm), _span(two.allow_mm))
    if _extent(one.shape) != _extent(two.shape):
        yield Difference("extent", _extent(one.shape), _extent(two.shape))
    if abs(one.feather_mm - two.feather_mm) > _SAME_MM:
        by = f"{two.feather_mm - one.feather_mm:+.2f} mm"
        yield Difference("feather", show_mm(one.feather_mm), show_mm(two.feather_mm), by)
    moved = _apart(one.anchor.spot, two.anchor.spot, places)
    if moved:
        spots = [
            f"level {r.anchor.spot.station_mm:.0f} mm, {r.anchor.spot.angle_deg % 360:.0f} deg" for r in (one, two)
        ]
        yield Difference("place", spots[0], spots[1], moved)
    for what, key in (("profile", "profile"), ("blend", "blend"), ("fall", "fall"), ("from", "measured_from")):
        if getattr(one, key) != getattr(two, key):
            yield Difference(what, getattr(one, key), getattr(two, key))
    if one.form != two.form:
        yield Difference("form", _form(one.form), _form(two.form))


def _mm(value: float) -> str:
    return f"{value + 0.0:+.2f} mm"


def _span(allow: tuple[float, float] | None) -> str:
    return "not said" if allow is None else f"{show_mm(allow[0])} to {show_mm(allow[1])}"


def _extent(shape: Shape) -> str:
    if isinstance(shape, Oval):
        turned = f", turned {shape.turn_deg:g} deg" if shape.turn_deg else ""
        return f"{show_mm(shape.along_mm)} along, {show_mm(shape.around_mm)} around{turned}"
    if isinstance(shape, Strip):
        return " to ".join(dict.fromkeys((show_mm(shape.widths_mm[0]), show_mm(shape.widths_mm[-1])))) + " wide"
    if isinstance(shape, Band):
        return f"all round, levels {shape.from_station_mm:.0f} to {shape.to_station_mm:.0f} mm"
    if isinstance(shape, EndCap):
        return f"{show_mm(shape.reach_mm)} from the pole"
    if isinstance(shape, Sector):
        return f"{show_mm(shape.around_mm)} around, up to the edge"
    low, high = (f(spot.station_mm for spot in shape.ring) for f in (min, max))
    return f"outline of {len(shape.ring)} places, levels {low:.0f} to {high:.0f} mm"


def _form(form: Form | None) -> str:
    if form is None:
        return "nothing formed"
    return (
        f"faces {form.faces_deg % 360:.0f} deg, leans {form.tilt_deg:+.1f} deg, at most {show_mm(form.in_mm)} in and "
        f"{show_mm(form.out_mm)} out, corner {show_mm(form.corner_mm)}"
    )


def _apart(one: Spot, two: Spot, places: Places | None) -> str:
    """How far the second lies from the first, in words; nothing where they are the same place."""
    if places is not None:
        around, along = places.apart(one, two)
        return _moved(around, along) if math.hypot(around, along) > _SAME_PLACE_MM else ""
    turned = (two.angle_deg - one.angle_deg + 180.0) % 360.0 - 180.0
    down = _moved(0.0, two.station_mm - one.station_mm)
    return ", ".join(part for part in (down, f"{abs(turned):.1f} deg round" if abs(turned) > 0.05 else "") if part)


def _moved(around: float, along: float) -> str:
    parts = [f"{abs(along):.1f} mm {'distal' if along > 0 else 'proximal'}"] if abs(along) > 0.05 else []
    parts += [f"{abs(around):.1f} mm round the limb"] if abs(around) > 0.05 else []
    return ", ".join(parts)


# -- the rest --------------------------------------------------------------------------------------


def _overall(one: Overall | None, two: Overall | None) -> Iterator[Difference]:
    """Rows by what they are said at; both percentages of each."""
    rows = [{row.at_text: row for row in plan.rows} if plan is not None else {} for plan in (one, two)]
    level = {row.at_text: row.level_mm for found in rows for row in found.values()}
    for at in sorted(level, key=lambda text: level[text]):
        said = []
        for plan, found in zip((one, two), rows, strict=True):
            row = found.get(at)
            said.append("no row" if row is None or plan is None else _both(row.percent, plan.basis))
        if said[0] != said[1]:
            yield Difference(f"{at} (level {level[at]:.0f} mm)", said[0], said[1])
    for what in ("basis", "holds", "fade_mm", "spare_fade_mm"):
        pair = [getattr(plan, what) if plan is not None else None for plan in (one, two)]
        if None not in pair and pair[0] != pair[1]:
            first, second = (show_mm(value) if isinstance(value, float) else str(value) for value in pair)
            yield Difference(what.removesuffix("_mm").replace("_", "-"), first, second)
    spared = [sorted({s.landmark or "a window" for s in plan.spare}) if plan is not None else [] for plan in (one, two)]
    if one is not None and two is not None and spared[0] != spared[1]:
        yield Difference("spare", ", ".join(spared[0]) or "nothing", ", ".join(spared[1]) or "nothing")


def _both(percent: float, basis: str) -> str:
    girth, volume = both_bases(percent, basis)
    return f"{girth:.2f} % of circumference, {volume:.2f} % of volume"


def _ends(one: Plan, two: Plan) -> Iterator[Difference]:
    said = [_end(plan.end) for plan in (one, two)]
    if said[0] != said[1]:
        amounts = [plan.end.amount_mm if plan.end is not None else 0.0 for plan in (one, two)]
        yield Difference("end", said[0], said[1], _mm(amounts[1] - amounts[0]))


def _rest(first: Rulebook, second: Rulebook, one: Plan, two: Plan) -> Iterator[Difference]:
    yield from _ends(one, two)
    words = describe(first), describe(second)
    limits = [dict(word.limits) for word in words]
    for name in dict.fromkeys((*limits[0], *limits[1])):
        pair = [found.get(name, "no limit") for found in limits]
        if pair[0] != pair[1]:
            yield Difference(f"limit {name}", pair[0], pair[1])
    for what in ("status", "dimensions", "brim", "protected", "needs"):
        texts = [getattr(word, what) for word in words]
        if texts[0] != texts[1]:
            shown = ["; ".join(text) if isinstance(text, tuple) else text for text in texts]
            yield Difference(what, shown[0] or "nothing", shown[1] or "nothing")


def _brim(brim: Brim | None) -> str:
    if brim is None:
        return "no trimline"
    low, high = (f(spot.station_mm for spot in brim.line) for f in (min, max))
    flare = f", flare {show_mm(brim.flare_out_mm)} out over {show_mm(brim.flare_over_mm)}" if brim.flare_out_mm else ""
    corner = show_mm(brim.corner_radius_mm)
    return f"line of {len(brim.line)} places, levels {low:.0f} to {high:.0f} mm, corner {corner}{flare}"


def _end(end: End | None) -> str:
    return "nothing" if end is None else f"{end.kind} {show_mm(end.amount_mm)}, from level {end.from_level_mm:.0f} mm"
