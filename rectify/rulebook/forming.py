"""What the regions that form a wall say beside the others: where the wall faces, how it leans, how far it may take the
skin. Which of it belongs to which action is held here; nothing knows a limb."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from pydantic import AfterValidator, Field, PlainValidator, WithJsonSchema

from rectify.rulebook.fields import Base, PlainLength, quantity_field
from rectify.rulebook.parts import SIDEWAYS
from rectify.rulebook.plan import FORMING
from rectify.rulebook.quantity import Quantity, parse_quantity
from rectify.rulebook.words import Wrong, suggest

if TYPE_CHECKING:
    from rectify.rulebook.model import Region

__all__ = ["FORM_KEYS", "FacesField", "MostSays", "TiltField", "forming_fits"]

FORM_KEYS = ("faces", "tilt", "most", "corner", "narrow")
_TAKES: dict[str, tuple[str, ...]] = {
    "flatten": ("faces", "tilt", "most", "corner"),
    "shelf": ("faces", "tilt", "corner"),
    "raise": ("tilt", "most", "corner"),
    "squeeze": ("narrow",),
}
_SHAPES = {
    "flatten": ("oval", "strip", "outline"),
    "shelf": ("sector",),
    "raise": ("sector",),
    "squeeze": ("band",),
}
STEEPEST_TILT = 45.0


class MostSays(Base):
    """The farthest a formed wall takes the skin from where it was."""

    in_: PlainLength | None = Field(None, description="inwards; 0 mm by default")
    out: PlainLength | None = Field(None, description="outwards; 0 mm by default")

    def mm(self) -> tuple[float, float]:
        """In and out."""
        return (self.in_.value if self.in_ else 0.0), (self.out.value if self.out else 0.0)


def _faces(raw: object) -> str | Quantity:
    if isinstance(raw, str) and raw in SIDEWAYS:
        return raw
    if isinstance(raw, str) and raw[:1].isalpha():
        raise Wrong(f"is {raw!r}", wanted="a side or an angle", hint=suggest(raw, SIDEWAYS, what="sides"))
    return parse_quantity(raw, "angle", least=0.0, most=360.0)


_FACES_SCHEMA: dict[str, Any] = {"anyOf": [{"enum": list(SIDEWAYS)}, quantity_field("angle")[1].json_schema]}
FacesField = Annotated[str | Quantity, PlainValidator(_faces), WithJsonSchema(_FACES_SCHEMA)]


def _lean(tilt: Quantity) -> Quantity:
    if abs(tilt.value) > STEEPEST_TILT:
        raise Wrong(f"is {tilt}", wanted=f"-{STEEPEST_TILT:g} to {STEEPEST_TILT:g} deg")
    return tilt


TiltField = Annotated[
    Quantity, *quantity_field("angle", sign="any", least=-STEEPEST_TILT, most=STEEPEST_TILT), AfterValidator(_lean)
]


def forming_fits(region: Region) -> None:
    """Keys and shapes that do not belong to a region's action; Wrong with the key."""
    said = [key for key in FORM_KEYS if getattr(region, key) is not None]
    kind = region.shape.kind
    if region.action not in FORMING:
        if said:
            hint = "these belong to flatten, shelf, raise and squeeze"
            raise Wrong(f"does not belong to {region.action}", keys=(said[0],), hint=hint)
        if kind == "sector":
            hint = "a sector is raised, or a shelf"
            raise Wrong(f"is a sector, and the action is {region.action}", keys=("shape",), hint=hint)
        return
    for key in said:
        if key not in _TAKES[region.action]:
            hint = f"keys of {region.action}: {', '.join(_TAKES[region.action])}"
            raise Wrong(f"does not belong to {region.action}", keys=(key,), hint=hint)
    if kind not in _SHAPES[region.action]:
        wanted = f"{region.action} with {' or '.join(_SHAPES[region.action])}"
        raise Wrong(f"is {kind}", keys=("shape",), wanted=wanted)
    if region.amount.kind == "radius":
        raise Wrong(f"is {region.amount}", keys=("amount",), wanted="mm: what is formed is a plane, and not a depth")
    for key, found, wanted in (("profile", region.profile, "flat"), ("from", region.from_, "reduced")):
        if found != wanted:
            raise Wrong(f"is {found}, and what forms a wall knows no other than {wanted}", keys=(key,))
    _enough(region)


def _enough(region: Region) -> None:
    """What an action cannot do without."""
    if region.action == "flatten" and region.most is None:
        raise Wrong("is missing", keys=("most",), wanted="how far the skin may be taken: most: {in: 12 mm, out: 3 mm}")
    if region.action == "raise" and region.most is None:
        raise Wrong("is missing", keys=("most",), wanted="how far the skin may be taken: most: {in: 12 mm, out: 12 mm}")
    if region.action == "flatten" and region.most is not None:
        deepest = max(region.amount.value, region.allow[1].value if region.allow else 0.0)
        if deepest > region.most.mm()[0] + 1e-9:
            raise Wrong(
                f"is {region.most.mm()[0]:g} mm, and the wall may lie {deepest:g} mm deep",
                keys=("most",),
                wanted=f"at least {deepest:g} mm",
            )
    if region.action == "shelf" and region.tilt is not None and not 0.0 <= region.tilt.value <= 30.0:
        raise Wrong(f"is {region.tilt}", keys=("tilt",), wanted="0 to 30 deg: how much its outer edge is higher")
