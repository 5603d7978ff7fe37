"""What is not a region, resolved for one limb: the overall reduction, the end, the dimensions, the brim."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from rectify.limb.spot import Spot
from rectify.limb.vocabulary import VOCABULARY
from rectify.rulebook.facts import Facts, TapeValue
from rectify.rulebook.model import DimensionSays, LevelEdge, OverallSays, Row, SpareSays
from rectify.rulebook.parts import LevelPlace
from rectify.rulebook.places import Places
from rectify.rulebook.plan import Brim, Dimension, End, Overall, OverallRow, Spare, Tuned
from rectify.rulebook.quantity import Quantity, show_mm, show_percent
from rectify.rulebook.tuning import Tuning
from rectify.rulebook.words import Wrong
from rectify.rulebook.working import Bench, tuned_by

__all__ = ["resolve_brim", "resolve_dimensions", "resolve_end", "resolve_overall", "spared"]

FADE_MM = 30.0  # default of overall.fade; common practice, no source
SPARE_FADE_MM = 15.0  # default of overall.spare-fade; common practice, no source
SPARE_MM = 12.0  # how far round a landmark is spared; common practice, no source
ESTIMATED_CLEAR_MM = 10.0  # beyond its uncertainty: no reduction comes nearer to estimated bone
SAME_LEVEL_MM = 5.0  # a tape value this near a dimension's level is of that level
MOST_PERCENT = 25.0
EPS = 1e-9


def spared(overall: OverallSays) -> tuple[str, ...]:
    """Landmarks that `spare` names."""
    names = [says.of for says in overall.spare if says.of]
    names += [edge.at for says in overall.spare for edge in says.levels or () if edge.at]
    return tuple(dict.fromkeys(names))


# -- overall ---------------------------------------------------------------------------------------


def resolve_overall(bench: Bench, places: Places, relied: frozenset[str]) -> Overall | None:
    """Rows by level, held to allow; what is spared; None where no row is left. `relied`: what stands for anatomy."""
    says = bench.overall
    if says is None:
        return None
    resolved = [_row(bench, places, index) for index in range(len(says.rows))]
    rows = [row for row in resolved if row is not None]
    if not rows:
        bench.notes.conditions.append("overall left out: none of its rows holds for this limb")
        return None
    for index, row in enumerate(rows[1:], start=1):
        above = rows[index - 1]
        if row.level_mm <= above.level_mm + EPS:
            bench.notes.fault(
                "the rows cross on this limb",
                ("overall", "rows"),
                wanted="each row distal of the one before it",
                found=f"{_at(above)}, then {_at(row)}",
                hint="on a short limb take a row out, or say both from one landmark",
            )
            return None
    return Overall(
        basis=says.basis,
        holds=says.holds,
        rows=tuple(rows),
        fade_mm=says.fade.value if says.fade else FADE_MM,
        spare=tuple(_spares(bench, places, says, relied)),
        spare_fade_mm=says.spare_fade.value if says.spare_fade else SPARE_FADE_MM,
    )


def _at(row: OverallRow) -> str:
    return f"{row.at_text} at {show_mm(row.level_mm)}"


def _row(bench: Bench, places: Places, index: int) -> OverallRow | None:
    assert bench.overall is not None
    row: Row = bench.overall.rows[index]
    name = f"overall row {row.text()}"
    outcome = bench.weigh(row.when, name)
    if not outcome.holds:
        return None
    if places.landmark(row.at).absent:
        bench.notes.warn("landmark-absent", "look", f"row left out: no {row.at} on this limb", "overall")
        return None
    try:
        level = places.level(row)
    except Wrong as wrong:
        bench.notes.fault(wrong.message, ("overall", "rows", index, *wrong.keys), hint=wrong.hint)
        return None
    percent = _row_percent(bench, row, bench.overall_factor * outcome.factor, name)
    return OverallRow(level, percent, row.text())


def _row_percent(bench: Bench, row: Row, factor: float, name: str) -> float:
    """Scaled and held to allow; then changed by the tunings, which allow binds."""
    value = 0.0 if bench.overall_carried else row.reduce.value * factor
    low, high = (0.0, MOST_PERCENT) if row.allow is None else (row.allow[0].value, row.allow[1].value)
    low = 0.0 if bench.overall_carried else low
    held = min(max(value, low), high)
    if abs(held - value) > EPS:
        text = f"{row.reduce} times {factor:.4g} is {show_percent(value)}, held to {show_percent(held)} by allow"
        bench.notes.warn("amount-held-to-allow", "note", text, name)
    for tuning, change in bench.overall_changes:
        held = _changed_row(bench, tuning, change, held, (low, high), row)
    return held


def _changed_row(
    bench: Bench, tuning: Tuning, change: Quantity, before: float, allow: tuple[float, float], row: Row
) -> float:
    new = before + change.value
    says = tuning.says.overall
    beyond = (says.beyond_allow if says else None) or tuning.says.beyond_allow
    span = f"{show_percent(allow[0])} to {show_percent(allow[1])}"
    within = allow[0] - EPS <= new <= allow[1] + EPS
    if not 0.0 <= new <= MOST_PERCENT or not (within or beyond):
        bench.notes.faults.append(
            tuning.fault(
                f"makes it {show_percent(new)} at {row.text()}, past allow",
                ("overall", "change"),
                wanted=span,
                hint="what is worn makes a copy wider: wear: [{sock: 1 mm}]"
                if bench.overall_carried and new < 0.0
                else "to go past it, say who answers for it: beyond-allow: {by: .., why: ..}",
            )
        )
        return before
    if not within and beyond:
        text = f"{show_percent(new)} at {row.text()}, past allow ({span}); {beyond.by}: {beyond.why}"
        bench.notes.warn("beyond-allow", "look", text, "overall")
    return new


def _spares(bench: Bench, places: Places, says: OverallSays, relied: frozenset[str]) -> Iterator[Spare]:
    """What is said, then protected landmarks and estimated bone that nobody said."""
    vocabulary = VOCABULARY[places.limb.amputation]
    done: set[str] = set()
    for index, spare in enumerate(says.spare):
        if spare.of is None:
            yield from _window(bench, places, spare, index)
        elif _is_there(places, spare.of):
            done.add(spare.of)
            yield _around(places, spare.of, spare.within.value if spare.within else SPARE_MM)
    for name, mark in places.limb.landmarks.items():
        careful = mark.source == "estimated" and vocabulary.is_tender(name) and name in relied
        if name in done or mark.absent or not (careful or name in bench.notes.rulebook.says.protected):
            continue
        yield _around(places, name, SPARE_MM)


def _is_there(places: Places, name: str) -> bool:
    """Whether the limb has it: not absent, and a free mark not left out."""
    return name in places.limb.landmarks and not places.landmark(name).absent


def _around(places: Places, name: str, within: float) -> Spare:
    """A landmark and what lies round it; of estimated tender bone never less than its own clearance."""
    mark = places.landmark(name)
    if mark.source == "estimated" and VOCABULARY[places.limb.amputation].is_tender(name):
        within = max(within, mark.uncertainty_mm + ESTIMATED_CLEAR_MM)
    return Spare(spots=places.spots_of(name), radius_mm=within, landmark=name)


def _window(bench: Bench, places: Places, spare: SpareSays, index: int) -> Iterator[Spare]:
    edges = spare.levels
    if edges is not None and any(edge.at and not _is_there(places, edge.at) for edge in edges):
        bench.notes.warn("landmark-absent", "look", "a window of spare left out: its landmark is absent", "overall")
        return
    try:
        levels = None if edges is None else (_edge_level(places, edges[0]), _edge_level(places, edges[1]))
    except Wrong as wrong:
        bench.notes.fault(wrong.message, ("overall", "spare", index, "levels"), hint=wrong.hint)
        return
    if levels is not None and not levels[0] < levels[1]:
        bench.notes.fault(
            "the levels of the window cross on this limb",
            ("overall", "spare", index, "levels"),
            wanted="the proximal one first",
            found=f"{show_mm(levels[0])} to {show_mm(levels[1])}",
        )
        return
    angles = None if spare.angles is None else (spare.angles[0].value, spare.angles[1].value)
    yield Spare(stations_mm=levels, angles_deg=angles)


def _edge_level(places: Places, edge: LevelEdge) -> float:
    if edge.level is not None:
        return places.station_at(edge.level.value)
    assert edge.at is not None
    place = LevelPlace.model_construct(at=edge.at, proximal=edge.proximal, distal=edge.distal, part=None)
    return places.station(place)


# -- the end ---------------------------------------------------------------------------------------


def resolve_end(bench: Bench, places: Places) -> End | None:
    """The end's amount, held to allow, changed by the tunings; None where nothing is done."""
    says = bench.end
    if says is None:
        return None
    place = (
        says.from_
        if says.from_ is not None
        else LevelPlace.model_construct(at="inflection", proximal=None, distal=None, part=None)
    )
    if places.landmark(place.at).absent:
        bench.notes.warn("landmark-absent", "look", f"end left out: no {place.at} on this limb", "end")
        return None
    try:
        level = places.level(place)
    except Wrong as wrong:
        if bench.end_tuned:
            bench.notes.faults.append(bench.end_tuned[-1][0].fault(wrong.message, ("end", "from"), hint=wrong.hint))
        else:
            bench.notes.fault(wrong.message, ("end", "from"), hint=wrong.hint)
        return None
    kind = "lengthen" if says.lengthen is not None else "pad"
    value = 0.0 if bench.end_carried else says.amount.value * bench.end_factor
    allow = None if bench.end_carried else says.allow
    own = value if allow is None else min(max(value, allow[0].value), allow[1].value)
    if abs(own - value) > EPS:
        text = f"{says.amount} times {bench.end_factor:.4g} is {show_mm(value)}, held to {show_mm(own)} by allow"
        bench.notes.warn("amount-held-to-allow", "note", text, "end")
    asked, tuned = _tuned_end(bench, own)
    return End(kind, asked, level, own, tuned)  # type: ignore[arg-type]


def _tuned_end(bench: Bench, own: float) -> tuple[float, tuple[Tuned, ...]]:
    assert bench.end is not None
    asked, allow = own, bench.end.allow
    tuned = [tuned_by(tuning, text) for tuning, text in bench.end_tuned]
    for change in bench.end_changes:
        key = "amount" if change.sets else "change"
        new = change.quantity.value if change.sets else asked + change.quantity.value
        least = 0.0 if allow is None or bench.end_carried else allow[0].value
        within = new >= 0.0 and (allow is None or least - EPS <= new <= allow[1].value + EPS)
        if new < 0.0 or (not within and change.beyond is None):
            wanted = "0 mm or more" if allow is None else f"{show_mm(least)} to {show_mm(allow[1].value)}"
            bench.notes.faults.append(
                change.tuning.fault(f"makes it {show_mm(new)}, past allow", ("end", key), wanted=wanted)
            )
            continue
        beyond = None
        if not within and change.beyond is not None:
            beyond = f"{change.beyond.by}: {change.beyond.why}"
            bench.notes.warn("beyond-allow", "look", f"end {show_mm(new)}, past allow; {beyond}", "end")
        tuned.append(tuned_by(change.tuning, f"amount {show_mm(asked)} -> {show_mm(new)}", beyond))
        asked = new
    return asked, tuple(tuned)


# -- dimensions ------------------------------------------------------------------------------------


def resolve_dimensions(
    bench: Bench, places: Places, regions: Sequence[str], reasons: Sequence[str] = ()
) -> tuple[Dimension, ...]:
    """Targets from the tape, over the liner that will be worn; None where the tape has no such value.

    `reasons` are a solution's, one for each dimension that is left in.
    """
    found: list[Dimension] = []
    for index, says in enumerate(bench.notes.rulebook.says.dimensions):
        name = f"{says.measure} at {says.text()}"
        tips = says.between or ()
        named = [place.at for place in (says, *tips)]
        gone = [at for at in named if at not in places.limb.landmarks or places.landmark(at).absent]
        if gone:
            bench.notes.warn("landmark-absent", "note", f"{name} left out: no {gone[0]} on this limb", "dimensions")
            continue
        try:
            level = places.level(says)
            spots = tuple(places.spot(tip) for tip in tips)
        except Wrong as wrong:
            bench.notes.fault(wrong.message, ("dimensions", index, *wrong.keys), hint=wrong.hint)
            continue
        if spots and not all(_is_skin(places, spot) for spot in spots):
            text = f"{name} left out: a tip of the calliper lies beyond the capture"
            bench.notes.warn("beyond-capture", "look", text, "dimensions")
            continue
        by = () if bench.copies else tuple(region for region in says.by if region in regions)
        target = None if bench.copies else _target(bench, places, says, level, name)
        reason = reasons[len(found)] if reasons else ""
        text = says.text() + (f", tips on {tips[0].at} and {tips[1].at}" if tips else "")
        between = (spots[0], spots[1]) if spots else None
        found.append(Dimension(says.measure, level, text, target, by, says.within.value, reason, between))
    return tuple(found)


def _is_skin(places: Places, spot: Spot) -> bool:
    stations, angles = np.array([spot.station_mm]), np.array([spot.angle_deg])
    return spot.station_mm >= places.chart.top_mm and bool(places.chart.is_captured(stations, angles)[0])


def _target(bench: Bench, places: Places, says: DimensionSays, level: float, name: str) -> float | None:
    if says.target.value is not None:
        return says.target.value.value
    value = _from_tape(bench.facts, places, says, level)
    if value is None:
        such = f"no such value taken {says.target.tension}" if says.target.tension else "no such value"
        bench.notes.warn("no-tape", "note", f"{name}: the tape has {such}, so there is no target", "dimensions")
        return None
    target, worn = value.value_mm, bench.facts.worn_mm
    if value.over == "skin" and worn:
        more = 2 * math.pi * worn if says.measure == "circumference" else 2 * worn
        target += more
        text = f"{name}: taken over skin, {show_mm(more)} added for the {show_mm(worn)} worn over it"
        bench.notes.conditions.append(text)
    elif value.over == "skin" and worn is None:
        text = f"{name}: taken over skin, and nobody says what is worn over it"
        bench.notes.warn("wear-not-said", "look", text, "dimensions")
    change = says.target.change
    if change is None:
        return target
    return target * (1 + change.value / 100.0) if change.kind == "percent" else target + change.value


def _from_tape(facts: Facts, places: Places, says: DimensionSays, level: float) -> TapeValue | None:
    """The tape's value of this measure nearest to a level, if it is near enough to be of it, and taken as asked."""
    near: tuple[float, TapeValue] | None = None
    for value in facts.tape:
        mark = places.limb.landmarks.get(value.at)
        if value.measure != says.measure or mark is None or mark.absent:
            continue
        if says.target.tension not in (None, value.tension):
            continue
        off = abs(float(mark.level_mm) + value.offset_mm - level)
        if off <= SAME_LEVEL_MM and (near is None or off < near[0]):
            near = (off, value)
    return None if near is None else near[1]


# -- the brim --------------------------------------------------------------------------------------


def resolve_brim(bench: Bench, places: Places) -> Brim | None:
    """The trimline as spots; a place that is absent or off the capture leaves the brim out, for a person to see."""
    says = bench.brim
    if says is None:
        return None
    spots: list[Spot] = []
    radii: list[float] = []
    usual = says.corner_radius.value if says.corner_radius else 0.0
    for index, place in enumerate(says.line):
        if places.landmark(place.at).absent:
            bench.notes.warn("landmark-absent", "look", f"brim left out: no {place.at} on this limb", "brim")
            return None
        try:
            whole = len(places.spots_of(place.at)) > 1 and place.part is None
            spots.extend(
                [places.moved(spot, place, place.at) for spot in places.spots_of(place.at)]
                if whole
                else [places.spot(place)]
            )
        except Wrong as wrong:
            bench.notes.fault(wrong.message, ("brim", "line", index, *wrong.keys), hint=wrong.hint)
            return None
        radii += [usual if place.radius is None else place.radius.value] * (len(spots) - len(radii))
    stations = np.array([spot.station_mm for spot in spots])
    captured = places.chart.is_captured(stations, np.array([spot.angle_deg for spot in spots]))
    if not bool(np.all(captured)) or float(stations.min()) < places.chart.top_mm:
        bench.notes.warn("brim-beyond-capture", "look", "part of the trimline lies beyond the capture", "brim")
    flare = None if bench.copies else says.flare  # what is rectified already is flared already
    return Brim(
        line=tuple(spots),
        corner_radius_mm=usual,
        flare_out_mm=flare.out.value if flare else 0.0,
        flare_over_mm=flare.over.value if flare else 0.0,
        flare_where=flare.where if flare else "",
        radii_mm=tuple(radii) if any(radius != usual for radius in radii) else (),
    )
