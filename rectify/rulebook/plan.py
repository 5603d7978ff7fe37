"""The plan: a rulebook resolved for one limb. Every length in mm, every place a point of the chart.

The rulebook room makes it, the engine carries it out, `plan.yaml` is it written down at full
precision. Nothing here knows a mesh; a place is (station, angle): `station_mm` runs along the limb,
equal to the level on the wall and carrying on over the end cap; `angle_deg` is 0 anterior,
90 lateral, 180 posterior, -90 (270) medial.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from rectify.limb.spot import Spot

__all__ = [
    "FORMING",
    "Action",
    "Anchor",
    "Band",
    "Brim",
    "Dimension",
    "End",
    "EndCap",
    "Fall",
    "Form",
    "KeepClear",
    "Limits",
    "Outline",
    "Oval",
    "Overall",
    "OverallRow",
    "Plan",
    "RegionPlan",
    "Sector",
    "Shape",
    "Solution",
    "Solved",
    "Spare",
    "Spot",
    "Strip",
    "Tuned",
    "Warn",
]

Severity = Literal["note", "look", "stop"]
Action = Literal["reduce", "build-up", "squeeze", "flatten", "raise", "shelf"]
FORMING: tuple[Action, ...] = ("squeeze", "flatten", "raise", "shelf")  # what forms a wall, in the order it is done
Fall = Literal["smooth", "cosine", "run-out"]
# A field that plans had not from the start: left out of the text and the digest while it says nothing, so that the
# digest of an older plan, and with it its release, still stands.
LATER = {"later": True}


@dataclass(frozen=True)
class Warn:
    """Something a person should know: note (for the record), look (before release), stop (a limit)."""

    code: str  # kebab-case, stable: "feather-held", "slope", "amount-held-to-allow"
    severity: Severity
    message: str
    where: str = ""  # a region, a landmark, a key


@dataclass(frozen=True)
class Anchor:
    """Where a region is laid out, and how sure that place is."""

    spot: Spot
    landmark: str | None  # the landmark the place came from
    source: str = "marked"  # marked | mark | computed | estimated
    uncertainty_mm: float = 0.0


@dataclass(frozen=True)
class Oval:
    """An ellipse: full extents along and around the limb, turned by `turn_deg` (positive: its distal
    end goes towards lateral)."""

    along_mm: float
    around_mm: float
    turn_deg: float = 0.0


@dataclass(frozen=True)
class Strip:
    """A strip along a path; one width at each path point, linear between them."""

    path: tuple[Spot, ...]  # at least two
    widths_mm: tuple[float, ...]  # as many as path points


@dataclass(frozen=True)
class Outline:
    """A closed ring of places, straight between them in the plane of the anchor, then rounded."""

    ring: tuple[Spot, ...]  # at least three


@dataclass(frozen=True)
class Band:
    """All round the limb, between two stations."""

    from_station_mm: float
    to_station_mm: float


@dataclass(frozen=True)
class EndCap:
    """The distal end within `reach_mm` of the pole, measured along the surface."""

    reach_mm: float


@dataclass(frozen=True)
class Sector:
    """A stretch of the wall `around_mm` wide about the anchor's direction, from its level up to the capture's edge."""

    around_mm: float


Shape = Oval | Strip | Outline | Band | EndCap | Sector


@dataclass(frozen=True)
class Form:
    """How a region that forms a wall does it; which of these count depends on its action.

    `faces_deg` is the direction the formed face looks, round the limb; `tilt_deg` how its plane leans: the top of a
    wall outwards, the outer edge of a shelf upwards. `in_mm` and `out_mm` are the farthest it takes the skin,
    `corner_mm` the rounding where it meets what was there, `narrow` the width that a squeeze makes smaller.
    """

    faces_deg: float = 0.0
    tilt_deg: float = 0.0
    in_mm: float = 0.0
    out_mm: float = 0.0
    corner_mm: float = 0.0
    narrow: Literal["ml", "ap"] = "ml"


@dataclass(frozen=True)
class KeepClear:
    """A disc about a place that a region does not enter."""

    spot: Spot
    by_mm: float
    landmark: str | None = None


@dataclass(frozen=True)
class Tuned:
    """One change of one region by one person."""

    by: str
    on: str  # ISO date
    why: str
    after: str | None
    text: str  # what was changed, in words: "amount 4 mm -> 5 mm"
    beyond_allow: str | None = None  # "who: why", where `allow` was passed


@dataclass(frozen=True)
class RegionPlan:
    """One region, as it is to be carried out."""

    name: str
    action: Action
    measured_from: Literal["reduced", "capture"]
    rulebook_mm: float  # the rulebook's own amount, scaled to this limb
    change_mm: float  # what dimensions and tunings made of it: asked - rulebook
    asked_mm: float  # never negative
    allow_mm: tuple[float, float] | None
    anchor: Anchor
    shape: Shape
    profile: Literal["flat", "dome", "groove"]
    feather_mm: float  # as asked; the engine holds it to what fits
    blend: Literal["inside", "outside"]
    keep_clear: tuple[KeepClear, ...] = ()
    why: str = ""
    evidence: str = ""
    amount_text: str = ""  # as the rulebook said it: "12 % of radius"
    tuned: tuple[Tuned, ...] = ()
    solved_mm: float | None = None  # what the dimensions made of the rulebook's amount, before any tuning
    form: Form | None = field(default=None, metadata=LATER)  # of a region that forms a wall
    fall: Fall = field(default="smooth", metadata=LATER)  # how the amount falls over the feather

    @property
    def forms(self) -> bool:
        """Whether it forms a wall, and does not build up or reduce."""
        return self.action in FORMING


@dataclass(frozen=True)
class OverallRow:
    """How much the wall is reduced at one level; percent of circumference or volume by `basis`."""

    level_mm: float
    percent: float
    at_text: str = ""


@dataclass(frozen=True)
class Spare:
    """A place or a patch that an overall reduction leaves alone: a disc, or a window of levels and angles."""

    spots: tuple[Spot, ...] = ()  # one: a disc of `radius_mm`; more: a path
    radius_mm: float = 0.0
    stations_mm: tuple[float, float] | None = None
    angles_deg: tuple[float, float] | None = None  # from, to, by way of increasing angle
    landmark: str | None = None


@dataclass(frozen=True)
class Overall:
    """The overall reduction of the wall."""

    basis: Literal["circumference", "volume"]
    holds: Literal["before-regions", "finished"]
    rows: tuple[OverallRow, ...]  # by level, proximal first; at least one
    fade_mm: float
    spare: tuple[Spare, ...] = ()
    spare_fade_mm: float = 15.0


@dataclass(frozen=True)
class End:
    """What is done to the distal end, from a level on."""

    kind: Literal["lengthen", "pad"]
    amount_mm: float
    from_level_mm: float
    rulebook_mm: float = 0.0
    tuned: tuple[Tuned, ...] = ()


@dataclass(frozen=True)
class Dimension:
    """What the finished model must measure. `target_mm` is None where the tape has no such value.

    A width is the section's at the level, as wide jaws touch it; or, with `between`, from one place of the skin to
    another, wherever they come to lie.
    """

    measure: Literal["ap", "ml", "circumference"]
    level_mm: float
    at_text: str
    target_mm: float | None
    by: tuple[str, ...]
    within_mm: float
    reason: str = ""  # what was moved to get there, and what stood against it
    between: tuple[Spot, Spot] | None = None


@dataclass(frozen=True)
class Solved:
    """What the dimensions make of one region's amount, and why."""

    amount_mm: float
    why: str


@dataclass(frozen=True)
class Solution:
    """What all dimensions of a plan make of the rulebook's amounts: for the regions that had to move, and a reason for
    every dimension, in the plan's order."""

    regions: Mapping[str, Solved] = field(default_factory=dict)
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class Brim:
    """The trimline as places on the limb, and how its edge is formed."""

    line: tuple[Spot, ...]
    corner_radius_mm: float = 0.0
    flare_out_mm: float = 0.0
    flare_over_mm: float = 0.0
    flare_where: str = ""
    radii_mm: tuple[float, ...] = field(default=(), metadata=LATER)  # one for each place, where they differ


@dataclass(frozen=True)
class Limits:
    """What no result of this rulebook may pass. None: no limit said."""

    volume_percent: tuple[float, float] | None = None
    reduction_mm: float | None = None
    build_up_mm: float | None = None
    slope_deg: float = 45.0
    ap_percent: tuple[float, float] | None = None
    ml_percent: tuple[float, float] | None = None
    circumference_percent: tuple[float, float] | None = None
    flare_mm: float | None = field(default=None, metadata=LATER)


@dataclass(frozen=True)
class Plan:
    """A rulebook resolved for one limb."""

    name: str
    rulebook_name: str
    rulebook_key: str  # what --rulebook takes: the file's stem
    amputation: str
    status: Literal["usable", "draft"]
    revision: int
    rulebook_sha256: str  # of the rulebook as merged, before tuning
    scan_sha256: str  # the scan it was resolved for
    regions: tuple[RegionPlan, ...]
    overall: Overall | None = None
    end: End | None = None
    dimensions: tuple[Dimension, ...] = ()
    brim: Brim | None = None
    limits: Limits = field(default_factory=Limits)
    protected: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    tune: tuple[dict[str, object], ...] = ()  # the case's tunings as they were written
    warnings: tuple[Warn, ...] = ()
    conditions: tuple[str, ...] = ()  # what `when` did, in words
