"""What a person has changed and not saved yet, and the same as entries of a `tune` list.

    Overlay  --entries-->  tune entries, as a case file would hold them

An overlay says what differs from the version it stands on, region by region, as figures from a page: checked here for
kind and size, and by the rulebook's own readers for everything else. It is never changed: every change makes a new one,
so that undo is the one before.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints

from rectify.case.version import Finding
from rectify.limb.chart import wrap_deg
from rectify.rulebook.plan import Plan

__all__ = ["EndChange", "Overlay", "RegionChange", "RegionDrawn", "RowChange", "entries"]

_NAME = r"^[a-z0-9]+(-[a-z0-9]+)*$"
_NO_REASON = "no reason was given"
Why = Annotated[str, StringConstraints(strip_whitespace=True, max_length=300, pattern=r"^[^\x00-\x1f]*$")]
Name = Annotated[str, StringConstraints(max_length=48, pattern=_NAME)]
_THOUSANDTH = AfterValidator(lambda value: round(value, 3) + 0.0)  # as it is written; no minus zero
Mm = Annotated[float, Field(ge=-300.0, le=300.0, allow_inf_nan=False), _THOUSANDTH]
Size = Annotated[float, Field(ge=0.0, le=300.0, allow_inf_nan=False), _THOUSANDTH]
Station = Annotated[float, Field(ge=-900.0, le=900.0, allow_inf_nan=False)]
Degrees = Annotated[float, Field(ge=-360.0, le=360.0, allow_inf_nan=False)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class RegionChange(_Model):
    """What differs in one region. None: as it is; lengths in mm."""

    amount: Size | None = None
    feather: Size | None = None
    along: Mm | None = None  # added to the extent along the limb
    around: Mm | None = None
    width: Mm | None = None  # of a strip
    distal: Mm | None = None  # moved so far; negative: proximal
    round: Mm | None = None  # moved towards increasing angle
    off: bool = False
    beyond: Why | None = None  # why `allow` may be passed
    why: Why = ""

    @property
    def is_empty(self) -> bool:
        """Whether nothing differs."""
        said = (self.amount, self.feather, *map(bool, (self.along, self.around, self.width, self.distal, self.round)))
        return not self.off and all(value is None or value is False for value in said)


class RegionDrawn(_Model):
    """A region whose outline was drawn by hand: places (station mm, angle deg) in order."""

    action: Literal["reduce", "build-up"]
    amount: Size
    feather: Size
    ring: Annotated[tuple[tuple[Station, Degrees], ...], Field(min_length=3, max_length=40)]
    why: Why = ""


class RowChange(_Model):
    """The overall reduction at every row, percent, in the plan's order."""

    percents: Annotated[tuple[Annotated[float, Field(ge=0.0, le=25.0, allow_inf_nan=False)], ...], Field(max_length=60)]
    why: Why = ""


class EndChange(_Model):
    """What is done to the distal end, mm."""

    amount: Size
    why: Why = ""


Coordinate = Annotated[float, Field(ge=-1e6, le=1e6, allow_inf_nan=False)]
Point = tuple[Coordinate, Coordinate, Coordinate]


class Overlay(_Model):
    """Everything that was changed since the version it stands on.

    `landmarks` are in the scan's own units and axes, as a case writes them; a line is a list of points.
    """

    regions: dict[Name, RegionChange] = {}
    drawn: dict[Name, RegionDrawn] = {}
    overall: RowChange | None = None
    end: EndChange | None = None
    landmarks: dict[Name, Point | tuple[Point, ...] | Literal["absent"]] = {}
    findings: tuple[Finding, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to save."""
        return self == Overlay()

    def with_region(self, name: str, change: RegionChange) -> Overlay:
        """One region changed; an empty change takes it out."""
        regions = {**self.regions, name: change}
        if change.is_empty:
            del regions[name]
        return self.model_copy(update={"regions": regions})


def entries(
    overlay: Overlay,
    plan: Plan,
    origin: str,
    *,
    by: str,
    on: str,
    why: str = "",
    allow: Sequence[tuple[float, float] | None] = (),
) -> list[dict[str, Any]]:
    """The overlay's changes of the rulebook as entries of a `tune` list: one for each reason, in the order they came.

    Parameters
    ----------
    overlay : Overlay
    plan : Plan
        Of the version that the overlay stands on: the levels of its rows, and where its regions lie.
    origin : str
        A landmark at level 0, from which levels and rings are said.
    by, on : str
        Who, and the ISO date.
    why : str
        For what was given no reason of its own.
    allow : per row of the overall reduction, percent
        What the rulebook lets it be; it goes along, so that the readers hold the row to it.
    """
    sides = {region.name: region.anchor.spot.angle_deg for region in plan.regions}
    said: dict[str, dict[str, Any]] = {}

    def entry(reason: str) -> dict[str, Any]:
        text = reason or why or _NO_REASON
        return said.setdefault(text, {"by": by, "on": on, "why": text})

    for name, change in overlay.regions.items():
        entry(change.why).setdefault("regions", {})[name] = _region(change, sides.get(name, 0.0), by, why)
    for name, drawn in overlay.drawn.items():
        entry(drawn.why).setdefault("regions", {})[name] = {"add": _drawn(drawn, origin, why)}
    if overlay.overall is not None and plan.overall is not None:
        held = list(allow) or [None] * len(plan.overall.rows)
        rows = zip(plan.overall.rows, overlay.overall.percents, held, strict=True)
        entry(overlay.overall.why)["overall"] = {
            "rows": [
                {
                    **_level(row.level_mm, origin),
                    "reduce": _percent(percent),
                    **({} if bounds is None else {"allow": [_percent(bound) for bound in bounds]}),
                }
                for row, percent, bounds in rows
            ]
        }
    if overlay.end is not None:
        entry(overlay.end.why)["end"] = {"amount": _mm(overlay.end.amount)}
    return list(said.values())


def _region(change: RegionChange, angle_deg: float, by: str, why: str) -> dict[str, Any]:
    if change.off:
        return {"drop": True}
    out: dict[str, Any] = {}
    if change.amount is not None:
        out["amount"] = _mm(change.amount)
    if change.feather is not None:
        out["feather"] = _mm(change.feather)
    widen = {key: _signed(value) for key in ("along", "around", "width") if (value := getattr(change, key))}
    if widen:
        out["widen"] = widen
    move = {}
    if change.distal:
        move["distal" if change.distal > 0 else "proximal"] = _mm(abs(change.distal))
    if change.round:
        move[side_towards(angle_deg, change.round > 0)] = _mm(abs(change.round))
    if move:
        out["move"] = move
    if change.beyond is not None:
        out["beyond-allow"] = {"by": by, "why": change.beyond or why or _NO_REASON}
    return out


def side_towards(angle_deg: float, increasing: bool) -> str:
    """The word for a move round the limb from a place: of the four sides, the one that cannot be meant both ways.

    Examples
    --------
    >>> side_towards(0.0, increasing=True), side_towards(90.0, increasing=True), side_towards(180.0, increasing=True)
    ('lateral', 'posterior', 'medial')
    """
    angle = wrap_deg(angle_deg)
    steps = (90.0, 180.0, -90.0, 0.0)
    words = dict(zip(steps, ("lateral", "posterior", "medial", "anterior"), strict=True))
    nearest = round(float(angle) / 90.0) * 90.0
    goal = float(wrap_deg(nearest + (90.0 if increasing else -90.0)))
    return words[180.0 if abs(goal) == 180.0 else goal]


def _drawn(drawn: RegionDrawn, origin: str, why: str) -> dict[str, Any]:
    ring = [
        {"at": origin, **_moved(station), "angle": f"{_figure(angle % 360.0)} deg"} for station, angle in drawn.ring
    ]
    return {
        "action": drawn.action,
        "amount": _mm(drawn.amount),
        "shape": {"outline": ring},
        "feather": _mm(drawn.feather),
        "why": drawn.why or why or _NO_REASON,
    }


def _moved(station_mm: float) -> dict[str, str]:
    return {"distal" if station_mm > 0 else "proximal": _mm(abs(station_mm))} if station_mm else {}


def _level(level_mm: float, origin: str) -> dict[str, str]:
    return {"at": origin, **_moved(level_mm)}


def _figure(value: float) -> str:
    """A thousandth at most, and no more digits than are needed."""
    rounded = round(float(value), 3)
    if not math.isfinite(rounded):
        raise ValueError("not a number")
    return f"{rounded:g}" if abs(rounded) < 1000 else f"{rounded:.3f}".rstrip("0").rstrip(".")


def _mm(value: float) -> str:
    return f"{_figure(value)} mm"


def _percent(value: float) -> str:
    return f"{_figure(value)} %"


def _signed(value: float) -> str:
    return f"{'+' if value > 0 else '-'}{_figure(abs(value))} mm"


def plain(overlay: Overlay) -> Mapping[str, Any]:
    """The overlay as plain data, for a file or a page."""
    return overlay.model_dump(mode="json", exclude_defaults=True)
