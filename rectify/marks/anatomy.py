"""Where pencil marks are expected on a limb, how far off they may be, and how they are usually drawn.

Levels are mm from the origin landmark (distal positive), or from the distal end where they belong to a cut bone;
angles as everywhere: 0 anterior, 90 lateral. Levels about the knee scale together, since knees differ in size.

Sources, transtibial: tubercle, patella apex, fibular head and condyles follow Sojka JH, Everhart JS, Kirven JC, Beal
MD, Flanigan DC, Variation in tibial tuberosity lateralization and distance from the tibiofemoral joint line; doi
10.1007/s43465-020-00046-1 (patellar tendon); doi 10.1186/s40634-023-00621-z (epicondyle and tibiofibular joint).
Their angles are from memory. All other places, every spread, how often a landmark is marked and how it is drawn:
common practice, no source. Spreads are wide on purpose: what is certain must come from several marks agreeing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

from rectify.marks.kinds import Kind

__all__ = ["ANATOMY", "FREE_KINDS", "Anatomy", "Expected"]

Run = Literal["along", "across"]

_POINT: Mapping[Kind, float] = MappingProxyType(
    {"dot": 0.5, "cross": 0.3, "ring": 0.1, "outline": 0.04, "line": 0.03, "patch": 0.03}
)
_ROUND: Mapping[Kind, float] = MappingProxyType(
    {"dot": 0.2, "cross": 0.13, "ring": 0.42, "outline": 0.2, "line": 0.01, "patch": 0.04}
)
_AREA: Mapping[Kind, float] = MappingProxyType(
    {"dot": 0.38, "cross": 0.22, "ring": 0.12, "outline": 0.2, "line": 0.02, "patch": 0.06}
)
_LINE: Mapping[Kind, float] = MappingProxyType(
    {"dot": 0.0, "cross": 0.0, "ring": 0.0, "outline": 0.02, "line": 0.97, "patch": 0.01}
)


def _or_line(share: float) -> Mapping[Kind, float]:
    """Drawn as a point, or in this share of cases as a short line."""
    rest = (1.0 - share) / (1.0 - _POINT["line"])
    return MappingProxyType({kind: share if kind == "line" else rest * own for kind, own in _POINT.items()})


# how marks are drawn that stand for a scar, a neuroma, a graft, a spur, or nothing
FREE_KINDS: Mapping[Kind, float] = MappingProxyType(
    {"dot": 0.25, "cross": 0.2, "ring": 0.15, "outline": 0.15, "line": 0.2, "patch": 0.05}
)


@dataclass(frozen=True)
class Expected:
    """Where a landmark's mark is expected.

    Parameters
    ----------
    name : str
    level, level_sd : float, mm
        Of a line's middle. From the origin, or with `from_end` from the distal end (negative: above it).
    angle, angle_sd : float, degrees
    marked : float
        How often it is marked, 0 to 1.
    kinds : how it is drawn, shares of 1
    across_mm : (middle, spread of the logarithm), optional
        How large it is drawn, where it is drawn as a ring or an outline.
    from_end : bool
    run : 'along' | 'across', optional
        Which way a line runs.
    length_mm : (middle, spread of the logarithm), optional
        Of a line.
    to_end : float, optional
        A line that runs from `level` down to this far above the distal end; its length follows.
    """

    name: str
    level: float
    level_sd: float
    angle: float
    angle_sd: float
    marked: float
    kinds: Mapping[Kind, float] = field(default_factory=lambda: _POINT)
    across_mm: tuple[float, float] | None = None
    from_end: bool = False
    run: Run | None = None
    length_mm: tuple[float, float] | None = None
    to_end: float | None = None


@dataclass(frozen=True)
class Anatomy:
    """What is expected on one kind of amputation.

    Parameters
    ----------
    expected : tuple of Expected
    origin : str
        The landmark at level 0.
    scale_sd : float
        Spread of the logarithm of the scale of the levels that are measured from the origin.
    above_mm : (least, most)
        How far captures reach above the origin.
    """

    expected: tuple[Expected, ...]
    origin: str
    scale_sd: float
    above_mm: tuple[float, float]


def _end(name: str, above: float, level_sd: float, angle: float, angle_sd: float, marked: float) -> Expected:
    return Expected(name, -above, level_sd, angle, angle_sd, marked, from_end=True)


_KNEE = (
    Expected("patella-centre", -43, 8, 0, 10, 0.6, _ROUND, (43.0, 0.25)),
    Expected("patella-apex", -21, 6, 0, 8, 0.35),
    Expected("mid-patellar-tendon", 0, 4, 0, 6, 0.85),
    Expected("tibial-tubercle", 21, 5, 5, 8, 0.85, _AREA, (20.0, 0.35)),
    Expected("medial-joint-line", -8, 6, -80, 15, 0.15),
    Expected("medial-tibial-flare", 14, 9, -56, 15, 0.45, _AREA, (35.0, 0.35)),
    Expected("fibular-head", 14, 8, 115, 18, 0.9, _ROUND, (25.0, 0.3)),
    Expected("fibular-neck", 34, 8, 108, 18, 0.2, _AREA, (20.0, 0.35)),
    Expected("medial-hamstring", -22, 14, -142, 18, 0.35, _or_line(0.15), run="along"),
    Expected("lateral-hamstring", -22, 14, 140, 18, 0.35, _or_line(0.15), run="along"),
    Expected("popliteal", 0, 12, 180, 16, 0.4, _AREA, (40.0, 0.4)),
    Expected("popliteal-crease", -12, 10, 180, 16, 0.1, _LINE, run="across", length_mm=(60.0, 0.4)),
    Expected("medial-condyle", -32, 9, -85, 20, 0.3, _AREA, (35.0, 0.35)),
    Expected("lateral-condyle", -32, 9, 85, 20, 0.3, _AREA, (35.0, 0.35)),
    Expected("tibial-crest", 30, 14, 0, 8, 0.75, _LINE, run="along", length_mm=(1.0, 0.4), to_end=36.0),
)
_TRANSTIBIAL = (
    *_KNEE,
    _end("distal-tibia", 30, 12, 0, 11, 0.8),
    _end("distal-fibula", 42, 14, 96, 16, 0.6),
    _end("tibia-end", 14, 8, 0, 15, 0.05),
    _end("distal-end", 0, 6, 0, 90, 0.05),
)
_ANKLE = (
    *_KNEE,
    _end("medial-malleolus", 35, 14, -88, 16, 0.85),
    _end("lateral-malleolus", 30, 14, 96, 16, 0.85),
    _end("heel-pad", 4, 8, 180, 40, 0.6),
)
_TRANSFEMORAL = (
    Expected("perineum", 0, 5, -92, 12, 0.8),
    Expected("ischial-tuberosity", -9, 12, -142, 14, 0.7, _AREA, (35.0, 0.35)),
    Expected("ischial-ramus", -8, 10, -116, 14, 0.25, _LINE, run="across", length_mm=(45.0, 0.4)),
    Expected("greater-trochanter", -65, 20, 118, 15, 0.75, _AREA, (45.0, 0.35)),
    Expected("adductor-longus", 8, 10, -55, 12, 0.7, _or_line(0.2), run="along"),
    Expected("anterior-thigh", 20, 35, 0, 9, 0.4, _or_line(0.2), run="along"),
    Expected("femoral-triangle", -3, 14, -28, 12, 0.35, _AREA, (50.0, 0.35)),
    Expected("gluteal-fold", 8, 12, 182, 16, 0.25, _LINE, run="across", length_mm=(70.0, 0.4)),
    Expected("lateral-femoral-shaft", 95, 30, 90, 12, 0.3, _or_line(0.25), run="along"),
    _end("distal-femur", 45, 20, 62, 22, 0.6),
    _end("distal-end", 0, 6, 0, 90, 0.05),
)

ANATOMY: Mapping[str, Anatomy] = MappingProxyType(
    {
        "transtibial": Anatomy(_TRANSTIBIAL, "mid-patellar-tendon", 0.2, (30.0, 140.0)),
        "ankle-disarticulation": Anatomy(_ANKLE, "mid-patellar-tendon", 0.2, (30.0, 140.0)),
        "transfemoral": Anatomy(_TRANSFEMORAL, "perineum", 0.12, (15.0, 170.0)),
    }
)
