"""Tunings: what a clinician changes for one limb, as the `tune` list of a case or as `--set` on a command.

They are read and checked against the rulebook's names here, and applied in `resolve`. In a tuning
`amount` takes no sign (the action gives it) and `change` must have one. Nothing is ever overwritten: entries
are kept as they were written.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from rectify.errors import CaseError, InputError, RulesError
from rectify.rulebook.brim_says import BrimField, Flare
from rectify.rulebook.faults import Place as Where
from rectify.rulebook.faults import attempt
from rectify.rulebook.fields import (
    Amount,
    Base,
    Change,
    Context,
    LengthOrPart,
    Line,
    OrOne,
    Percent,
    PlainLength,
    RegionName,
    SignedPercent,
    as_list,
)
from rectify.rulebook.forming import FacesField, MostSays, TiltField
from rectify.rulebook.load import Rulebook
from rectify.rulebook.model import Region, Row, SpareField
from rectify.rulebook.parts import KeepClearOf, LevelField, Moves, PlaceField, RingPlace, ShapeField
from rectify.rulebook.plan import Fall
from rectify.rulebook.quantity import parse_quantity
from rectify.rulebook.words import Wrong, shown, suggest
from rectify.rulebook.yamltext import KeyPath, Value, empty_values, key_text, raise_all

__all__ = ["SETTABLE", "TuneEntry", "TuneRegion", "Tuning", "parse_sets", "read_tune", "share_said"]

SETTABLE = ("amount", "change", "feather")
_WHO = re.compile(r"[A-Za-z0-9]+([.-][A-Za-z0-9]+)*")


def _who(raw: str) -> str:
    if len(raw) > 24 or not _WHO.fullmatch(raw):
        raise Wrong(f"is {raw!r}", wanted="initials or a role, like JT-cpo", hint="no names of people in a case")
    return raw


def _date(raw: object) -> object:
    try:
        if isinstance(raw, str) and len(raw) == 10:
            date.fromisoformat(raw)
            return raw
    except ValueError:
        pass
    raise Wrong(f"is {shown(raw)}", wanted="a date, like 2026-11-20")


Who = Annotated[Line, AfterValidator(_who)]
Date = Annotated[str, BeforeValidator(_date)]


class Beyond(Base):
    """Leave to pass `allow`, never `limits`."""

    by: Who
    why: Line


class Widen(Base):
    """Signed lengths added to a region's extents."""

    along: Change | None = None
    around: Change | None = None
    width: Change | None = None

    @model_validator(mode="after")
    def _something(self) -> Self:
        if self.along is None and self.around is None and self.width is None:
            raise Wrong("is empty", wanted="{along: +5 mm, around: -2 mm} or {width: +4 mm}")
        if self.width is not None and (self.along is not None or self.around is not None):
            raise Wrong("stands beside along or around", keys=("width",), hint="width is of a strip")
        return self


class TuneRegion(RingPlace):
    """What changes in one region."""

    amount: Amount | None = Field(None, description="sets the amount; no sign")
    change: Change | None = Field(None, description="adds to the amount; sign required")
    feather: PlainLength | None = None
    profile: Literal["flat", "dome", "groove"] | None = None
    blend: Literal["inside", "outside"] | None = None
    from_: Literal["reduced", "capture"] | None = None
    keep_clear: Annotated[tuple[KeepClearOf, ...], BeforeValidator(as_list), OrOne()] | None = None
    shape: ShapeField | None = None
    fall: Fall | None = None
    faces: FacesField | None = None
    tilt: TiltField | None = None
    most: MostSays | None = None
    corner: PlainLength | None = None
    path: Annotated[tuple[PlaceField, ...], Field(min_length=2, max_length=50)] | None = None
    between: tuple[LevelField, LevelField] | None = None
    along_path: LengthOrPart | None = None
    move: Moves | None = Field(None, description="moves the region from where it is")
    widen: Widen | None = None
    drop: Literal[True] | None = Field(None, description="leaves the region out")
    add: Region | None = Field(None, description="a whole new region")
    beyond_allow: Beyond | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.amount is not None and self.change is not None:
            raise Wrong("stands beside amount", keys=("change",), hint="amount sets, change adds: keep one of them")
        said = self.model_fields_set
        for alone in ("drop", "add"):
            if alone in said and len(said - {alone, "beyond_allow"}):
                raise Wrong("stands beside other changes", keys=(alone,), hint=f"with {alone} nothing else is said")
        new_place = {"at", "path", "between"} & said
        moves = [key for key in ("proximal", "distal", "medial", "lateral", "anterior", "posterior") if key in said]
        if moves and not new_place:
            raise Wrong(
                "moves from a landmark, but none is said",
                keys=(moves[0],),
                hint=f"to move the region from where it is, write move: {{{moves[0]}: {getattr(self, moves[0])}}}",
            )
        if len(new_place) > 1:
            raise Wrong("is a second place", keys=(max(new_place),), hint="keep one of at, path, between")
        return self


class TuneOverall(Base):
    """What changes in the overall reduction."""

    change: SignedPercent | None = Field(None, description="added to every row")
    rows: Annotated[tuple[Row, ...], Field(min_length=1, max_length=60)] | None = None
    spare: tuple[SpareField, ...] | None = None
    spare_fade: PlainLength | None = None
    fade: PlainLength | None = None
    beyond_allow: Beyond | None = None

    @model_validator(mode="after")
    def _one(self) -> Self:
        if self.change is not None and self.rows is not None:
            raise Wrong("stands beside rows", keys=("change",), hint="keep one of them")
        return self


class TuneEnd(Base):
    """What changes at the distal end."""

    amount: PlainLength | None = None
    change: Change | None = None
    from_: LevelField | None = None
    drop: Literal[True] | None = None
    beyond_allow: Beyond | None = None

    @model_validator(mode="after")
    def _one(self) -> Self:
        if self.amount is not None and self.change is not None:
            raise Wrong("stands beside amount", keys=("change",), hint="amount sets, change adds: keep one of them")
        return self


class TuneBrim(Base):
    """What changes at the trimline."""

    line: Annotated[tuple[BrimField, ...], Field(min_length=3, max_length=100)] | None = None
    corner_radius: PlainLength | None = None
    flare: Flare | None = None


class TuneMix(Base):
    """How far a rulebook between two others is taken towards the second."""

    share: Percent = Field(description="instead of the share of the rulebook's mix")


class TuneEntry(Base):
    """One entry of `tune`: who, when, why, and what."""

    by: Who = Field(description="initials or a role")
    on: Date | None = Field(None, description="a date, like 2026-11-20")
    after: Line | None = Field(None, description="the fitting it follows from")
    why: Line = Field(description="what was seen or said")
    regions: dict[RegionName, TuneRegion] = Field(default_factory=dict)
    end: TuneEnd | None = None
    overall: TuneOverall | None = None
    brim: TuneBrim | None = None
    mix: TuneMix | None = None
    beyond_allow: Beyond | None = None

    @model_validator(mode="after")
    def _something(self) -> Self:
        if not self.regions and not any((self.end, self.overall, self.brim, self.mix)):
            raise Wrong("changes nothing", wanted="regions, end, overall, brim or mix")
        return self


@dataclass(frozen=True)
class Tuning:
    """One entry, as models and as it was written, and where it stands."""

    says: TuneEntry
    raw: Mapping[str, object]
    where: Where  # key path within the entry -> file, line
    key: str  # of the entry: "tune[0]", "--set"
    error: type[InputError] = CaseError

    def fault(
        self,
        message: str,
        keys: KeyPath,
        *,
        wanted: str | None = None,
        found: str | None = None,
        hint: str | None = None,
    ) -> InputError:
        """An error that points at a key of this entry."""
        path, line = self.where(keys)
        text = key_text(keys)
        key = f"{self.key}.{text}" if self.error is CaseError else text
        return self.error(message, path=path, line=line, key=key, wanted=wanted, found=found, hint=hint)


def read_tune(
    raw: Value, rulebook: Rulebook, where: Where, *, under: KeyPath = ("tune",), also: Iterable[str] = ()
) -> tuple[Tuning, ...]:
    """Read a case's `tune` list.

    Parameters
    ----------
    raw : what stands under the key; None and an empty list are no tuning
    where : key path of the case file -> file, line (a Document's)
    under : the key path of the list
    also : regions that earlier tunings added

    Raises
    ------
    CaseError, Faults
        Every fault of every entry.
    """
    if raw is None:
        return ()
    if not isinstance(raw, list):
        path, line = where(under)
        raise CaseError(f"is {shown(raw)}", path=path, line=line, key=key_text(under), wanted="a list of entries")
    faults: list[InputError] = list(empty_values(raw, where, under, CaseError))
    raise_all(faults)
    tunings: list[Tuning] = []
    names = {*rulebook.regions, *also}
    for index, entry in enumerate(raw):
        keys = (*under, index)
        faults += _names_fit(entry, names, where, keys, rulebook)
        says, wrong = attempt(
            TuneEntry, entry, where, context=Context(rulebook.amputation), under=keys, error=CaseError
        )
        faults += wrong
        if says is not None:
            faults += _dated(says, where, keys)
            if says.mix is not None and rulebook.share is None:
                path, line = where((*keys, "mix"))
                faults.append(
                    CaseError(
                        f"{rulebook.key} lies between no two others",
                        path=path,
                        line=line,
                        key=key_text((*keys, "mix")),
                        hint="a share is for a rulebook with `mix`",
                    )
                )
            assert isinstance(entry, dict)
            tunings.append(Tuning(says, entry, _below(where, keys), key_text(keys)))
    raise_all(faults)
    return tuple(tunings)


def _below(where: Where, under: KeyPath) -> Where:
    return lambda keys: where((*under, *keys))


def _dated(says: TuneEntry, where: Where, keys: KeyPath) -> list[InputError]:
    if says.on is not None:
        return []
    path, line = where(keys)
    return [
        CaseError("is missing", path=path, line=line, key=key_text((*keys, "on")), wanted="a date, like 2026-11-20")
    ]


def _names_fit(entry: object, names: set[str], where: Where, keys: KeyPath, rulebook: Rulebook) -> list[InputError]:
    """Regions that are changed must be there, those that are added must not; `names` follows along."""
    regions = entry.get("regions") if isinstance(entry, dict) else None
    faults: list[InputError] = []
    for name, change in (regions or {}).items() if isinstance(regions, dict) else ():
        here = (*keys, "regions", name)
        path, line = where(here)
        adds = isinstance(change, dict) and "add" in change
        if adds and name in names:
            faults.append(
                CaseError(
                    f"adds {name}, which is there already",
                    path=path,
                    line=line,
                    key=key_text(here),
                    hint="change it without add, or give the new one another name",
                )
            )
        elif not adds and name not in names:
            faults.append(
                CaseError(
                    f"no region {name} in {rulebook.key}",
                    path=path,
                    line=line,
                    key=key_text(here),
                    hint=suggest(name, names, what="regions"),
                )
            )
        names.add(name)
    return faults


def share_said(tune: object, sets: Sequence[str] = ()) -> float | None:
    """The share of a mixture that tunings ask for, 0 to 1, the last one said; None where none does.

    Read before the rulebook is, for its amounts depend on it: what is not good here is passed over and told by
    `read_tune` and `parse_sets`, which check everything.

    Examples
    --------
    >>> share_said([{"by": "AB", "why": "test", "mix": {"share": "30 %"}}], ["mix.share=40%"])
    0.4
    """
    entries = [entry.get("mix") for entry in tune if isinstance(entry, dict)] if isinstance(tune, list) else []
    said = [entry.get("share") for entry in entries if isinstance(entry, dict)]
    said += [text.partition("=")[2] for text in sets if text.partition("=")[0].strip() == "mix.share"]
    for share in reversed(said):
        try:
            return parse_quantity(share, "percent", least=0.0, most=100.0).value / 100.0
        except Wrong:
            continue
    return None


# -- --set -----------------------------------------------------------------------------------------


def parse_sets(
    sets: Sequence[str],
    rulebook: Rulebook,
    *,
    by: str | None = None,
    why: str | None = None,
    on: str | None = None,
) -> Tuning | None:
    """One tuning from `--set` strings like `patellar-tendon.amount=6mm`; None where there are none.

    Raises
    ------
    RulesError, Faults
        Of every string that is not good.
    """
    if not sets:
        return None
    faults: list[InputError] = []
    raw: dict[str, Value] = {"by": by or "unsigned", "why": why or "set on the command line"}
    if on is not None:
        raw["on"] = on
    for text in sets:
        _take_set(text, raw, rulebook, faults)
    raise_all(faults)
    says, wrong = attempt(TuneEntry, raw, lambda _: (None, None), context=Context(rulebook.amputation))
    for fault in wrong:
        fault.key = f"--set {_as_set(fault.key)}" if fault.key and fault.key.count(".") else f"--{fault.key}"
    raise_all(wrong)
    assert says is not None
    return Tuning(says, raw, lambda _: (None, None), "--set", RulesError)


def _as_set(key: str) -> str:
    return key.removeprefix("regions.")


def _take_set(text: str, raw: dict[str, Value], rulebook: Rulebook, faults: list[InputError]) -> None:
    def wrong(message: str, wanted: str | None = None, hint: str | None = None) -> None:
        faults.append(RulesError(message, key=f"--set {text}", wanted=wanted, hint=hint))

    target, equals, value = text.partition("=")
    name, dot, what = target.strip().rpartition(".")
    if not equals or not dot or not value.strip():
        wrong("is not region.key=value", "patellar-tendon.amount=6mm, or fibular-head.change=+1mm")
        return
    known = ("amount", "change") if name == "end" else ("share",) if name == "mix" else SETTABLE
    if what not in known:
        wrong(f"cannot set {what}", hint=suggest(what, known, what="may be set"))
        return
    if name == "end":
        at = raw.setdefault("end", {})
        if rulebook.says.end is None:
            wrong(f"{rulebook.key} does nothing to the end")
            return
    elif name == "mix":
        at = raw.setdefault("mix", {})
        if rulebook.share is None:
            wrong(f"{rulebook.key} lies between no two others", hint="a share is for a rulebook with `mix`")
            return
    elif name not in rulebook.regions:
        wrong(
            f"no region {name} in {rulebook.key}",
            hint=suggest(name, (*rulebook.regions, "end"), what="regions"),
        )
        return
    else:
        regions = raw.setdefault("regions", {})
        assert isinstance(regions, dict)
        at = regions.setdefault(name, {})
    assert isinstance(at, dict)
    if what in at:
        wrong("sets the same thing twice", hint="keep one of them")
        return
    at[what] = value.strip()
