"""The levels at which a clinic records a residual limb, and what it measures there.

Names and meanings are those of ISO 8548-2 for the leg, in our own words: the highest level with a whole section, the
joint line, the mid-patellar-tendon, the least girth above a bulbous end and the largest over it, the inflection, the
end. For the arm, the landmarks its sockets are built on. Where a level is by definition the largest or the least girth
it is found here; a mark of it goes first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rectify.geometry.mesh import Floats, Mesh
from rectify.limb.landmarks import Landmark
from rectify.limb.measure import Profile, measure_levels
from rectify.limb.vocabulary import vocabulary

__all__ = ["ReferenceLevel", "girth_levels", "reference_levels"]

_LEVELS: Mapping[str, tuple[str, ...]] = {
    "transtibial": ("medial-joint-line", "mid-patellar-tendon", "tibial-tubercle", "inflection"),
    "transfemoral": ("ischial-tuberosity", "perineum", "inflection"),
    "knee-disarticulation": ("perineum", "supracondylar-level", "condylar-level"),
    "ankle-disarticulation": (
        "medial-joint-line",
        "mid-patellar-tendon",
        "tibial-tubercle",
        "supramalleolar-level",
        "malleolar-level",
    ),
    "transradial": ("olecranon", "lateral-epicondyle", "cubital-fold", "inflection"),
    "transhumeral": ("axilla", "inflection"),
}
# where the largest girth over a bulbous end and the least above it are looked for: mm from the origin (knee) or from
# the distal end (ankle, negative: above it), and a share of the length from the origin; our own choice
_CONDYLES_MM, _ABOVE_CONDYLES_MM = (-30.0, 30.0), (-120.0, -15.0)
_STANDS_OUT = 0.005  # of the girth at either end of where it is looked for
_MALLEOLI_MM, _ABOVE_MALLEOLI_FROM = (-80.0, -12.0), 0.45


@dataclass(frozen=True)
class ReferenceLevel:
    """A named level and what the limb measures there; None where the section is open or there is none.

    Parameters
    ----------
    name, says : str
    level_mm : float
    circumference_mm, ap_mm, ml_mm : float or None
    source : as of a landmark
    uncertainty_mm : float
    """

    name: str
    says: str
    level_mm: float
    circumference_mm: float | None
    ap_mm: float | None
    ml_mm: float | None
    source: str
    uncertainty_mm: float


def girth_levels(profile: Profile, amputation: str, end_level_mm: float) -> dict[str, float]:
    """Levels that are the largest or the least girth by definition, where there is such a one: name -> level, mm."""
    if amputation == "knee-disarticulation":
        found = {
            "condylar-level": _extreme(profile, *_CONDYLES_MM, largest=True),
            "supracondylar-level": _extreme(profile, *_ABOVE_CONDYLES_MM, largest=False),
        }
    elif amputation == "ankle-disarticulation":
        low = _extreme(profile, *(end_level_mm + d for d in _MALLEOLI_MM), largest=True)
        least = None if low is None else _extreme(profile, _ABOVE_MALLEOLI_FROM * end_level_mm, low, largest=False)
        found = {"malleolar-level": low, "supramalleolar-level": least}
    else:
        return {}
    return {name: level for name, level in found.items() if level is not None}


def _extreme(profile: Profile, first: float, last: float, *, largest: bool) -> float | None:
    """The level of the largest or least girth between two; None where it hardly stands out from what is at them."""
    there = np.flatnonzero(profile.closed & (profile.levels >= first) & (profile.levels <= last))
    if len(there) < 3:
        return None
    girth = profile.circumference[there]
    best = int(np.argmax(girth) if largest else np.argmin(girth))
    stands_out = np.abs(girth[best] / girth[[0, -1]] - 1.0).min()
    return float(profile.levels[there[best]]) if stands_out > _STANDS_OUT else None


def reference_levels(
    mesh: Mesh, profile: Profile, landmarks: Mapping[str, Landmark], amputation: str, end_level_mm: float
) -> tuple[ReferenceLevel, ...]:
    """The levels of an amputation that are known on this limb, proximal first.

    Parameters
    ----------
    mesh : Mesh
        In the limb frame.
    profile : Profile
        For the highest whole section.
    landmarks : name -> Landmark
    amputation : str
    end_level_mm : float
    """
    names = vocabulary(amputation).names
    marks = [landmarks[name] for name in _LEVELS[amputation] if name in landmarks]
    rows = [
        (mark.name, names[mark.name].says, mark.level_mm, mark.source, mark.uncertainty_mm)
        for mark in marks
        if not mark.absent and not mark.beyond_capture
    ]
    whole = profile.levels[profile.closed]
    if len(whole):
        rows.append(("proximal", "the highest level with a whole section", float(whole[0]), "computed", 0.0))
    rows.sort(key=lambda row: row[2])
    measured = measure_levels(mesh, np.array([row[2] for row in rows]))
    girth, ap, ml = measured.circumference, measured.ap, measured.ml
    out = [
        ReferenceLevel(name, says, level, _there(girth, i), _there(ap, i), _there(ml, i), source, unsure)
        for i, (name, says, level, source, unsure) in enumerate(rows)
    ]
    end = ReferenceLevel("distal-end", names["distal-end"].says, end_level_mm, None, None, None, "computed", 0.0)
    return (*out, end)


def _there(column: Floats, i: int) -> float | None:
    return float(column[i]) if np.isfinite(column[i]) else None
