"""The rulebook as models: every key of LANGUAGE.md, its kind of value, its default.

Models hold what was written; nothing is resolved. A model that exists is good as far as one file can tell;
what needs several regions at once, or a limb, is checked in `checks` and `resolve`.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, StrictInt, model_validator

from rectify.limb.vocabulary import AMPUTATIONS
from rectify.rulebook.brim_says import Brim, Flare
from rectify.rulebook.facts import FACT_WORDS
from rectify.rulebook.fields import (
    Amount,
    Angle,
    Base,
    CapturedRef,
    EvidenceRef,
    LandmarkRef,
    Length,
    LengthOrPart,
    LevelLength,
    LimitPercent,
    Line,
    OrOne,
    Percent,
    PlainLength,
    RegionName,
    RegionRef,
    RowPercent,
    Short,
    Slope,
    TargetChange,
    Text,
    as_list,
)
from rectify.rulebook.forming import FacesField, MostSays, TiltField, forming_fits
from rectify.rulebook.parts import (
    KeepClearOf,
    LevelField,
    LevelPlace,
    PlaceField,
    RingPlace,
    ShapeField,
    WhenField,
)
from rectify.rulebook.plan import Action, Fall
from rectify.rulebook.quantity import Quantity
from rectify.rulebook.words import Wrong

__all__ = [
    "Brim",
    "DimensionSays",
    "EndSays",
    "Flare",
    "LimitsSay",
    "Needs",
    "OverallSays",
    "Region",
    "Row",
    "RulebookModel",
    "SpareSays",
    "Target",
    "place_of",
]

Amputation = Literal[
    "transtibial",
    "transfemoral",
    "knee-disarticulation",
    "ankle-disarticulation",
    "transradial",
    "transhumeral",
]
assert set(AMPUTATIONS) == set(Amputation.__args__)  # type: ignore[attr-defined]

Range = tuple[PlainLength, PlainLength]


def _in_order(pair: tuple[Quantity, Quantity] | None, key: str) -> None:
    if pair is not None and pair[0].value > pair[1].value:
        raise Wrong(f"runs from {pair[0]} down to {pair[1]}", keys=(key,), wanted="[least, most]")


def _amount_in(amount: Quantity, allow: tuple[Quantity, Quantity] | None, key: str) -> None:
    _in_order(allow, "allow")
    if allow is None or amount.kind == "radius":
        return
    if not allow[0].value - 1e-9 <= amount.value <= allow[1].value + 1e-9:
        raise Wrong(f"is {amount}, outside its own allow", keys=(key,), wanted=f"{allow[0]} to {allow[1]}")


class Region(RingPlace):
    """One region: what is done, how much, where, and why."""

    action: Action = Field(
        description="reduce takes away from the model, build-up adds; flatten, shelf, raise and squeeze form walls"
    )
    amount: Amount = Field(description="how much, without a sign; over bone in mm")
    allow: Range | None = Field(None, description="[least, most]: what scaling and tuning may reach")
    from_: Literal["reduced", "capture"] = Field("reduced", description="what the amount is measured from")
    along_path: LengthOrPart | None = Field(None, description="of an oval on a path: how far from the path's start")
    path: Annotated[
        tuple[PlaceField, ...] | None,
        Field(min_length=2, max_length=50, description="the places a strip runs through"),
    ] = None
    between: tuple[LevelField, LevelField] | None = Field(None, description="the two levels of a band")
    shape: ShapeField = Field(description="the outline: oval, strip, outline, band or end-cap")
    profile: Literal["flat", "dome", "groove"] = Field("flat", description="how the amount is spread inside")
    feather: PlainLength = Field(description="the blend at the border; 0 mm for none")
    blend: Literal["inside", "outside"] | None = Field(
        None, description="where the feather lies; by default outside a build-up and inside a reduction"
    )
    keep_clear: Annotated[tuple[KeepClearOf, ...], BeforeValidator(as_list), OrOne()] = Field(
        (), description="landmarks this region is cut back from"
    )
    why: Line | None = Field(None, description="the reason, in one line")
    evidence: EvidenceRef | None = Field(None, description="where the amount comes from")
    when: WhenField | None = None
    needs: Literal["mark"] | None = Field(
        None, description="mark: its landmarks must be marked, an estimate will not do"
    )
    fall: Fall = Field("smooth", description="how the amount falls over the feather")
    between_regions: tuple[RegionRef, RegionRef] | None = Field(None, description="the two regions a gap lies between")
    faces: FacesField | None = Field(None, description="where a flat wall or a shelf looks; outwards by default")
    tilt: TiltField | None = Field(None, description="how it leans: the top of a wall outwards, a shelf's edge upwards")
    most: MostSays | None = Field(None, description="the farthest a wall takes the skin, in and out")
    corner: PlainLength | None = Field(None, description="the rounding where a formed wall meets what was there")
    narrow: Literal["ml", "ap"] | None = Field(None, description="of a squeeze: the width that becomes smaller")

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        _amount_in(self.amount, self.allow, "amount")
        if self.amount.kind == "radius" and self.allow is None:
            raise Wrong(
                "is missing",
                keys=("allow",),
                wanted="[least, most] in mm",
                hint="an amount that scales with the limb needs bounds: allow: [3 mm, 8 mm]",
            )
        self.place_fits_shape()
        forming_fits(self)
        return self

    def place_fits_shape(self) -> None:
        places = (("at", self.at), ("path", self.path), ("between", self.between))
        said = {key for key, value in (*places, ("between-regions", self.between_regions)) if value}
        kind = self.shape.kind
        on_path = kind in ("oval", "outline") and "path" in said
        wanted: dict[str, set[str]] = {
            "oval": {"at"},
            "strip": {"path"},
            "outline": {"at"},
            "band": {"between"},
            "sector": {"at"},
            "gap": {"between-regions"},
        }
        right = {"path"} if on_path else wanted.get(kind, set())
        ring = self.shape.outline
        if kind == "outline" and not said and ring is not None and all(place.at for place in ring):
            right = set()
        if said != right:
            need = {
                "oval": "at (or path with along-path)",
                "strip": "path",
                "outline": "at (or a landmark at every place)",
                "band": "between",
                "end-cap": "no place",
                "sector": "at",
                "gap": "between-regions",
            }
            found = " and ".join(sorted(said)) or "no place"
            raise Wrong(f"is {kind} with {found}", keys=("shape",), wanted=f"{kind} with {need[kind]}")
        self._moves_fit_shape(kind, on_path)

    def _moves_fit_shape(self, kind: str, on_path: bool) -> None:
        if on_path and self.along_path is None:
            raise Wrong("is missing", keys=("along-path",), hint=f"say where on its path the {kind} lies")
        if not on_path and self.along_path is not None:
            raise Wrong(
                "stands without a path",
                keys=("along-path",),
                hint="of a strip, say it at a place of the path",
            )
        moved = [
            key for key in ("proximal", "distal", "medial", "lateral", "anterior", "posterior") if getattr(self, key)
        ]
        if kind in ("band", "end-cap", "gap") and (moved or self.angle or self.part):
            raise Wrong(f"does not move a {kind}", keys=(*moved, "angle")[:1], hint="move the levels it lies between")
        if kind == "strip" and (self.proximal or self.distal or self.angle or self.part):
            key = next(key for key in ("proximal", "distal", "angle", "part") if getattr(self, key))
            raise Wrong(
                "does not move a path",
                keys=(key,),
                hint="a path is moved sideways; its places move on their own",
            )
        for index, place in enumerate(self.path or ()):
            if place.along_path is not None and (on_path or 0 < index < len(self.path or ()) - 1):
                raise Wrong(
                    "cuts back what is no end of a strip",
                    keys=("path", index, "along-path"),
                    hint="only the first and the last place of a strip's path are cut back",
                )


def place_of(region: RingPlace) -> RingPlace:
    """The place of a region without the rest of it."""
    keys = RingPlace.model_fields
    return RingPlace.model_construct(**{key: getattr(region, key) for key in keys})


class Row(LevelPlace):
    """The overall reduction at one level."""

    reduce: RowPercent = Field(description="percent of the circumference or the volume, by basis")
    allow: tuple[RowPercent, RowPercent] | None = Field(None, description="[least, most]: what tuning may reach")
    when: WhenField | None = None

    @model_validator(mode="after")
    def _allowed(self) -> Self:
        _amount_in(self.reduce, self.allow, "reduce")
        return self


class LevelEdge(Base):
    """A level said as a length from the origin of levels, or as a place."""

    level: LevelLength | None = Field(None, description="from the origin of levels, distal positive")
    at: LandmarkRef | None = None
    proximal: Length | None = None
    distal: Length | None = None

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.level is None) == (self.at is None):
            raise Wrong("needs one of level and at", wanted="40 mm, or a landmark")
        return self


def _edge(raw: object) -> object:
    if isinstance(raw, int | float):
        return {"level": raw}
    if isinstance(raw, str):
        return {"level": raw} if raw[:1] in "0123456789+-.\u2212" else {"at": raw}
    return raw


EdgeField = Annotated[LevelEdge, BeforeValidator(_edge), Short({"type": "string"})]


class SpareSays(Base):
    """What an overall reduction leaves alone."""

    of: LandmarkRef | None = Field(None, description="a landmark")
    within: PlainLength | None = Field(None, description="how far round it; 12 mm by default")
    levels: tuple[EdgeField, EdgeField] | None = Field(None, description="from, to")
    angles: tuple[Angle, Angle] | None = Field(None, description="from, to, by way of increasing angle")

    @model_validator(mode="after")
    def _one(self) -> Self:
        window = self.levels is not None or self.angles is not None
        if (self.of is None) == (not window):
            raise Wrong("needs a landmark (of), or a window (levels, angles)")
        if window and self.within is not None:
            raise Wrong("belongs to a landmark, not to a window", keys=("within",))
        return self


def _spare(raw: object) -> object:
    return {"of": raw} if isinstance(raw, str) else raw


SpareField = Annotated[SpareSays, BeforeValidator(_spare), Short({"type": "string"})]


class OverallSays(Base):
    """The overall reduction of the wall, by level."""

    basis: Literal["circumference", "volume"] = Field(description="what the percentages are of")
    holds: Literal["before-regions", "finished"] = Field("before-regions", description="when they are to be true")
    rows: Annotated[tuple[Row, ...], Field(min_length=1, max_length=60, description="proximal first")]
    fade: PlainLength | None = Field(None, description="above the first row and below the last; 30 mm by default")
    spare: tuple[SpareField, ...] = Field((), description="what is not reduced; the rest of the level makes it up")
    spare_fade: PlainLength | None = Field(None, description="the blend round what is spared; 15 mm by default")
    when: WhenField | None = None
    why: Line | None = None
    evidence: EvidenceRef | None = None


Tension = Literal["loose", "snug", "tight"]


class Target(Base):
    """What a dimension must measure."""

    from_: Literal["tape"] | None = Field(None, description="the case's own hand measurement")
    tension: Tension | None = Field(None, description="takes only a value that was measured so; tight: pressed")
    change: TargetChange | None = Field(None, description="added to the tape's value")
    value: PlainLength | None = Field(None, description="a length")

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.from_ is None) == (self.value is None):
            raise Wrong("needs one of from and value", wanted="{from: tape, change: -3 mm}, or a length")
        for key in ("tension", "change"):
            if self.value is not None and getattr(self, key) is not None:
                raise Wrong("belongs to a value from the tape", keys=(key,))
        return self


def _target(raw: object) -> object:
    return {"value": raw} if isinstance(raw, str | int | float) else raw


class DimensionSays(LevelPlace):
    """What the finished model must measure at a level, and which regions may move to get there."""

    measure: Literal["ap", "ml", "circumference"]
    target: Annotated[Target, BeforeValidator(_target), Short({"type": "string"})]
    by: Annotated[tuple[RegionRef, ...], BeforeValidator(as_list), OrOne()] = ()
    within: PlainLength = Field(description="how near is near enough")
    between: tuple[PlaceField, PlaceField] | None = Field(None, description="where the calliper's two tips are set")

    @model_validator(mode="after")
    def _tips_of_a_calliper(self) -> Self:
        if self.between is not None and self.measure == "circumference":
            raise Wrong("is of a calliper", keys=("between",), wanted="measure: ap or ml")
        return self


class EndSays(Base):
    """What is done to the distal end."""

    lengthen: PlainLength | None = Field(None, description="stretch the end along the axis by this")
    pad: PlainLength | None = Field(None, description="room for an end pad of this thickness")
    from_: LevelField | None = Field(None, description="the level from which on; inflection by default")
    allow: Range | None = None
    when: WhenField | None = None
    why: Line | None = None
    evidence: EvidenceRef | None = None

    @property
    def amount(self) -> Quantity:
        amount = self.lengthen if self.lengthen is not None else self.pad
        assert amount is not None
        return amount

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.lengthen is None) == (self.pad is None):
            raise Wrong("needs one of lengthen and pad", wanted="{lengthen: 3 mm} or {pad: 6 mm}")
        _amount_in(self.amount, self.allow, "lengthen" if self.lengthen is not None else "pad")
        return self


PercentRange = tuple[LimitPercent, LimitPercent]


class LimitsSay(Base):
    """What no result may pass."""

    volume: PercentRange | None = Field(None, description="[least, most] change of volume")
    reduction: PlainLength | None = Field(None, description="deepest reduction anywhere")
    build_up: PlainLength | None = Field(None, description="highest build-up anywhere")
    flare: PlainLength | None = Field(None, description="how far out the brim's flare may go")
    slope: Slope | None = Field(None, description="steepest feather; 45 deg by default and at most")
    ap: PercentRange | None = None
    ml: PercentRange | None = None
    circumference: PercentRange | None = None

    @model_validator(mode="after")
    def _about_zero(self) -> Self:
        for key in ("volume", "ap", "ml", "circumference"):
            pair = getattr(self, key)
            if pair is not None and not pair[0].value <= 0.0 <= pair[1].value:
                raise Wrong(f"is {pair[0]} to {pair[1]}", keys=(key,), wanted="[a negative one, a positive one]")
        return self


Shaping = Literal["none", "hand", "pressure", "vacuum", "weight-bearing"]
assert set(FACT_WORDS["shaping"]) == set(Shaping.__args__)  # type: ignore[attr-defined]


class Needs(Base):
    """What a capture and its landmarks must have."""

    capture_includes: Annotated[tuple[CapturedRef, ...], BeforeValidator(as_list), OrOne()] = Field(
        (), description="knee, elbow, or landmarks that must lie on the capture"
    )
    landmarks: tuple[LandmarkRef, ...] = Field((), description="must be marked before a result is released")
    shaping: Annotated[tuple[Shaping, ...], BeforeValidator(as_list), OrOne()] = Field(
        (), description="how the limb must have been shaped while it was captured"
    )


class Mix(Base):
    """With what the extended rulebook is mixed, and how far."""

    with_: Line = Field(description="the name of another rulebook of the same amputation")
    share: Percent = Field(description="how far from the extended rulebook to that one")


class RulebookModel(Base):
    """A rulebook, merged with what it extends."""

    format: Literal[1]
    name: Line = Field(description="one line for people")
    amputation: Amputation
    status: Literal["usable", "draft"] = Field(description="the results of a draft are drafts")
    revision: Annotated[StrictInt, Field(ge=1, description="raise it with each change")]
    about: Text | None = Field(None, description="when to use it, when not")
    extends: Line | None = Field(None, description="the rulebook this one is laid over")
    mix: Mix | None = Field(None, description="takes the extended rulebook's numbers so far towards another's")
    needs: Needs | None = None
    overall: OverallSays | None = None
    regions: dict[RegionName, Region] = Field(default_factory=dict)
    dimensions: tuple[DimensionSays, ...] = ()
    end: EndSays | None = None
    brim: Brim | None = None
    limits: LimitsSay | None = None
    protected: tuple[LandmarkRef, ...] = Field((), description="landmarks that no reduction reaches at all")
    cautions: tuple[Text, ...] = Field((), description="sentences that every report repeats")
