"""What case.yaml may say, key by key. A case is a code: no name of a person has a place in it."""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, PlainValidator, model_validator

from rectify.case.wear import LAYER_KINDS, LAYER_WORDS, is_worn, knows_layer
from rectify.rulebook.facts import FACT_WORDS, Layer
from rectify.rulebook.fields import Base, quantity_field
from rectify.rulebook.quantity import Quantity, parse_quantity
from rectify.rulebook.words import Wrong, shown, suggest

__all__ = ["CaseModel", "ReleaseModel", "ScanModel", "TapeModel", "TrimModel"]

_CODE = re.compile(r"[A-Za-z0-9]+([._-][A-Za-z0-9]+)*")
_WHO = re.compile(r"[A-Za-z0-9]+([._-][A-Za-z0-9]+)*")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_DIGEST = re.compile(r"[0-9a-f]{64}")


def _code(raw: object) -> str:
    text = raw if isinstance(raw, str) else str(raw)
    if not _CODE.fullmatch(text) or len(text) > 32 or not any(c.isdigit() for c in text):
        raise Wrong(
            f"is {shown(raw)}, which is no code",
            wanted="a code with a number in it, such as DM-014, without spaces",
            hint="a case is a code and never a name; keep who it belongs to elsewhere",
        )
    return text


def who(raw: object) -> str:
    """Initials or a role: one word."""
    if not isinstance(raw, str) or not _WHO.fullmatch(raw) or len(raw) > 24:
        raise Wrong(f"is {shown(raw)}", wanted="initials or a role in one word, such as JT-cpo", hint="no full names")
    return raw


def day(raw: object) -> str:
    if not isinstance(raw, str) or not _DATE.fullmatch(raw) or not _is_day(raw):
        raise Wrong(f"is {shown(raw)}", wanted="a date as 2026-11-20")
    return raw


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _digest(raw: object) -> str:
    if not isinstance(raw, str) or not _DIGEST.fullmatch(raw):
        raise Wrong(
            "is no digest", wanted="64 characters that `rectify release` writes", hint="run `rectify release` again"
        )
    return raw


def _word(fact: str) -> Any:
    words = FACT_WORDS[fact]

    def read(raw: object) -> str:
        text = {True: "yes", False: "no", None: "none"}.get(raw, raw) if isinstance(raw, bool | None) else raw
        if text not in words:
            raise Wrong(f"is {shown(raw)}", wanted=" | ".join(words))
        return str(text)

    return Annotated[str, PlainValidator(read)]


def _layer(raw: object) -> Layer:
    if not isinstance(raw, dict) or not raw:
        raise Wrong(f"is {shown(raw)}", wanted="a layer and its thickness, such as {liner: 6 mm}")
    measured = raw.get("measured", False)
    rest = {key: value for key, value in raw.items() if key != "measured"}
    if len(rest) != 1 or not isinstance(measured, bool):
        raise Wrong(
            "is not one layer",
            wanted="one layer and its thickness, such as {liner: 6 mm, measured: yes}",
            hint="write each layer as an entry of its own, from inside out",
        )
    ((kind, thickness),) = rest.items()
    if not isinstance(kind, str) or not knows_layer(kind):
        hint = suggest(str(kind), LAYER_WORDS, what="layers", listed=len(LAYER_WORDS))
        raise Wrong(f"no layer {kind}", hint=hint)
    quantity = parse_quantity(thickness, "length", least=0.0, most=60.0)
    return Layer(kind, quantity.value, measured)


def _wear(raw: object) -> Layer:
    layer = _layer(raw)
    if not is_worn(layer.kind):
        wanted = ", ".join(filter(is_worn, LAYER_KINDS))
        raise Wrong(f"{layer.kind} is part of a cast and not worn", wanted=wanted, hint="say it in scan.layers")
    return layer


def _point(raw: object) -> tuple[float, float, float]:
    numbers = raw if isinstance(raw, list) else []
    good = [float(n) for n in numbers if isinstance(n, int | float) and not isinstance(n, bool) and abs(n) < 1e6]
    if len(good) != 3 or len(numbers) != 3:
        raise Wrong(f"is {shown(raw)}", wanted="three numbers: [x, y, z]")
    return good[0], good[1], good[2]


Code = Annotated[str, PlainValidator(_code)]
Who = Annotated[str, PlainValidator(who)]
Date = Annotated[str, PlainValidator(day)]
LayerField = Annotated[Layer, PlainValidator(_layer)]
WearField = Annotated[Layer, PlainValidator(_wear)]
Point = Annotated[tuple[float, float, float], PlainValidator(_point)]
Value = Annotated[Quantity, *quantity_field("length", least=1.0)]
Offset = Annotated[Quantity, *quantity_field("length", least=0.0)]
Smooth = Annotated[Quantity, *quantity_field("length", least=0.0, most=10.0)]


def _yes(raw: object) -> bool:
    if not isinstance(raw, bool):
        raise Wrong(f"is {shown(raw)}", wanted="yes or no")
    return raw


class MarksModel(Base):
    """How pencil marks look."""

    colour: str = "blue-violet"


class TrimModel(Base):
    """The plane that the top is cut by: square to the limb's axis at a landmark's level, or any plane of the scan."""

    at: str | None = None
    proximal: Offset | None = None
    distal: Offset | None = None
    through: Point | None = None
    cut_towards: Point | None = None

    @property
    def offset_mm(self) -> float:
        """Distal of the landmark, along the axis."""
        return (self.distal.value if self.distal else 0.0) - (self.proximal.value if self.proximal else 0.0)

    @model_validator(mode="after")
    def _one_plane(self) -> Self:
        said = self.model_fields_set
        if said not in ({"at"}, {"at", "proximal"}, {"at", "distal"}, {"through", "cut_towards"}):
            raise Wrong(
                "is no plane",
                wanted="{at: LANDMARK, proximal: 60 mm}, or {through: [x, y, z], cut-towards: [x, y, z]} in the scan's "
                "own units and axes",
            )
        if self.cut_towards is not None and not any(self.cut_towards):
            raise Wrong("is no direction", keys=("cut-towards",), wanted="the way towards what is cut off")
        return self


class ScanModel(Base):
    """The capture's file and what it is of."""

    file: str
    units: Literal["mm", "cm", "m", "inch"] | None = None
    surface: _word("surface") = "skin"  # type: ignore[valid-type]
    rectified: Annotated[bool, BeforeValidator(_yes)] | None = None
    shaping: _word("shaping") | None = None  # type: ignore[valid-type]
    layers: tuple[LayerField, ...] | None = None
    marks: MarksModel | None = None
    smooth: Smooth | None = None
    trim: TrimModel | None = None

    @property
    def was_rectified(self) -> bool:
        """As said; a socket was made over a rectified model unless the case says otherwise."""
        return self.surface == "socket-inside" if self.rectified is None else self.rectified

    @property
    def between(self) -> tuple[Layer, ...]:
        """What lay between the skin and the captured surface, as far as the case says."""
        return self.layers or ()

    @model_validator(mode="after")
    def _layers_fit_surface(self) -> Self:
        kinds = [layer.kind.split("-")[-1] for layer in self.between]
        thick = [layer for layer in self.between if layer.thickness_mm > 0]
        if self.surface == "skin" and thick:
            raise Wrong(
                f"the surface is skin, and {thick[0].kind} lay over it",
                keys=("layers",),
                hint="say what was captured: surface: liner, impression-inside, impression-outside, positive-model or "
                "socket-inside",
            )
        if self.surface == "liner" and "liner" not in kinds:
            raise Wrong(
                "the surface is a liner's, and nobody says how thick it is",
                keys=("layers",),
                wanted="layers: [{liner: 6 mm}]",
            )
        if self.surface == "impression-outside" and not {"plaster", "wall"} & set(kinds):
            raise Wrong(
                "the outside of an impression lies further out by its wall, and nobody says how thick that is",
                keys=("layers",),
                wanted="layers: [{plaster: 4 mm}], from inside out with what else lies under it",
            )
        if self.rectified and self.surface in ("skin", "liner"):
            raise Wrong("skin is not rectified", keys=("rectified",), hint="say what was captured under surface")
        return self


class LimbModel(Base):
    """What is known of the limb."""

    tissue: _word("tissue") | None = None  # type: ignore[valid-type]
    sensation: _word("sensation") | None = None  # type: ignore[valid-type]
    circulation: _word("circulation") | None = None  # type: ignore[valid-type]
    skin: _word("skin") | None = None  # type: ignore[valid-type]
    volume: _word("volume") | None = None  # type: ignore[valid-type]


class TapeModel(Base):
    """One hand measurement."""

    measure: Literal["circumference", "ap", "ml"]
    at: str
    proximal: Offset | None = None
    distal: Offset | None = None
    value: Value
    tension: Literal["loose", "snug", "tight"] | None = None
    over: Literal["skin", "liner"] = "skin"

    @property
    def offset_mm(self) -> float:
        """Distal of the landmark, along the axis."""
        return (self.distal.value if self.distal else 0.0) - (self.proximal.value if self.proximal else 0.0)


class ReleaseModel(Base):
    """Who released what, and the digest it is bound to."""

    by: Who
    on: Date
    of: Annotated[str, PlainValidator(_digest)]


PERSONAL = {
    "name",
    "patient",
    "first-name",
    "last-name",
    "surname",
    "born",
    "birth-date",
    "birthday",
    "date-of-birth",
    "address",
    "phone",
    "email",
    "insurance",
    "wearer",
}


class CaseModel(Base):
    """The whole of case.yaml; `landmarks` and `tune` are read by their own readers."""

    format: Literal[1]
    case: Code
    side: Literal["left", "right"]
    amputation: Literal[
        "transtibial", "transfemoral", "knee-disarticulation", "ankle-disarticulation", "transradial", "transhumeral"
    ]
    scan: ScanModel
    limb: LimbModel = Field(default_factory=LimbModel)
    wear: tuple[WearField, ...] | None = None
    suspension: _word("suspension") | None = None  # type: ignore[valid-type]
    landmarks: Any
    tape: tuple[TapeModel, ...] = ()
    rulebook: str | None = None
    tune: Any = None
    release: ReleaseModel | None = None

    @model_validator(mode="after")
    def _wear_against_layers(self) -> Self:
        if self.scan.surface == "socket-inside" and self.wear is not None and self.scan.layers is None:
            raise Wrong(
                "is compared with what was worn in the captured socket, and nobody says what that was",
                keys=("wear",),
                wanted="scan: {layers: [{liner: 6 mm}]}, or layers: [] where nothing was worn in it",
            )
        return self
