"""Whether landmarks can be where they are said to be: on the skin, on their side, in their order.

Each fault is a sentence with distances. The bounds are working values (common practice, no source): a mark on
skin is off by a millimetre or two; one that is off by 10 mm belongs to another scan or another pose.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

import numpy as np

from rectify.errors import Faults, LandmarkError, RectifyError
from rectify.geometry.nearest import nearest
from rectify.limb.chart import wrap_deg
from rectify.limb.limb import Limb

__all__ = ["OFF_LOOK_MM", "OFF_REFUSED_MM", "check_landmarks", "doubtful", "off_surface"]

OFF_LOOK_MM = 3.0
OFF_REFUSED_MM = 10.0
_RAY_GOOD_MM = 1.0
_SIDE_SLACK_DEG = 15.0  # a medial mark may lie this far past the middle
_ORDER_SLACK_MM = 3.0
_LATERAL = ("lateral-", "fibular-", "distal-fibula", "greater-trochanter")
_MEDIAL = ("medial-", "adductor-longus", "ischial-")
_FRONT = ("tibial-", "patella-", "anterior-", "cubital-fold", "femoral-triangle")
_BACK = ("popliteal", "gluteal-fold")
_BEYOND_FRONT_DEG = 90.0
# The mid-patellar-tendon lies midway between the patella's apex and the tubercle; from the patella's middle two thirds
# of the way, by the proportions of knees (patellar tendon 43 mm: doi 10.1007/s43465-020-00046-1; patella 43 mm long,
# from memory). Half a tendon off it would be at one of its ends. The bounds are working values.
_TENDON_LOOK_MM, _TENDON_REFUSED_MM = 8.0, 15.0
_FROM_APEX, _FROM_CENTRE = 0.5, 0.67
# proximal to distal
_ORDER = {
    "transtibial": (
        "patella-centre",
        "patella-apex",
        "mid-patellar-tendon",
        "tibial-tubercle",
        "tibial-crest",
        "distal-tibia",
    ),
    "transfemoral": ("greater-trochanter", "adductor-longus", "distal-femur", "distal-end"),
    "ankle-disarticulation": (
        "patella-centre",
        "patella-apex",
        "mid-patellar-tendon",
        "tibial-tubercle",
        "tibial-crest",
        "heel-pad",
    ),
    "transhumeral": ("acromion", "axilla", "distal-humerus"),
    "transradial": ("olecranon", "distal-ulna"),
}
_ABOVE = {
    "transtibial": (
        ("patella-centre", "fibular-head"),
        ("fibular-head", "distal-fibula"),
        ("medial-tibial-flare", "distal-tibia"),
    ),
    "ankle-disarticulation": (("patella-centre", "fibular-head"), ("fibular-head", "lateral-malleolus")),
    "knee-disarticulation": (("greater-trochanter", "lateral-condyle"), ("perineum", "medial-condyle")),
}


def off_surface(limb: Limb) -> dict[str, float]:
    """How far each marked landmark lies from the skin, mm; the farthest point of a line.

    Along the chart's ray where that is next to nothing (the distance itself is no more than that), else exactly.
    """
    marks = {
        n: m
        for n, m in limb.landmarks.items()
        if m.source in ("marked", "mark") and not m.absent and not m.beyond_capture
    }
    out = {name: mark.off_surface_mm for name, mark in marks.items()}
    far = [name for name, off in out.items() if off > _RAY_GOOD_MM]
    if far:
        points = np.concatenate([marks[name].points for name in far])
        owner = np.repeat(np.arange(len(far)), [len(marks[name].points) for name in far])
        distance, _, _ = nearest(points, limb.mesh.vertices, limb.mesh.faces)
        out |= {name: float(distance[owner == i].max()) for i, name in enumerate(far)}
    return out


def check_landmarks(
    limb: Limb, *, path: str | None = None, lines: Mapping[str, int | None] | None = None
) -> dict[str, float]:
    """Refuse landmarks that cannot be; returns how far each lies from the skin.

    Raises
    ------
    Faults
        Of LandmarkErrors, one for each.
    """
    off = off_surface(limb)
    faults: list[RectifyError] = [*_off(off, path)]
    if not faults:
        faults = [*_sides(limb, path), *_order(limb, path)]
    if not faults:
        faults = [*_tendon(limb, path)]
    if faults:
        for fault in faults:
            fault.line = (lines or {}).get(fault.key or "")
        raise Faults(faults)
    return off


def doubtful(limb: Limb) -> Iterator[tuple[str, str, str]]:
    """What is no reason to refuse a landmark but one to look at it: a stable code, its name, a sentence."""
    for name, distance in off_surface(limb).items():
        if distance > OFF_LOOK_MM:
            yield "landmark-off-surface", name, f"{name} lies {distance:.1f} mm off the surface"
    tendon = _tendon_gap(limb)
    if tendon is not None and abs(tendon[0]) > _TENDON_LOOK_MM:
        told = f"mid-patellar-tendon lies {_way(tendon[0])} of where {tendon[1]} and tibial-tubercle put it"
        yield "landmark-doubtful", "mid-patellar-tendon", told


def _off(off: dict[str, float], path: str | None) -> Iterator[LandmarkError]:
    for name, distance in off.items():
        if distance > OFF_REFUSED_MM:
            yield LandmarkError(
                f"lies {distance:.0f} mm off the surface",
                path=path,
                key=name,
                wanted=f"at most {OFF_REFUSED_MM:g} mm",
                hint="are the landmarks in this scan's own units and axes? For one past the capture's edge write "
                "{xyz: [x, y, z], beyond-capture: yes}",
            )


def _sides(limb: Limb, path: str | None) -> Iterator[LandmarkError]:
    sided = [(name, mark) for name, mark in limb.landmarks.items() if mark.spots and mark.source in ("marked", "mark")]
    wrong: list[tuple[str, float]] = []
    right: list[tuple[str, float]] = []
    for name, mark in sided:
        angle = float(wrap_deg(mark.spots[0].angle_deg))
        want = 1.0 if name.startswith(_LATERAL) else -1.0 if name.startswith(_MEDIAL) else 0.0
        if want and _SIDE_SLACK_DEG < abs(angle) < 180.0 - _SIDE_SLACK_DEG:
            (right if np.sign(angle) == want else wrong).append((name, angle))

    def across(name: str, angle: float) -> float:
        """How far past the middle, in front or behind, along the skin: mm."""
        past = min(abs(angle), 180.0 - abs(angle))
        return float(np.radians(past) * np.hypot(*limb.landmarks[name].points[0, :2]))

    if wrong and len(wrong) > len(right):
        names = ", ".join(f"{name} ({across(name, angle):.0f} mm past the middle)" for name, angle in wrong)
        yield LandmarkError(
            "left and right are mixed up",
            path=path,
            key="side",
            wanted=f"marks of the outer side laterally, on a {limb.side} limb",
            found=f"on the other side: {names}",
            hint="is `side` right, and is the scan not mirrored?",
        )
        return
    for name, angle in wrong:
        side = "lateral" if name.startswith(_LATERAL) else "medial"
        yield LandmarkError(
            f"lies on the wrong side, {across(name, angle):.0f} mm past the middle, at {angle % 360:.0f} degrees",
            path=path,
            key=name,
            wanted=f"the {side} side",
            found=f"{len(right)} other landmarks agree with `side: {limb.side}`",
            hint="mark it again",
        )
    for name, mark in sided:
        angle = abs(float(wrap_deg(mark.spots[0].angle_deg)))
        if (name.startswith(_FRONT) and angle > _BEYOND_FRONT_DEG) or (
            name.startswith(_BACK) and angle < _BEYOND_FRONT_DEG
        ):
            past = np.radians(abs(angle - _BEYOND_FRONT_DEG)) * np.hypot(*mark.points[0, :2])
            yield LandmarkError(
                f"lies on the wrong side, {past:.0f} mm past the middle, at {mark.angle_deg:.0f} degrees",
                path=path,
                key=name,
                wanted="the front" if name.startswith(_FRONT) else "the back",
                hint="mark it again",
            )


def _order(limb: Limb, path: str | None) -> Iterator[LandmarkError]:
    marked = {n: m.level_mm for n, m in limb.landmarks.items() if m.spots and m.source in ("marked", "mark")}
    chain = [name for name in _ORDER.get(limb.amputation, ()) if name in marked]
    pairs = list(pairwise(chain)) + [
        pair for pair in _ABOVE.get(limb.amputation, ()) if pair[0] in marked and pair[1] in marked
    ]
    for above, below in pairs:
        gap = marked[below] - marked[above]
        if gap < -_ORDER_SLACK_MM:
            yield LandmarkError(
                f"lies {-gap:.0f} mm proximal of {above}",
                path=path,
                key=below,
                wanted=f"distal of {above}",
                found=f"levels {marked[below]:.0f} and {marked[above]:.0f} mm",
                hint="mark both again",
            )


def _tendon(limb: Limb, path: str | None) -> Iterator[LandmarkError]:
    """A mid-patellar-tendon far from where patella and tubercle put it."""
    found = _tendon_gap(limb)
    if found is None or abs(found[0]) <= _TENDON_REFUSED_MM:
        return
    gap, above = found
    yield LandmarkError(
        f"lies {_way(gap)} of where {above} and tibial-tubercle put it",
        path=path,
        key="mid-patellar-tendon",
        wanted=f"within {_TENDON_REFUSED_MM:g} mm of midway between the lower end of the patella and the tubercle",
        found=f"{above} at {limb.landmarks[above].level_mm:.0f} mm, tibial-tubercle at "
        f"{limb.landmarks['tibial-tubercle'].level_mm:.0f} mm, level 0 at the mid-patellar-tendon",
        hint="mark all three again; is one of them another one's name?",
    )


def _tendon_gap(limb: Limb) -> tuple[float, str] | None:
    """How far distal (+) the mid-patellar-tendon is of where it is expected, mm, and the landmark that says so."""
    marks = {n: m for n, m in limb.landmarks.items() if m.spots and m.source in ("marked", "mark")}
    if "mid-patellar-tendon" not in marks or "tibial-tubercle" not in marks:
        return None
    for name, part in (("patella-apex", _FROM_APEX), ("patella-centre", _FROM_CENTRE)):
        if name in marks:
            above, below = marks[name].level_mm, marks["tibial-tubercle"].level_mm
            return marks["mid-patellar-tendon"].level_mm - (above + part * (below - above)), name
    return None


def _way(gap: float) -> str:
    return f"{abs(gap):.0f} mm {'distal' if gap > 0 else 'proximal'}"
