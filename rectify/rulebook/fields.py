"""The kinds of value a rulebook's fields hold, each with its reader and its JSON Schema.

Shorthands (`at: fibular-head` for `{at: fibular-head}`, `oval: 24 mm` for both extents) are written out
before a model sees them, so that the models hold one form only.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    GetJsonSchemaHandler,
    PlainValidator,
    StringConstraints,
    ValidationInfo,
    WithJsonSchema,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from rectify.limb.vocabulary import VOCABULARY, is_free_mark
from rectify.rulebook.quantity import Kind, Quantity, Sign, parse_quantity
from rectify.rulebook.words import Wrong, shown, suggest

__all__ = [
    "Amount",
    "Angle",
    "Base",
    "Change",
    "Context",
    "Extent",
    "LandmarkRef",
    "Length",
    "Line",
    "OrOne",
    "Percent",
    "PlainLength",
    "RegionName",
    "RegionRef",
    "Short",
    "SignedPercent",
    "Text",
    "Turn",
    "as_list",
    "quantity_field",
]

NUMBER = r"(\d+ +\d+/\d+|\d+/\d+|\d+(\.\d*)?|\.\d+)"
_UNITS: dict[Kind, str] = {
    "length": r"(mm|cm|in|inch|inches)",
    "percent": r"(%|percent)",
    "radius": r"(%|percent) +of +radius",
    "limb": r"(%|percent) +of +limb",
    "angle": r"(deg|°|degrees)",
}
_SIGNS: dict[Sign, str] = {"none": "", "required": "[-+]", "any": "[-+]?"}


@dataclass(frozen=True)
class Context:
    """What validators know of the rest of the file. None: not known, not checked."""

    amputation: str | None = None
    regions: frozenset[str] | None = None
    evidence: frozenset[str] | None = None


def _kebab(name: str) -> str:
    return name.rstrip("_").replace("_", "-")


class Base(BaseModel):
    """Every model of the rulebook: keys with hyphens, unknown keys refused, never changed."""

    model_config = ConfigDict(alias_generator=_kebab, extra="forbid", frozen=True, defer_build=True)


@dataclass(frozen=True, eq=False)  # by identity: its schema is a dict
class Short:
    """Marks a field that may be written shorter; `schema` is the short form's JSON Schema."""

    schema: dict[str, Any]

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return {"anyOf": [self.schema, handler(core)]}


@dataclass(frozen=True)
class OrOne:
    """Marks a list of which a single entry may stand without brackets."""

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        many = handler(core)
        return {"anyOf": [many["items"], many]}


def _pattern(*kinds: Kind, sign: Sign = "none") -> str:
    """What a quantity of these kinds looks like, as a regular expression."""
    units = "|".join(_UNITS[kind] for kind in kinds)
    return rf"^\s*{_SIGNS[sign]}\s*{NUMBER}\s*({units})\s*$"


def quantity_field(
    *kinds: Kind, sign: Sign = "none", least: float | None = None, most: float | None = None
) -> tuple[PlainValidator, WithJsonSchema]:
    """Reader and schema of a quantity, for `Annotated[Quantity, *quantity_field("length")]`."""

    def read(raw: object) -> Quantity:
        return parse_quantity(raw, *kinds, sign=sign, least=least, most=most)

    pattern = _pattern(*kinds, sign=sign)
    examples = {
        "length": "6 mm",
        "percent": "3 %",
        "radius": "12 % of radius",
        "limb": "50 % of limb",
        "angle": "45 deg",
    }
    lead = "+" if sign == "required" else ""
    schema = {"type": "string", "pattern": pattern, "examples": [lead + examples[kind] for kind in kinds]}
    return PlainValidator(read), WithJsonSchema(schema)


def extent_field() -> tuple[PlainValidator, WithJsonSchema]:
    """Reader and schema of an extent or a move: a length, a share of radius, or a share of either held to bounds."""
    keys = ("share", "least", "most")

    def read(raw: object) -> Quantity:
        if not isinstance(raw, dict):
            return parse_quantity(raw, "length", "radius", least=0.0)
        unknown = next((key for key in raw if key not in keys), None)
        missing = next((key for key in keys if key not in raw), None)
        if unknown is not None:
            raise Wrong("is not a key here", keys=(str(unknown),), hint=suggest(str(unknown), keys, what="keys here"))
        if missing is not None:
            raise Wrong("is missing", keys=(missing,), wanted=_SHARE_WANTED)
        share = parse_quantity(raw["share"], "limb", "radius", least=0.0, most=100.0)
        low, high = (parse_quantity(raw[key], "length", least=0.0) for key in ("least", "most"))
        if low.value > high.value:
            raise Wrong(f"runs from {low} down to {high}", keys=("least",), wanted="least below most")
        return replace(share, text=f"{share}, {low} to {high}", least_mm=low.value, most_mm=high.value)

    plain, length = _pattern("length", "radius"), _pattern("length")
    bounded = {
        "type": "object",
        "description": "a share held to bounds: of the limb's length, or of the local radius",
        "properties": {
            "share": {"type": "string", "pattern": _pattern("limb", "radius"), "examples": ["20 % of limb"]},
            "least": {"type": "string", "pattern": length, "examples": ["30 mm"]},
            "most": {"type": "string", "pattern": length, "examples": ["60 mm"]},
        },
        "required": list(keys),
        "additionalProperties": False,
    }
    examples = ["6 mm", "12 % of radius"]
    return PlainValidator(read), WithJsonSchema(
        {"anyOf": [{"type": "string", "pattern": plain, "examples": examples}, bounded]}
    )


_SHARE_WANTED = "{share: 20 % of limb, least: 30 mm, most: 60 mm}"


def as_list(raw: object) -> object:
    """One value where a list is meant: the list of it."""
    return raw if isinstance(raw, list | tuple) else [raw]


def _landmark(name: str, info: ValidationInfo, also: tuple[str, ...] = ()) -> str:
    amputation = info.context.amputation if isinstance(info.context, Context) else None
    if amputation is None or is_free_mark(name):
        return name
    names = VOCABULARY[amputation].names
    if name not in names:
        raise Wrong(
            f"no landmark {name} on a {amputation} limb",
            hint=suggest(name, (*names, *also), what="landmarks there", listed=40)
            + ", and marks of your own: mark-...",
        )
    return name


def _known_landmark(name: str, info: ValidationInfo) -> str:
    return _landmark(name, info)


JOINTS = ("knee", "elbow")  # what `capture-includes` takes beside landmarks


def _captured(name: str, info: ValidationInfo) -> str:
    return name if name in JOINTS else _landmark(name, info, JOINTS)


def _region(name: str, info: ValidationInfo) -> str:
    regions = info.context.regions if isinstance(info.context, Context) else None
    if regions is not None and name not in regions:
        raise Wrong(f"no region {name} here", hint=suggest(name, regions, what="regions here"))
    return name


def _evidence(key: str, info: ValidationInfo) -> str:
    known = info.context.evidence if isinstance(info.context, Context) else None
    if known is not None and key not in known and key not in NO_SOURCE:
        raise Wrong(
            f"no evidence {key!r} in the evidence list",
            wanted=f"a key of evidence.yaml, or one of: {'; '.join(NO_SOURCE)}",
            hint=suggest(key, (*known, *NO_SOURCE), what="evidence"),
        )
    return key


def _text(raw: object) -> object:
    if not isinstance(raw, str):
        raise Wrong(f"is {shown(raw)}", wanted="text", hint="put it in quotes, if it is text")
    return raw


NO_SOURCE = ("common practice", "from memory, unverified")
RESERVED = ("end", "overall", "brim", "limits", "dimensions")
REGION_NAME = r"^[a-z][a-z0-9]*(-[a-z0-9]+)*$"


def _region_name(name: str) -> str:
    if not re.fullmatch(REGION_NAME, name):
        raise Wrong("is no name for a region", wanted="lower case words with hyphens, like patellar-tendon")
    if name in RESERVED:
        raise Wrong("is no name for a region", hint=f"these mean something else: {', '.join(RESERVED)}")
    return name


LANDMARK_SCHEMA: dict[str, Any] = {
    "description": "a landmark of this amputation, or a free mark (mark-...)",
    "anyOf": [
        {"enum": sorted({name for vocabulary in VOCABULARY.values() for name in vocabulary.names})},
        {"type": "string", "pattern": "^mark-[a-z0-9]+(-[a-z0-9]+)*$"},
    ],
}

Text = Annotated[str, BeforeValidator(_text), StringConstraints(strip_whitespace=True, min_length=1, max_length=4000)]
Line = Annotated[str, BeforeValidator(_text), StringConstraints(strip_whitespace=True, min_length=1, max_length=300)]
LandmarkRef = Annotated[str, BeforeValidator(_text), AfterValidator(_known_landmark), WithJsonSchema(LANDMARK_SCHEMA)]
CapturedRef = Annotated[str, BeforeValidator(_text), AfterValidator(_captured)]
RegionRef = Annotated[str, BeforeValidator(_text), AfterValidator(_region)]
RegionName = Annotated[str, AfterValidator(_region_name), WithJsonSchema({"type": "string", "pattern": REGION_NAME})]
EvidenceRef = Annotated[str, BeforeValidator(_text), AfterValidator(_evidence)]

PlainLength = Annotated[Quantity, *quantity_field("length", least=0.0)]
Length = PlainLength
LevelShift = Annotated[Quantity, *quantity_field("length", "limb", least=0.0)]
Extent = Annotated[Quantity, *extent_field()]
Amount = Annotated[Quantity, *quantity_field("length", "radius", least=0.0)]
Change = Annotated[Quantity, *quantity_field("length", sign="required")]
LengthOrPart = Annotated[Quantity, *quantity_field("length", "percent", least=0.0)]
LevelLength = Annotated[Quantity, *quantity_field("length", sign="any")]
TargetChange = Annotated[Quantity, *quantity_field("length", "percent", sign="required")]
Percent = Annotated[Quantity, *quantity_field("percent", least=0.0, most=100.0)]
RowPercent = Annotated[Quantity, *quantity_field("percent", least=0.0, most=25.0)]
SignedPercent = Annotated[Quantity, *quantity_field("percent", sign="required", least=-100.0, most=100.0)]
LimitPercent = Annotated[Quantity, *quantity_field("percent", sign="any", least=-100.0, most=100.0)]
Angle = Annotated[Quantity, *quantity_field("angle", least=0.0, most=360.0)]
Turn = Annotated[Quantity, *quantity_field("angle", sign="any", least=-180.0, most=180.0)]
Slope = Annotated[Quantity, *quantity_field("angle", least=5.0, most=45.0)]
