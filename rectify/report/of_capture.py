"""What is reported of a captured limb itself: how it was captured, landmarks, levels, lengths.

Shared by the change report and by `measure`. Everything comes from the limb room; what is done here is choosing,
naming and comparing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from rectify.case.wear import worn_of
from rectify.limb.levels import reference_levels
from rectify.limb.measure import Profile
from rectify.limb.vocabulary import vocabulary

if TYPE_CHECKING:
    from rectify.capture import Step
    from rectify.case import Case
    from rectify.limb.limb import Limb

__all__ = [
    "cautions_of",
    "landmark_facts",
    "length_facts",
    "level_row",
    "limb_facts",
    "reference_facts",
    "scan_facts",
    "shape_facts",
    "steps",
]

Row = dict[str, Any]

_BONE_ENDS = ("tibia-end", "distal-tibia", "distal-femur", "distal-humerus", "distal-radius", "distal-ulna")
_STARTS = (
    "medial-joint-line",
    "perineum",
    "ischial-tuberosity",
    "greater-trochanter",
    "axilla",
    "lateral-epicondyle",
)
_TRUST = ("marked", "mark", "computed", "estimated")  # best first

_SKIN = "Look at the skin early and often."
_CARE = {
    ("sensation", "reduced"): f"Sensation is reduced on this limb: pain gives no warning. {_SKIN}",
    ("sensation", "absent"): f"There is no sensation on this limb: pain gives no warning. {_SKIN}",
    ("circulation", "reduced"): f"Circulation is reduced on this limb: go easy on pressure. {_SKIN}",
    ("skin", "fragile"): f"The skin of this limb is fragile. {_SKIN}",
    ("skin", "open"): "The skin of this limb is open: see that nothing bears on it.",
    (
        "volume",
        "changing",
    ): "This limb is still changing volume: a capture ages quickly. Check tape against limb before anything is made.",
}
_ASKED = ("sensation", "circulation", "skin", "volume")


def scan_facts(case: Case) -> Row:
    """How the limb was captured, and the mesh that came of it."""
    scan, mesh = case.says.scan, case.captured.mesh
    return {
        "file": scan.file,
        "surface": scan.surface,
        "shaping": scan.shaping,
        "rectified": scan.was_rectified,
        "layers": _layers(scan.between),
        "vertices": len(mesh.vertices),
        "faces": len(mesh.faces),
        "edge_mm": case.captured.edge_mm,
        "noise_mm": case.captured.profile.noise_mm,
    }


def limb_facts(case: Case) -> Row:
    """What the case says of the limb, and what will be worn."""
    limb = case.says.limb
    worn = worn_of(case.says.scan.between, case.says.wear)
    return {
        "tissue": limb.tissue,
        "sensation": limb.sensation,
        "circulation": limb.circulation,
        "skin": limb.skin,
        "volume": limb.volume,
        "suspension": case.says.suspension,
        "wear": _layers(worn),
    }


def _layers(layers: Any) -> list[Row]:
    return [{"kind": x.kind, "thickness_mm": float(x.thickness_mm), "measured": x.measured} for x in layers]


def steps(taken: Iterable[Step]) -> list[Row]:
    """What was done to the capture on the way in; places in the scan's own axes."""
    out = [
        {"code": s.code, "message": s.message, "look": s.look, "count": s.count, "area_mm2": s.area_mm2, "xyz": s.place}
        for s in taken
    ]
    cut = any(step["code"] == "top-cut" for step in out)
    closed = f"the open top was closed along {'the plane it was cut by' if cut else 'its own edge'}"
    return [*out, {"code": "top-closed", "message": closed, "look": False, "count": 0, "area_mm2": 0.0, "xyz": None}]


def cautions_of(case: Case) -> list[str]:
    """What this limb, as the case describes it, asks for."""
    limb = case.says.limb
    out = [text for (what, word), text in _CARE.items() if getattr(limb, what) == word]
    unsaid = [what for what in _ASKED if getattr(limb, what) is None]
    if unsaid:
        out.append(f"The case does not say: {', '.join(unsaid)}. Find out before anything is fitted.")
    return out


def landmark_facts(limb: Limb) -> dict[str, Row]:
    """Every landmark in the limb frame, proximal first; absent ones last."""
    marks = sorted(limb.landmarks.values(), key=lambda m: (m.absent, 0.0 if m.absent else round(m.level_mm, 3), m.name))
    return {
        m.name: {
            "xyz": None if m.absent else m.points[0],
            "points": m.points if len(m.points) > 1 else None,
            "level_mm": m.level_mm,
            "angle_deg": m.angle_deg,
            "source": m.source,
            "uncertainty_mm": float(m.uncertainty_mm),
            "off_surface_mm": None if m.absent or m.beyond_capture else float(m.off_surface_mm),
            "absent": m.absent,
            "beyond_capture": m.beyond_capture,
            "note": m.note,
        }
        for m in marks
    }


def level_row(profile: Profile, i: int) -> Row:
    """One level of a profile."""
    return {
        "level_mm": float(profile.levels[i]),
        "circumference_mm": float(profile.circumference[i]),
        "ap_mm": float(profile.ap[i]),
        "ml_mm": float(profile.ml[i]),
        "area_mm2": float(profile.area[i]),
    }


def reference_facts(limb: Limb) -> list[Row]:
    """Girth and widths at the levels that a clinic records, proximal first."""
    levels = reference_levels(limb.mesh, limb.profile, limb.landmarks, limb.amputation, limb.end_level_mm)
    return [asdict(level) for level in levels]


def shape_facts(limb: Limb) -> Row:
    """The shape's class, and the ratio of circumferences that says so."""
    name, ratio = limb.shape_class()
    return {"class": name, "ratio": ratio}


def length_facts(limb: Limb, after_end_mm: float | None = None) -> list[Row]:
    """Lengths along the axis: from the origin, and from the joint line, the ischium or the trochanter where there
    is one, to the distal end and to the end of the bone.

    Parameters
    ----------
    limb : Limb
    after_end_mm : float, optional
        Level of the finished model's distal end; without it there is no `after_mm`.
    """
    origin = vocabulary(limb.amputation).origin
    starts = [(" and ".join(origin), 0.0, _worst(limb, origin), _unsure(limb, origin))]
    starts += [
        (name, limb.landmarks[name].level_mm, _worst(limb, (name,)), _unsure(limb, (name,)))
        for name in _STARTS
        if _there(limb, name) and name not in origin
    ]
    ends = [("distal-end", limb.end_level_mm, "computed", 0.0)]
    bone = next((name for name in _BONE_ENDS if _there(limb, name)), None)
    if bone is not None:
        ends.append((bone, limb.landmarks[bone].level_mm, _worst(limb, (bone,)), _unsure(limb, (bone,))))
    out = []
    for start, from_level, source, unsure in starts:
        for end, to_level, end_source, end_unsure in ends:
            row: Row = {"from": start, "to": end, "before_mm": to_level - from_level}
            if after_end_mm is not None:
                row["after_mm"] = after_end_mm - from_level if end == "distal-end" else None
            row["source"] = max(source, end_source, key=_TRUST.index) if end != "distal-end" else source
            row["uncertainty_mm"] = unsure + end_unsure
            out.append(row)
    return out


def _there(limb: Limb, name: str) -> bool:
    return name in limb.landmarks and not limb.landmarks[name].absent


def _worst(limb: Limb, names: tuple[str, ...]) -> str:
    sources = [limb.landmarks[name].source for name in names if name in limb.landmarks]
    return max(sources, key=_TRUST.index, default="computed")


def _unsure(limb: Limb, names: tuple[str, ...]) -> float:
    return max((limb.landmarks[name].uncertainty_mm for name in names if name in limb.landmarks), default=0.0)
