"""The parts regions are made of, as models: places and shapes.

They hold what was written, checked as far as the file alone allows. Nothing here knows a limb.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, ConfigDict, Field, model_validator

from rectify.rulebook.fields import (
    LANDMARK_SCHEMA,
    Angle,
    Base,
    Extent,
    LandmarkRef,
    LengthOrPart,
    LevelShift,
    OrOne,
    Percent,
    PlainLength,
    Short,
    Turn,
    as_list,
)
from rectify.rulebook.quantity import Quantity
from rectify.rulebook.when_says import Condition, Factors, LinerFactors, LinerRange, When, WhenField
from rectify.rulebook.words import Wrong, suggest

__all__ = [
    "SIDEWAYS",
    "BandShape",
    "Condition",
    "EndCapShape",
    "Factors",
    "GapShape",
    "KeepClearOf",
    "LevelPlace",
    "LinerFactors",
    "LinerRange",
    "Moves",
    "OutlineRing",
    "OvalShape",
    "Place",
    "RingPlace",
    "SectorShape",
    "ShapeSays",
    "StripShape",
    "When",
    "WhenField",
]

SIDEWAYS = ("medial", "lateral", "anterior", "posterior")


class Moves(Base):
    """How far a place is moved from its landmark, in words."""

    proximal: Extent | None = Field(None, description="towards the body, along the limb")
    distal: Extent | None = Field(None, description="away from the body, along the limb")
    medial: Extent | None = Field(None, description="round the limb, towards the medial side")
    lateral: Extent | None = Field(None, description="round the limb, towards the lateral side")
    anterior: Extent | None = Field(None, description="round the limb, towards the front")
    posterior: Extent | None = Field(None, description="round the limb, towards the back")

    def sideways(self) -> tuple[str, Quantity] | None:
        """The move round the limb: its side and how far."""
        for side in SIDEWAYS:
            value = getattr(self, side)
            if value is not None:
                return side, value
        return None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if self.proximal is not None and self.distal is not None:
            raise Wrong("goes proximal and distal at once", keys=("distal",), hint="keep one of them")
        sides = [side for side in SIDEWAYS if getattr(self, side) is not None]
        if len(sides) > 1:
            raise Wrong(f"goes {' and '.join(sides)} at once", keys=(sides[1],), hint="keep one of them")
        return self


class RingPlace(Moves):
    """A place of an outline's ring: of its own landmark, or a move from the region's."""

    at: LandmarkRef | None = Field(None, description="a landmark; left out: the region's own place")
    angle: Angle | None = Field(None, description="keep the level, but go to this direction")
    part: Percent | None = Field(None, description="how far along a landmark that is a line")

    @model_validator(mode="after")
    def _angle_or_side(self) -> Self:
        side = self.sideways()
        if self.angle is not None and side is not None:
            raise Wrong(f"says angle and {side[0]} at once", keys=("angle",), hint="keep one of them")
        return self


class Place(RingPlace):
    """A landmark, moved or not."""

    at: LandmarkRef = Field(description="a landmark of this amputation, or a free mark (mark-...)")
    along_path: LengthOrPart | None = Field(
        None, description="at the first or last place of a path: cut that end back by so much, along the path"
    )


class LevelPlace(Base):
    """A level: that of a landmark, or so much proximal or distal of it along the axis."""

    at: LandmarkRef = Field(description="a landmark; its level counts")
    proximal: LevelShift | None = Field(None, description="along the axis, towards the body")
    distal: LevelShift | None = Field(None, description="along the axis, away from the body")
    part: Percent | None = Field(None, description="how far along a landmark that is a line")

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if self.proximal is not None and self.distal is not None:
            raise Wrong("goes proximal and distal at once", keys=("distal",), hint="keep one of them")
        return self

    def offset_mm(self, limb_mm: float = float("nan")) -> float:
        """Along the axis, distal positive; of a share, on a limb so long."""
        shifts = [(self.distal, 1.0), (self.proximal, -1.0)]
        lengths = [(q.value * limb_mm / 100.0 if q.kind == "limb" else q.value) * sign for q, sign in shifts if q]
        return sum(lengths)

    def is_share(self) -> bool:
        """Whether its shift is a share of the limb's length."""
        return any(q is not None and q.kind == "limb" for q in (self.distal, self.proximal))

    def text(self) -> str:
        """The level in words: `distal-end, 30 mm proximal`."""
        for word in ("proximal", "distal"):
            value = getattr(self, word)
            if value is not None:
                return f"{self.at}, {value} {word}"
        return self.at


def _place(raw: object) -> object:
    return {"at": raw} if isinstance(raw, str) else raw


PlaceField = Annotated[Place, BeforeValidator(_place), Short(LANDMARK_SCHEMA)]
LevelField = Annotated[LevelPlace, BeforeValidator(_place), Short(LANDMARK_SCHEMA)]
RingField = Annotated[RingPlace, BeforeValidator(_place), Short(LANDMARK_SCHEMA)]


class KeepClearOf(Base):
    """A disc that a region does not enter."""

    of: LandmarkRef = Field(description="the landmark to keep clear of")
    by: PlainLength = Field(description="how far")


# -- shapes ----------------------------------------------------------------------------------------


class OvalShape(Base):
    """An ellipse by its full extents."""

    along: Extent = Field(description="full extent along the limb")
    around: Extent = Field(description="full extent round the limb")
    turn: Turn | None = Field(None, description="turns the distal end towards lateral")


class StripShape(Base):
    """A strip along the region's path."""

    width: Annotated[
        tuple[Extent, ...],
        BeforeValidator(as_list),
        Field(min_length=1, max_length=50, description="one width, or several from the path's start to its end"),
        OrOne(),
    ]


class BandShape(Base):
    """All round the limb, between two levels."""


class EndCapShape(Base):
    """The distal end, by its reach from the pole or the level it begins at."""

    model_config = ConfigDict(json_schema_extra={"minProperties": 1, "maxProperties": 1})

    reach: PlainLength | None = Field(None, description="how far from the distal pole, along the surface")
    from_: LevelField | None = Field(None, description="the level the end cap begins at")

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.reach is None) == (self.from_ is None):
            raise Wrong("needs one of reach and from", wanted="{reach: 40 mm} or {from: inflection}")
        return self


class SectorShape(Base):
    """A stretch of the wall, from the region's place up to the capture's edge."""

    around: Extent = Field(description="how wide, round the limb")


class GapShape(Base):
    """What lies between two other regions."""

    margin: PlainLength = Field(description="how far it stays from either of them, feathers included")


OutlineRing = tuple[RingPlace, ...]


def _oval(raw: object) -> object:
    return {"along": raw, "around": raw} if isinstance(raw, str | int | float) else raw


def _ring(raw: object) -> object:
    return [{"at": raw}] if isinstance(raw, str) else raw


def _shape(raw: object) -> object:
    if raw == "band":
        return {"band": {}}
    if isinstance(raw, str):
        hint = suggest(raw, ("band",), what="shapes that are one word")
        raise Wrong(f"is {raw!r}", wanted="a shape, like {oval: {along: 35 mm, around: 55 mm}} or band", hint=hint)
    return raw


Kind = Literal["oval", "strip", "outline", "band", "end-cap", "sector", "gap"]
_KINDS: tuple[Kind, ...] = ("oval", "strip", "outline", "band", "end-cap", "sector", "gap")


class ShapeSays(Base):
    """Exactly one shape."""

    model_config = ConfigDict(json_schema_extra={"minProperties": 1, "maxProperties": 1})

    oval: Annotated[OvalShape, BeforeValidator(_oval), Short({"type": "string"})] | None = None
    strip: StripShape | None = None
    outline: (
        Annotated[
            tuple[RingField, ...],
            BeforeValidator(_ring),
            Field(min_length=1, max_length=200),
            Short(LANDMARK_SCHEMA),
        ]
        | None
    ) = None
    band: BandShape | None = None
    end_cap: EndCapShape | None = None
    sector: SectorShape | None = None
    gap: GapShape | None = None

    @property
    def kind(self) -> Kind:
        return next(kind for kind in _KINDS if getattr(self, kind.replace("-", "_")) is not None)

    @model_validator(mode="after")
    def _one(self) -> Self:
        said = [kind for kind in _KINDS if getattr(self, kind.replace("-", "_")) is not None]
        if len(said) != 1:
            raise Wrong(f"says {' and '.join(said) or 'none'}", wanted=f"one of {', '.join(_KINDS)}")
        ring = self.outline
        if ring is not None and len(ring) < 3 and not (len(ring) == 1 and _is_mark(ring[0])):
            raise Wrong(
                f"has {len(ring)} place{'s' if len(ring) > 1 else ''}",
                keys=("outline",),
                wanted="a ring of at least three places, or the name of a free mark",
            )
        return self


def _is_mark(place: RingPlace) -> bool:
    return place.at is not None and place.at.startswith("mark-")


ShapeField = Annotated[ShapeSays, BeforeValidator(_shape), Short({"const": "band"})]
