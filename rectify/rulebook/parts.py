"""The parts regions are made of, as models: places, shapes, and what `when` says.

They hold what was written, checked as far as the file alone allows. Nothing here knows a limb.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, ConfigDict, Field, PlainValidator, WithJsonSchema, model_validator

from rectify.rulebook.facts import FACT_WORDS
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
from rectify.rulebook.quantity import Quantity, parse_quantity
from rectify.rulebook.words import Wrong, shown, suggest

__all__ = [
    "SIDEWAYS",
    "BandShape",
    "Condition",
    "EndCapShape",
    "Factors",
    "KeepClearOf",
    "LevelPlace",
    "LinerFactors",
    "LinerRange",
    "Moves",
    "OutlineRing",
    "OvalShape",
    "Place",
    "RingPlace",
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

    @property
    def kind(self) -> Literal["oval", "strip", "outline", "band", "end-cap"]:
        if self.oval is not None:
            return "oval"
        if self.strip is not None:
            return "strip"
        if self.outline is not None:
            return "outline"
        return "band" if self.band is not None else "end-cap"

    @model_validator(mode="after")
    def _one(self) -> Self:
        said = [name for name in ("oval", "strip", "outline", "band", "end_cap") if getattr(self, name) is not None]
        if len(said) != 1:
            found = " and ".join(said).replace("_", "-") or "none"
            raise Wrong(f"says {found}", wanted="one of oval, strip, outline, band, end-cap")
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


# -- when ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Condition:
    """There only where the fact is one of these words."""

    words: tuple[str, ...]


@dataclass(frozen=True)
class Factors:
    """The amount times a number, by the fact's word; a word not listed counts 1."""

    by_word: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class LinerRange:
    """There only where the liner worn is in this range, mm."""

    at_least: float | None
    at_most: float | None


@dataclass(frozen=True)
class LinerFactors:
    """The amount times a number, straight between these thicknesses (mm), held at the ends."""

    by_mm: tuple[tuple[float, float], ...]


WhenPart = Condition | Factors | LinerRange | LinerFactors


@dataclass(frozen=True)
class When:
    """What follows from the facts of a case; conditions must all hold, factors multiply."""

    parts: tuple[tuple[str, WhenPart], ...]

    def part(self, fact: str) -> WhenPart | None:
        return dict(self.parts).get(fact)


def read_when(raw: object) -> When:
    """Read `when`; Wrong with the key where it is not good."""
    if not isinstance(raw, dict) or not raw:
        raise Wrong(f"is {shown(raw)}", wanted="facts, like {shaping: {hand: 0.4}} or {suspension: pin}")
    parts = []
    for fact, says in raw.items():
        if fact == "liner":
            parts.append((fact, _liner(says)))
        elif fact in FACT_WORDS:
            parts.append((fact, _fact(fact, says)))
        else:
            hint = suggest(str(fact), (*FACT_WORDS, "liner"), what="facts")
            raise Wrong("is no fact that when knows", keys=(fact,), hint=hint)
    return When(tuple(parts))


def _word(fact: str, raw: object, keys: tuple[str | int, ...]) -> str:
    word = ("yes" if raw else "no") if isinstance(raw, bool) else raw
    words = FACT_WORDS[fact]
    if word not in words:
        raise Wrong(f"is {shown(raw)}", keys=keys, hint=suggest(str(raw), words, what=f"words for {fact}"))
    return str(word)


def _fact(fact: str, says: object) -> WhenPart:
    if not isinstance(says, dict):
        words = as_list(says)
        assert isinstance(words, list | tuple)
        if not words:
            raise Wrong("is an empty list", keys=(fact,), wanted="a word, or several")
        return Condition(tuple(_word(fact, word, (fact,)) for word in words))
    if not says:
        raise Wrong("is empty", keys=(fact,), wanted="factors, like {hand: 0.4}")
    return Factors(tuple((_word(fact, word, (fact, word)), _factor(says[word], (fact, word))) for word in says))


def _factor(raw: object, keys: tuple[str | int, ...]) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not 0.0 <= raw <= 2.0:
        raise Wrong(f"is {shown(raw)}", keys=keys, wanted="a factor from 0 to 2, like 0.4")
    return float(raw)


def _liner(says: object) -> WhenPart:
    if not isinstance(says, dict) or not says:
        raise Wrong(
            f"is {shown(says)}",
            keys=("liner",),
            wanted="{at-least: 3 mm} or factors, like {6 mm: 1, 9 mm: 1.3}",
        )
    if set(says) & {"at-least", "at-most"}:
        extra = [key for key in says if key not in ("at-least", "at-most")]
        if extra:
            raise Wrong("stands beside at-least or at-most", keys=("liner", extra[0]), hint="say a range or factors")
        return LinerRange(_thickness(says, "at-least"), _thickness(says, "at-most"))
    pairs = []
    for key, raw in says.items():
        try:
            thickness = parse_quantity(key, "length", least=0.0).value
        except Wrong as wrong:
            raise Wrong(wrong.message, keys=("liner", key), wanted=wrong.wanted, hint=wrong.hint) from wrong
        pairs.append((thickness, _factor(raw, ("liner", key))))
    if len({thickness for thickness, _ in pairs}) < len(pairs):
        raise Wrong("lists one thickness twice", keys=("liner",))
    return LinerFactors(tuple(sorted(pairs)))


def _thickness(says: dict[str, Any], key: str) -> float | None:
    if key not in says:
        return None
    try:
        return parse_quantity(says[key], "length", least=0.0).value
    except Wrong as wrong:
        raise Wrong(wrong.message, keys=("liner", key), wanted=wrong.wanted, hint=wrong.hint) from wrong


def when_schema() -> dict[str, Any]:
    """JSON Schema of `when`."""
    factor = {"type": "number", "minimum": 0, "maximum": 2}
    length = {"type": "string", "pattern": r"(mm|cm|in|inch)\s*$"}
    facts: dict[str, Any] = {}
    for fact, words in FACT_WORDS.items():
        word: dict[str, Any] = {"type": "boolean"} if fact == "rectified" else {"enum": list(words)}
        factors = {
            "type": "object",
            "properties": dict.fromkeys(words, factor),
            "additionalProperties": False,
        }
        facts[fact] = {"anyOf": [word, {"type": "array", "items": word, "minItems": 1}, factors | {"minProperties": 1}]}
    both = {"at-least": length, "at-most": length}
    facts["liner"] = {
        "anyOf": [
            {"type": "object", "properties": both, "additionalProperties": False, "minProperties": 1},
            {
                "type": "object",
                "patternProperties": {r"(mm|cm|in|inch)\s*$": factor},
                "additionalProperties": False,
                "minProperties": 1,
            },
        ]
    }
    return {
        "type": "object",
        "description": "a condition (a word or words) or factors (word: number) on the facts of the case",
        "properties": facts,
        "additionalProperties": False,
        "minProperties": 1,
    }


WhenField = Annotated[When, PlainValidator(read_when), WithJsonSchema(when_schema())]
