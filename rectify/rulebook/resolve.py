"""A rulebook resolved for one limb: words become places, shares become mm, checks that need a limb are made.

The result is a plan: nothing of it depends on the rulebook file any more. Faults are collected and told
together; what a person should know but need not mend is in the plan's warnings. Nothing here reads a
file or knows a mesh.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rectify.errors import InputError, LandmarkError, RulesError
from rectify.limb.vocabulary import VOCABULARY, is_free_mark
from rectify.rulebook.anatomy import look_at_anatomy
from rectify.rulebook.facts import Facts
from rectify.rulebook.fields import JOINTS
from rectify.rulebook.layout import all_landmarks
from rectify.rulebook.load import Rulebook
from rectify.rulebook.model import LimitsSay
from rectify.rulebook.places import LimbLike, Places
from rectify.rulebook.plan import Limits, Plan, Solution
from rectify.rulebook.resolve_region import RegionResolver
from rectify.rulebook.resolve_wall import resolve_brim, resolve_dimensions, resolve_end, resolve_overall, spared
from rectify.rulebook.tuning import Tuning, parse_sets, share_said
from rectify.rulebook.working import Bench, Notes
from rectify.rulebook.yamltext import raise_all

__all__ = ["limits_of", "resolve"]

JOINT_MM = 30.0  # `needs: {capture-includes: knee}`: so far proximal of the origin; a working value, no source


def resolve(
    rulebook: Rulebook,
    limb: LimbLike,
    facts: Facts,
    tune: Sequence[Tuning] = (),
    sets: Sequence[str] = (),
    *,
    scan_sha256: str,
    by: str | None = None,
    why: str | None = None,
    on: str | None = None,
    solution: Solution | None = None,
    bare: bool = False,
    places: Places | None = None,
) -> Plan:
    """Resolve a rulebook for one limb.

    Parameters
    ----------
    limb : its chart, landmarks and median edge length (mm)
    facts : what the case says of limb, capture and wear
    tune : the case's tunings (`read_tune`), oldest first
    sets : `--set` strings, laid over them; `by`, `why` and `on` (ISO date) are said of these
    scan_sha256 : digest of the scan the plan is for
    solution : what the dimensions made of the rulebook's amounts (`rectify.engine.dimensions`); tunings come after it
    bare : without what the tunings do to amounts, and without a look at anatomy: what a solution is found for
    places : of this limb, where a rulebook was resolved for it before

    Raises
    ------
    LandmarkError, RulesError, CaseError, or Faults of several
        A landmark nobody marked, with every region that needs it; a place, an amount or a tuning that cannot be.
    """
    if limb.amputation != rulebook.amputation:
        raise RulesError(
            f"is for a {rulebook.amputation} limb",
            path=rulebook.path,
            line=rulebook.where("amputation")[1],
            key="amputation",
            found=f"a {limb.amputation} limb",
            hint="choose a rulebook for that amputation",
        )
    extra = parse_sets(sets, rulebook, by=by, why=why, on=on)
    tunings = (*tune, extra) if extra is not None else tuple(tune)
    notes = Notes(rulebook)
    _say_share(notes, tunings)
    bench = Bench.of(notes, facts, tunings)
    if bare:
        bench.forget_amounts()
    _without_a_brim_of_its_own(bench, limb)
    raise_all(notes.faults + _missing(bench, limb) + _short_capture(bench, limb) + _shaped_otherwise(bench))
    places, limits = places or Places(limb), limits_of(rulebook.says.limits)
    solution = solution or Solution()
    relied = _relied_on(bench, limb.amputation)
    resolver = RegionResolver(places, notes, VOCABULARY[limb.amputation], limits, solution, relied)
    for working in sorted(bench.regions.values(), key=lambda working: working.says.shape.kind == "gap"):
        resolver.resolve(working)  # what lies between others comes after them
    regions = tuple(resolver.done[name] for name in bench.regions if name in resolver.done)
    overall = resolve_overall(bench, places, relied)
    end = resolve_end(bench, places)
    dimensions = resolve_dimensions(bench, places, [region.name for region in regions], solution.reasons)
    brim = resolve_brim(bench, places)
    if not bare:
        look_at_anatomy(places, notes, regions, limits)
    _marks_needed(bench, limb)
    bench.say_what_was_not_said()
    raise_all(notes.faults)
    says = rulebook.says
    return Plan(
        name=says.name,
        rulebook_name=says.name,
        rulebook_key=rulebook.key,
        amputation=says.amputation,
        status=says.status,
        revision=says.revision,
        rulebook_sha256=rulebook.sha256,
        scan_sha256=scan_sha256,
        regions=regions,
        overall=overall,
        end=end,
        dimensions=dimensions,
        brim=brim,
        limits=limits,
        protected=says.protected,
        needs=_needs(bench),
        cautions=says.cautions,
        tune=tuple(dict(tuning.raw) for tuning in tunings),
        warnings=tuple(dict.fromkeys(notes.warnings)),
        conditions=tuple(dict.fromkeys(notes.conditions)),
    )


def limits_of(says: LimitsSay | None) -> Limits:
    """The limits as numbers."""
    if says is None:
        return Limits()

    def pair(key: str) -> tuple[float, float] | None:
        said = getattr(says, key)
        return None if said is None else (said[0].value, said[1].value)

    return Limits(
        volume_percent=pair("volume"),
        reduction_mm=None if says.reduction is None else says.reduction.value,
        build_up_mm=None if says.build_up is None else says.build_up.value,
        slope_deg=45.0 if says.slope is None else says.slope.value,
        ap_percent=pair("ap"),
        ml_percent=pair("ml"),
        circumference_percent=pair("circumference"),
        flare_mm=None if says.flare is None else says.flare.value,
    )


def _needs(bench: Bench) -> tuple[str, ...]:
    needs = bench.needs
    if needs is None:
        return ()
    return (
        *(f"capture-includes {name}" for name in needs.capture_includes),
        *(f"landmark {n}" for n in needs.landmarks),
        *((f"shaping {' or '.join(needs.shaping)}",) if needs.shaping else ()),
    )


def _say_share(notes: Notes, tunings: Sequence[Tuning]) -> None:
    """How far the rulebook lies between two others, and whether it was loaded with the share that tunings ask for."""
    book = notes.rulebook
    if book.share is None:
        return
    asked = share_said([{**tuning.raw} for tuning in tunings])
    if asked is not None and abs(asked - book.share) > 1e-9:
        notes.fault(
            "is not the share that the tuning asks for",
            ("mix",),
            wanted=f"{100 * asked:g} %",
            found=f"{100 * book.share:g} %",
            hint="load the rulebook with that share",
        )
    by = "by the tuning" if asked is not None else "by the rulebook"
    notes.conditions.append(f"mix: {100 * book.share:g} % of the way to {book.mixed_with}, {by}")


# -- landmarks that must be there ------------------------------------------------------------------


def _named(bench: Bench) -> Iterator[tuple[str, str]]:
    """Every landmark that is needed on this limb, and by what."""
    for working in bench.regions.values():
        for name in all_landmarks(working):
            yield name, f"regions.{working.name}"
    if bench.overall is not None:
        for row in bench.overall.rows:
            yield row.at, "overall.rows"
        for name in spared(bench.overall):
            if not is_free_mark(name):  # spared where it is there
                yield name, "overall.spare"
    if bench.end is not None:
        yield bench.end.from_.at if bench.end.from_ else "inflection", "end"
    says = bench.notes.rulebook.says
    for dimension in () if bench.copies else says.dimensions:  # of a copy they are only told
        yield dimension.at, "dimensions"
        for tip in dimension.between or ():
            yield tip.at, "dimensions"
    for place in bench.brim.line if bench.brim is not None else ():
        yield place.at, "brim"
    for name in () if bench.copies else says.protected:
        yield name, "protected"
    for name in bench.needs.capture_includes if bench.needs else ():
        if name not in JOINTS:
            yield name, "needs"


def _without_a_brim_of_its_own(bench: Bench, limb: LimbLike) -> None:
    """A rectified capture need not be marked anew for the rulebook's trimline."""
    places = bench.brim.line if bench.brim is not None and bench.copies else ()
    gone = [place.at for place in places if place.at not in limb.landmarks]
    if gone:
        bench.brim = None
        bench.notes.warn("brim-left-out", "look", f"the trimline is left out: {gone[0]} is not marked", "brim")


def _relied_on(bench: Bench, amputation: str) -> frozenset[str]:
    """Landmarks that stand for anatomy here: what a region, a `spare` or `protected` names, and what must be marked
    before a release. Not those that only say where a trimline, a row or a calliper lies."""
    named = [name for working in bench.regions.values() for name in all_landmarks(working)]
    spare = spared(bench.overall) if bench.overall is not None else ()
    return frozenset((*named, *spare, *bench.notes.rulebook.says.protected, *VOCABULARY[amputation].needed))


def _missing(bench: Bench, limb: LimbLike) -> list[InputError]:
    """A landmark nobody marked is an error that lists who needs it; a region on a free mark is left out instead."""
    needed: dict[str, list[str]] = {}
    for name, by in _named(bench):
        if name not in limb.landmarks and by not in needed.setdefault(name, []):
            needed[name].append(by)
    faults: list[InputError] = []
    for name, needers in needed.items():
        who = tuple(needers)
        of_tuning = any(w.added or w.blame for w in bench.regions.values() if f"regions.{w.name}" in who)
        if is_free_mark(name) and not of_tuning and all(key.startswith("regions.") for key in who):
            for region in (key.removeprefix("regions.") for key in who):
                bench.regions.pop(region, None)
                bench.notes.warn("mark-missing", "note", f"left out: no {name} on this limb", region)
            continue
        path, line = bench.notes.rulebook.where(who[0])
        faults.append(
            LandmarkError(
                f"{name} is not marked",
                path=path,
                line=line,
                key=who[0],
                wanted=f"it is needed by {', '.join(who)}",
                hint=f"mark it, or write {name}: absent where the limb has no such place",
            )
        )
    return faults


def _short_capture(bench: Bench, limb: LimbLike) -> list[InputError]:
    """What the rulebook wants the capture to include and it does not."""
    needs, rulebook = bench.needs, bench.notes.rulebook
    faults: list[InputError] = []
    for index, name in enumerate(needs.capture_includes if needs else ()):
        path, line = rulebook.where(("needs", "capture-includes", index))
        key = "needs.capture-includes"
        if name in JOINTS:
            top = limb.chart.top_mm
            if top > -JOINT_MM:
                faults.append(
                    InputError(
                        f"the capture does not include the {name}",
                        path=path,
                        line=line,
                        key=key,
                        wanted=f"it reaches at least {JOINT_MM:g} mm proximal of the origin of levels",
                        found=f"it reaches {-top:.0f} mm",
                        hint="capture further up, or use another rulebook",
                    )
                )
        elif name in limb.landmarks and (limb.landmarks[name].absent or limb.landmarks[name].beyond_capture):
            faults.append(
                InputError(
                    f"the capture does not include {name}",
                    path=path,
                    line=line,
                    key=key,
                    wanted=f"{name} on the captured surface",
                )
            )
    return faults


def _shaped_otherwise(bench: Bench) -> list[InputError]:
    """A capture that was not shaped as the rulebook takes it to be."""
    needs, facts, rulebook = bench.needs, bench.facts, bench.notes.rulebook
    if needs is None or not needs.shaping or facts.shaping in needs.shaping:
        return []
    path, line = rulebook.where(("needs", "shaping"))
    found = f"shaping: {facts.shaping}" if facts.shaping else "the case does not say how it was shaped"
    return [
        InputError(
            "the limb was not shaped as this rulebook takes it to be",
            path=path,
            line=line,
            key="needs.shaping",
            wanted=f"shaping: {' or '.join(needs.shaping)}",
            found=found,
            hint="say it in the case under scan, or use another rulebook",
        )
    ]


def _marks_needed(bench: Bench, limb: LimbLike) -> None:
    needs, notes = bench.needs, bench.notes
    for name in needs.landmarks if needs else ():
        mark = limb.landmarks.get(name)
        if mark is None or mark.absent or mark.source == "estimated":
            notes.warn("mark-needed", "look", f"{name} must be marked before a result is released", name)
