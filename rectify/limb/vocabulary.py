"""The names of landmarks for each amputation, and what is known of each name.

One table serves the reader of a case, the reader of a rulebook and the estimators: which names exist,
which are a line and not a point, which lie over bone, which carry load well, where levels begin, what
fixes angle 0, and what must be marked before a result may be released. Free marks (`mark-scar`) are
allowed everywhere.

It knows names only: no place, no shape, no proportion.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

__all__ = [
    "AMPUTATIONS",
    "VOCABULARY",
    "LandmarkName",
    "Vocabulary",
    "is_free_mark",
    "vocabulary",
]

_FREE_MARK = re.compile(r"mark-[a-z0-9]+(-[a-z0-9]+)*")


@dataclass(frozen=True)
class LandmarkName:
    """What is known of a landmark from its name alone."""

    name: str
    says: str  # where it is, in words for a person with a pencil
    line: bool = False  # marked as a line of several points
    bony: bool = False  # bone close under the skin: amounts there are in mm
    tolerant: bool = False  # bone that carries load: a reduction may lie on it
    level_only: bool = False  # a level; it has no direction of its own


@dataclass(frozen=True)
class Vocabulary:
    """The names of one amputation.

    `zero` lists alternatives in order of preference, each a group of names that together fix angle 0.
    `needed` must be marked, not estimated, before a result is released; `needed_for_brim` where the
    rulebook forms one. `segment` says whether the limb's axis runs through what lies below the origin or above it.
    """

    amputation: str
    names: Mapping[str, LandmarkName]
    origin: tuple[str, ...]  # one name, or two between whose levels the origin is computed
    zero: tuple[tuple[str, ...], ...]
    needed: tuple[str, ...]
    needed_for_brim: tuple[str, ...] = ()
    downwards: tuple[str, ...] = ()  # the names from proximal to distal, as they usually lie
    segment: Literal["below", "above"] = "below"

    def knows(self, name: str) -> bool:
        """Whether a name may stand on a limb of this amputation; free marks may."""
        return name in self.names or is_free_mark(name)

    def is_bony(self, name: str) -> bool:
        return name in self.names and self.names[name].bony

    def is_tender(self, name: str) -> bool:
        """Bone that must not be pressed: bony and not tolerant."""
        return name in self.names and self.names[name].bony and not self.names[name].tolerant

    def rank(self, name: str) -> int:
        """Where a name stands from proximal to distal; a free mark comes last."""
        return self.downwards.index(name) if name in self.downwards else len(self.downwards)

    def is_line(self, name: str) -> bool:
        return name in self.names and self.names[name].line


def is_free_mark(name: str) -> bool:
    """Whether a name is a free mark: `mark-` and words of small letters and digits.

    Examples
    --------
    >>> is_free_mark("mark-neuroma"), is_free_mark("mark-"), is_free_mark("neuroma")
    (True, False, False)
    """
    return _FREE_MARK.fullmatch(name) is not None


def _names(*entries: LandmarkName) -> dict[str, LandmarkName]:
    return {entry.name: entry for entry in entries}


def _point(name: str, says: str) -> LandmarkName:
    return LandmarkName(name, says)


def _bone(name: str, says: str, *, line: bool = False, tolerant: bool = False) -> LandmarkName:
    return LandmarkName(name, says, line=line, bony=True, tolerant=tolerant)


def _line(name: str, says: str) -> LandmarkName:
    return LandmarkName(name, says, line=True)


def _level(name: str, says: str) -> LandmarkName:
    return LandmarkName(name, says, level_only=True)


# Definitions of the levels after ISO 8548-2 in our own words; load tolerance: medial tibial flare and
# femoral condyles are taught as tolerant, the rest of these bones as sensitive (common practice, no source).
_INFLECTION = _level("inflection", "the level where the outline starts to curve in to the end")
_DISTAL_END = _point("distal-end", "the most distal point of the soft tissue")

_LEG = _names(
    _bone("patella-apex", "the lowest point of the patella"),
    _bone("patella-centre", "the middle of the patella"),
    _point("mid-patellar-tendon", "midway between the lower end of the patella and the tibial tubercle"),
    _bone("tibial-tubercle", "the most prominent point where the patellar tendon meets the tibia"),
    _bone("tibial-crest", "the sharp front border of the tibia, from the tubercle to the cut end", line=True),
    _bone("medial-joint-line", "the joint space felt on the medial side"),
    _bone("medial-tibial-flare", "the widening under the medial condyle", tolerant=True),
    _bone("fibular-head", "the most prominent lateral and posterior bulge"),
    _bone("fibular-neck", "just distal of the fibular head, where the common peroneal nerve runs"),
    _bone("distal-tibia", "the most prominent anterior point of the cut tibia"),
    _bone("distal-fibula", "the lateral end of the cut fibula"),
    _bone("tibia-end", "the most distal point of the tibia"),
    _point("medial-hamstring", "the medial tendon at the posterior brim, knee bent"),
    _point("lateral-hamstring", "the lateral tendon at the posterior brim, knee bent"),
    _point("popliteal", "the middle of the posterior side, opposite the mid-patellar-tendon"),
    _line("popliteal-crease", "the fold behind the knee"),
    _bone("medial-condyle", "the most medial point of the femoral condyle", tolerant=True),
    _bone("lateral-condyle", "the most lateral point of the femoral condyle", tolerant=True),
    _INFLECTION,
    _DISTAL_END,
)

_ANKLE = _LEG | _names(
    _bone("medial-malleolus", "the most prominent point of the medial remnant of the malleolus"),
    _bone("lateral-malleolus", "the most prominent point of the lateral remnant of the malleolus"),
    _level("malleolar-level", "the level of the largest distal circumference"),
    _level("supramalleolar-level", "the level of the smallest circumference above the malleoli"),
    _point("heel-pad", "the middle of the heel pad"),
)

_THIGH = _names(
    _point("perineum", "the level of the perineum, on the medial side"),
    _bone("ischial-tuberosity", "the lowest point of the ischium"),
    _bone("ischial-ramus", "the ramus that runs forward from the ischial tuberosity", line=True),
    _bone("greater-trochanter", "the most lateral point of the greater trochanter"),
    _point("adductor-longus", "the tendon of the adductor longus, thigh pressed inwards"),
    _point("anterior-thigh", "the middle of the anterior side at the level of the perineum"),
    _point("femoral-triangle", "the middle of the hollow over the femoral vessels"),
    _line("gluteal-fold", "the fold under the buttock"),
    _point("lateral-femoral-shaft", "the middle of the lateral side over the shaft of the femur"),
    _bone("anterior-superior-iliac-spine", "the most anterior point of the iliac crest"),
    _bone("distal-femur", "the lateral distal end of the cut femur"),
    _INFLECTION,
    _DISTAL_END,
)

_KNEE = _names(
    _point("perineum", "the level of the perineum, on the medial side"),
    _bone("greater-trochanter", "the most lateral point of the greater trochanter"),
    _bone("ischial-tuberosity", "the lowest point of the ischium"),
    _point("adductor-longus", "the tendon of the adductor longus, thigh pressed inwards"),
    _point("anterior-thigh", "the middle of the anterior side of the thigh"),
    _line("gluteal-fold", "the fold under the buttock"),
    _bone("medial-condyle", "the most medial point of the femoral condyle"),
    _bone("lateral-condyle", "the most lateral point of the femoral condyle"),
    _bone("medial-epicondyle", "the prominence above the medial condyle"),
    _bone("lateral-epicondyle", "the prominence above the lateral condyle"),
    _bone("patella-centre", "the middle of the patella, where it was kept"),
    _bone("patella-apex", "the lowest point of the patella, where it was kept"),
    _level("condylar-level", "the level of the largest circumference over the condyles"),
    _level("supracondylar-level", "the level of the smallest circumference above the condyles"),
    _INFLECTION,
    _DISTAL_END,
)

_FOREARM = _names(
    _bone("olecranon", "the tip of the elbow"),
    _bone("medial-epicondyle", "the most medial point of the humerus at the elbow"),
    _bone("lateral-epicondyle", "the most lateral point of the humerus at the elbow"),
    _point("cubital-fold", "the middle of the fold of the elbow, on the anterior side"),
    _point("biceps-tendon", "the tendon of the biceps at the fold of the elbow"),
    _point("ulnar-groove", "the groove behind the medial epicondyle, where the ulnar nerve runs"),
    _bone("ulnar-crest", "the sharp border of the ulna", line=True),
    _bone("distal-radius", "the end of the cut radius"),
    _bone("distal-ulna", "the end of the cut ulna"),
    _INFLECTION,
    _DISTAL_END,
)

_ARM = _names(
    _bone("acromion", "the most lateral point of the acromion"),
    _line("deltopectoral-groove", "the groove between the deltoid and the chest"),
    _point("axilla", "the highest point of the armpit"),
    _point("anterior-arm", "a mark on the middle of the anterior side of the arm"),
    _bone("distal-humerus", "the end of the cut humerus"),
    _INFLECTION,
    _DISTAL_END,
)

VOCABULARY: Mapping[str, Vocabulary] = {
    "transtibial": Vocabulary(
        "transtibial",
        _LEG,
        origin=("mid-patellar-tendon",),
        zero=(("mid-patellar-tendon",),),
        needed=("mid-patellar-tendon", "tibial-tubercle", "fibular-head", "tibial-crest", "distal-tibia"),
        downwards=(
            "patella-centre",
            "medial-condyle",
            "lateral-condyle",
            "patella-apex",
            "lateral-hamstring",
            "popliteal-crease",
            "medial-hamstring",
            "medial-joint-line",
            "mid-patellar-tendon",
            "popliteal",
            "fibular-head",
            "tibial-tubercle",
            "medial-tibial-flare",
            "fibular-neck",
            "tibial-crest",
            "distal-fibula",
            "distal-tibia",
            "tibia-end",
            "inflection",
            "distal-end",
        ),
    ),
    "transfemoral": Vocabulary(
        "transfemoral",
        _THIGH,
        origin=("perineum",),
        zero=(("anterior-thigh",), ("greater-trochanter",)),
        needed=("perineum", "greater-trochanter", "adductor-longus"),
        needed_for_brim=("ischial-tuberosity", "ischial-ramus"),
        downwards=(
            "anterior-superior-iliac-spine",
            "greater-trochanter",
            "ischial-ramus",
            "ischial-tuberosity",
            "perineum",
            "anterior-thigh",
            "adductor-longus",
            "femoral-triangle",
            "gluteal-fold",
            "lateral-femoral-shaft",
            "distal-femur",
            "inflection",
            "distal-end",
        ),
    ),
    "knee-disarticulation": Vocabulary(
        "knee-disarticulation",
        _KNEE,
        origin=("medial-condyle", "lateral-condyle"),
        zero=(("patella-centre",), ("medial-condyle", "lateral-condyle")),
        needed=("medial-condyle", "lateral-condyle"),
        segment="above",
        downwards=(
            "greater-trochanter",
            "ischial-tuberosity",
            "perineum",
            "adductor-longus",
            "anterior-thigh",
            "gluteal-fold",
            "supracondylar-level",
            "medial-epicondyle",
            "lateral-epicondyle",
            "patella-centre",
            "condylar-level",
            "medial-condyle",
            "lateral-condyle",
            "patella-apex",
            "inflection",
            "distal-end",
        ),
    ),
    "ankle-disarticulation": Vocabulary(
        "ankle-disarticulation",
        _ANKLE,
        origin=("mid-patellar-tendon",),
        zero=(("mid-patellar-tendon",),),
        needed=("mid-patellar-tendon", "medial-malleolus", "lateral-malleolus", "heel-pad"),
        downwards=(
            "patella-centre",
            "medial-condyle",
            "lateral-condyle",
            "patella-apex",
            "lateral-hamstring",
            "popliteal-crease",
            "medial-hamstring",
            "medial-joint-line",
            "mid-patellar-tendon",
            "popliteal",
            "fibular-head",
            "tibial-tubercle",
            "medial-tibial-flare",
            "fibular-neck",
            "tibial-crest",
            "supramalleolar-level",
            "distal-fibula",
            "distal-tibia",
            "tibia-end",
            "malleolar-level",
            "medial-malleolus",
            "lateral-malleolus",
            "inflection",
            "heel-pad",
            "distal-end",
        ),
    ),
    "transradial": Vocabulary(
        "transradial",
        _FOREARM,
        origin=("olecranon",),
        zero=(("cubital-fold",),),
        needed=("olecranon", "medial-epicondyle", "lateral-epicondyle", "cubital-fold"),
        downwards=(
            "ulnar-groove",
            "medial-epicondyle",
            "lateral-epicondyle",
            "olecranon",
            "cubital-fold",
            "biceps-tendon",
            "ulnar-crest",
            "distal-radius",
            "distal-ulna",
            "inflection",
            "distal-end",
        ),
    ),
    "transhumeral": Vocabulary(
        "transhumeral",
        _ARM,
        origin=("acromion",),
        zero=(("anterior-arm",),),
        needed=("acromion", "anterior-arm", "axilla"),
        downwards=(
            "acromion",
            "deltopectoral-groove",
            "axilla",
            "anterior-arm",
            "distal-humerus",
            "inflection",
            "distal-end",
        ),
    ),
}

AMPUTATIONS: tuple[str, ...] = tuple(VOCABULARY)


def vocabulary(amputation: str) -> Vocabulary:
    """The names of one amputation; KeyError where there is no such amputation."""
    return VOCABULARY[amputation]
