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

__all__ = ["OFF_LOOK_MM", "OFF_REFUSED_MM", "check_landmarks", "off_surface"]

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
}
_ABOVE = {
    "transtibial": (
        ("patella-centre", "fibular-head"),
        ("fibular-head", "distal-fibula"),
        ("medial-tibial-flare", "distal-tibia"),
    )
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
    if faults:
        for fault in faults:
            fault.line = (lines or {}).get(fault.key or "")
        raise Faults(faults)
    return off


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
    if wrong and len(wrong) > len(right):
        names = ", ".join(name for name, _ in wrong)
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
            f"lies on the wrong side, at {angle % 360:.0f} degrees",
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
            yield LandmarkError(
                f"lies on the wrong side, at {mark.angle_deg:.0f} degrees",
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
