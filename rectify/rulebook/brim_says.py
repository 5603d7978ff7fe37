"""What a rulebook says of the brim, as models: the trimline, its corners, its flare."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from rectify.rulebook.fields import LANDMARK_SCHEMA, Base, EvidenceRef, Line, PlainLength, Short
from rectify.rulebook.parts import Place

__all__ = ["Brim", "BrimField", "BrimPlace", "Flare"]


class Flare(Base):
    """The edge of the socket, turned outwards."""

    out: PlainLength = Field(description="how far out")
    over: PlainLength = Field(description="over the last so much of the wall")
    where: Literal["all", "anterior", "posterior", "medial", "lateral"] = "all"


class BrimPlace(Place):
    """A place of the trimline, and how its corner there is rounded."""

    radius: PlainLength | None = Field(None, description="of the corner there; corner-radius by default")


def _place(raw: object) -> object:
    return {"at": raw} if isinstance(raw, str) else raw


BrimField = Annotated[BrimPlace, BeforeValidator(_place), Short(LANDMARK_SCHEMA)]


class Brim(Base):
    """The trimline."""

    line: Annotated[tuple[BrimField, ...], Field(min_length=3, max_length=100, description="once round the limb")]
    corner_radius: PlainLength | None = Field(None, description="0 mm by default")
    flare: Flare | None = None
    why: Line | None = None
    evidence: EvidenceRef | None = None
