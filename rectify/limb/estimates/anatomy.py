"""Where landmarks are expected, and what stands out over each: figures, and nothing else.

Levels are mm from the origin, proximal negative; angles are degrees about the section's own middle, lateral positive.
About the knee the means are published ones, the joint line being 8 mm above mid-patellar-tendon:
- tibial tubercle 29 mm below the joint line: Sojka JH, Everhart JS, Kirven JC, Beal MD, Flanigan DC, Variation in
  tibial tuberosity lateralization and distance from the tibiofemoral joint line (161 tibiae)
- patellar tendon 43 mm long, so the patella's apex some 21 mm above its middle: Choi YJ et al. (2010), J Korean Knee
  Soc 22(1):39-45, and doi 10.1007/s43465-020-00046-1
- lateral epicondyle 24 mm above the joint line, the fibular head's joint as far below it: J Exp Orthop (2023), doi
  10.1186/s40634-023-00621-z
All other means, and every standard deviation, are working values of ours (common practice, no source): wide, because
limbs differ from the averages by a third or more, and two hands do not mark the same place. Strengths were set on made
limbs of varied proportions (tests/limb/varied.py), with an eye on two limbs that no formula made;
`python -m benchmarks.estimate` prints how often the uncertainties hold, on made limbs that were not used for it too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from rectify.limb.estimates.belief import Place
from rectify.limb.estimates.relief import Relief
from rectify.limb.estimates.search import Across

__all__ = ["ANATOMY", "Look"]

Shares = Mapping[str, tuple[float, float]]
Shape = tuple[tuple[Relief, float], ...]
Level = Callable[[float], float]

# reliefs by the size of what stands out: sigmas in mm around and along, then what is too little to say anything
POINT = Relief((3.0, 10.0), (3.0, 10.0), 0.3)
BEAD = Relief((3.0, 10.0), (3.0, 10.0), 0.3, round=True)
KNOB = Relief((5.0, 15.0), (5.0, 15.0), 0.5)
DOME = Relief((8.0, 24.0), (8.0, 24.0), 1.0)
BROAD = Relief((12.0, 30.0), (12.0, 30.0), 1.0)
HUMP = Relief((12.0, 30.0), (12.0, 30.0), 0.7, round=True)
RIDGE = Relief((3.0, 10.0), (8.0, 8.0), 0.3, tells="direction")
PIT = Relief((3.0, 10.0), (3.0, 10.0), 0.3, -1.0)
HOLLOW = Relief((8.0, 24.0), (8.0, 24.0), 1.0, -1.0)
FOLD = Relief((12.0, 12.0), (3.0, 12.0), 0.4, -1.0, tells="level")
FLAT = Relief((8.0, 24.0), (20.0, 20.0), 0.8, -1.0, tells="direction")


@dataclass(frozen=True)
class Look:
    """One place to look for.

    Parameters
    ----------
    place : Place
        Expected; its level is added to `from_end`, where that is given.
    shape : (relief, strength) pairs
    line : str
        The landmark it is a point of, where that is a line.
    across : the coordinate in which a point of a line can be off
    from_end : level of the distal end -> mm
    gone_with : names
        Where one of these is absent, so is this.
    """

    place: Place
    shape: Shape = ()
    line: str = ""
    across: Across = ""
    from_end: Level | None = None
    gone_with: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Of the place; a line's points are numbered."""
        return self.place.name

    @property
    def landmark(self) -> str:
        """Of the landmark it belongs to."""
        return self.line or self.place.name


def _look(
    name: str,
    level: tuple[float, float],
    angle: tuple[float, float],
    shape: Shape = (),
    *,
    shares: Shares | None = None,
    parents: Mapping[str, float] | None = None,
    from_end: Level | None = None,
    gone_with: tuple[str, ...] = (),
) -> Look:
    """A single landmark; `level` and `angle` are mean and own standard deviation."""
    place = Place(name, level[0], angle[0], level[1], angle[1], shares or {}, parents or {})
    return Look(place, shape, from_end=from_end, gone_with=(*gone_with, *(parents or {})))


def _line(
    name: str,
    level: tuple[float, float],
    angles: tuple[float, float, float],
    angle_sd: float,
    shape: Shape,
    across: Across,
    *,
    shares: Shares | None = None,
    parents: tuple[Mapping[str, float], ...] = ({}, {}, {}),
) -> tuple[Look, ...]:
    """A line of three points."""
    looks = []
    for i, (angle, goes_with) in enumerate(zip(angles, parents, strict=True)):
        place = Place(f"{name}/{i}", level[0], angle, level[1], angle_sd, shares or {}, goes_with)
        looks.append(Look(place, shape, name, across, gone_with=tuple(goes_with)))
    return tuple(looks)


# -- the leg below the knee -----------------------------------------------------------------------

_ORIGIN_MM, _ZERO_DEG = 3.0, 3.5  # how far off the mark at the origin is: along, and the direction it gives
_SIZE, _SIZE_BELOW = 0.18, 0.12  # distances about the knee differ by that share, and those below the origin more
_LEAN_DEG = 9.0  # the front of the shank turns by so much per 100 mm
_BACK: Shares = {"back": (0.0, 5.0)}  # the back of the knee lies not quite opposite its front
_FIBULA: Shares = {"fibula": (0.0, 8.0)}  # the fibula lies more to the front or the back, all of it
_BEHIND: Shares = {"origin": (_ORIGIN_MM, 0.0), "zero": (0.0, _ZERO_DEG), **_BACK}
_CUT: Shares = {"pad": (6.0, 0.0), "zero": (0.0, _ZERO_DEG), "lean": (0.0, 1.1 * _LEAN_DEG)}


def _knee(level: float, **more: tuple[float, float]) -> Shares:
    """What a place about the knee shares with others."""
    shares = {
        "size": (_SIZE * level, 0.0),
        "lean": (0.0, _LEAN_DEG * level / 100.0),
        "origin": (_ORIGIN_MM, 0.0),
        "zero": (0.0, _ZERO_DEG),
    }
    if level > 0:
        shares["size-below"] = (_SIZE_BELOW * level, 0.0)
    return shares | more


def _tibia_cut(end_mm: float) -> float:
    """Level of the cut tibia's front: the pad of soft tissue and the bevel lie below it."""
    return end_mm - float(np.clip(0.2 * end_mm, 26.0, 36.0))


_KNEE = (
    _look("tibial-tubercle", (21.0, 4.0), (4.0, 5.0), ((POINT, 2.0), (BEAD, 1.0)), shares=_knee(21.0)),
    _look("patella-centre", (-43.0, 4.0), (0.0, 4.0), ((DOME, 2.0), (BROAD, 2.0)), shares=_knee(-43.0)),
    _look("patella-apex", (22.0, 4.0), (0.0, 3.0), ((RIDGE, 2.0),), parents={"patella-centre": 1.0}),
    _look("fibular-head", (14.0, 6.0), (108.0, 9.0), ((POINT, 2.0), (BEAD, 2.0)), shares=_knee(14.0, **_FIBULA)),
    _look("fibular-neck", (20.0, 6.0), (-4.0, 5.0), ((PIT, 2.0),), parents={"fibular-head": 1.0}),
    _look("medial-tibial-flare", (15.0, 6.0), (-60.0, 8.0), ((POINT, 0.5),), shares=_knee(15.0)),
    _look("medial-joint-line", (-8.0, 4.0), (-80.0, 8.0), shares=_knee(-8.0)),
    _look("medial-condyle", (-32.0, 7.0), (-82.0, 13.0), ((HUMP, 2.0),), shares=_knee(-32.0)),
    _look("lateral-condyle", (-32.0, 7.0), (82.0, 13.0), ((BROAD, 0.5),), shares=_knee(-32.0)),
    _look("medial-hamstring", (-26.0, 14.0), (-140.0, 8.0), ((RIDGE, 2.0),), shares=_BEHIND),
    _look("lateral-hamstring", (-26.0, 14.0), (140.0, 8.0), ((RIDGE, 2.0),), shares=_BEHIND),
    _look("popliteal", (0.0, 2.0), (180.0, 4.0), ((FLAT, 1.0),), shares={"zero": (0.0, _ZERO_DEG), **_BACK}),
    *_line(
        "popliteal-crease",
        (-14.0, 5.0),
        (162.0, 180.0, 198.0),
        4.0,
        ((FOLD, 2.0),),
        "level",
        shares=_knee(-14.0, **_BACK),
    ),
)

# in the order in which they are looked for: what a place goes with comes first
_LEG = (
    _KNEE[0],
    _look("distal-tibia", (0.0, 5.0), (0.0, 6.0), ((RIDGE, 2.0), (BEAD, 2.0)), shares=_CUT, from_end=_tibia_cut),
    *_line(
        "tibial-crest",
        (0.0, 1.0),
        (0.0, 0.0, 0.0),
        5.0,
        ((RIDGE, 2.0),),
        "direction",
        parents=tuple({"tibial-tubercle": 1.0 - t, "distal-tibia": t} for t in (0.16, 0.5, 0.88)),
    ),
    *_KNEE[1:],
    _look(
        "distal-fibula",
        (-9.0, 5.0),
        (93.0, 8.0),
        ((POINT, 2.0),),
        shares={"fibula": (0.0, 6.0)},
        parents={"distal-tibia": 1.0},
        gone_with=("fibular-head",),
    ),
)

# -- the thigh ------------------------------------------------------------------------------------

_HIP: Shares = {"origin": (4.0, 0.0), "zero": (0.0, 4.0)}


def _femur_cut(end_mm: float) -> float:
    """Level of the cut femur's side, above the pad of soft tissue."""
    return end_mm - 29.0


def _mid_thigh(end_mm: float) -> float:
    return 0.4 * end_mm


_THIGH = (
    _look("anterior-thigh", (0.0, 5.0), (0.0, 5.0), shares=_HIP),
    _look("adductor-longus", (8.0, 9.0), (-53.0, 7.0), ((POINT, 2.0),), shares=_HIP),
    _look("femoral-triangle", (-2.0, 9.0), (-28.0, 7.0), ((HOLLOW, 1.5),), shares=_HIP),
    _look("greater-trochanter", (-66.0, 11.0), (112.0, 11.0), ((KNOB, 2.0), (POINT, 1.0)), shares=_HIP),
    _look("ischial-tuberosity", (-9.0, 7.0), (-141.0, 6.0), ((BEAD, 1.0),), shares=_HIP),
    *_line(
        "ischial-ramus",
        (2.0, 4.0),
        (12.0, 26.0, 40.0),
        3.0,
        (),
        "",
        parents=({"ischial-tuberosity": 1.0},) * 3,
    ),
    *_line("gluteal-fold", (10.0, 8.0), (169.0, 184.0, 199.0), 5.0, ((FOLD, 2.0),), "level", shares=_HIP),
    _look("lateral-femoral-shaft", (0.0, 11.0), (90.0, 7.0), ((FLAT, 0.5),), shares=_HIP, from_end=_mid_thigh),
    _look("distal-femur", (0.0, 8.0), (60.0, 18.0), ((KNOB, 1.0),), shares={"zero": (0.0, 4.0)}, from_end=_femur_cut),
)

ANATOMY: Mapping[str, tuple[Look, ...]] = {
    "transtibial": _LEG,
    "ankle-disarticulation": _KNEE,  # the same knee; nothing is known here of where the malleoli lie
    "transfemoral": _THIGH,
}
