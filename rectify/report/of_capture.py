"""What is reported of a captured limb itself: how it was captured, landmarks, levels, lengths, tape.

Shared by the change report and by `measure`. Everything comes from the limb room; what is done here is choosing,
naming and comparing.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from rectify.case.wear import thickness, worn_of
from rectify.limb.measure import Profile, measure_levels
from rectify.limb.vocabulary import vocabulary
from rectify.rulebook.plan import Warn

if TYPE_CHECKING:
    from rectify.capture import Step
    from rectify.case import Case
    from rectify.limb.limb import Limb

__all__ = [
    "MEASURES",
    "TAPE_ACCEPTED_MM",
    "TAPE_ACCEPTED_SHARE",
    "cautions_of",
    "landmark_facts",
    "length_facts",
    "level_row",
    "limb_facts",
    "scan_facts",
    "shape_facts",
    "steps",
    "tape_facts",
    "tape_warnings",
]

Row = dict[str, Any]
MEASURES = {"circumference": "circumference", "ap": "AP", "ml": "ML"}

# How far a capture may lie from the tape before somebody should look: 5 mm, the typical difference between hand and
# digital measures of limb models (Geil MD 2007, J Rehabil Res Dev 44(4):515-524), or 3 %, where that is more: one
# observer's own repeats with a tape on a leg scatter by 3.3 % (te Slaa A et al. 2011, Phlebology 26(1):14-19).
# Workshops accept 3 to 5 mm (common practice, no source); held to that, good captures would be questioned daily.
TAPE_ACCEPTED_MM = 5.0
TAPE_ACCEPTED_SHARE = 0.03
_ONE_WAY_LEAST = 3  # circumferences that all differ in one direction, before that is worth a note
_ONE_WAY_MM = 2.0

_BONE_ENDS = ("tibia-end", "distal-tibia", "distal-femur", "distal-humerus", "distal-radius", "distal-ulna")
_STARTS = ("medial-joint-line", "ischial-tuberosity", "greater-trochanter")
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
        if _there(limb, name)
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


# -- tape ------------------------------------------------------------------------------------------


def tape_facts(case: Case) -> list[Row]:
    """Hand measurements beside what the capture measures at the same level.

    Where tape and capture lie on different layers (the tape on the skin, the scan over a liner) the layers between
    them are taken off the capture's value: 2 pi times their thickness off a circumference, twice off a width. That
    is exact for a convex section with an even layer (outer parallel curve, Steiner).
    """
    limb, tape = case.captured, case.says.tape
    if not tape:
        return []
    levels = np.array([_tape_level(limb, t.at, t.offset_mm) for t in tape])
    wanted, index = np.unique(levels, return_inverse=True)
    profile = measure_levels(limb.mesh, wanted)
    captured = [float(getattr(profile, t.measure)[i]) for t, i in zip(tape, index, strict=True)]
    return [_tape_row(case, t, float(z), found) for t, z, found in zip(tape, levels, captured, strict=True)]


def _tape_level(limb: Limb, at: str, offset: float) -> float:
    mark = limb.landmarks.get(at)
    if mark is None or mark.absent:
        return float("inf")
    return mark.level_mm + offset


def _tape_row(case: Case, tape: Any, level: float, captured: float) -> Row:
    between = _between(case, tape.over)
    captured -= between * (2 * np.pi if tape.measure == "circumference" else 2.0)
    value = float(tape.value.value)
    accepted = max(TAPE_ACCEPTED_MM, TAPE_ACCEPTED_SHARE * value)
    pressed = tape.tension == "tight" and tape.measure != "circumference"  # a capture was not
    compared = bool(np.isfinite(captured)) and not pressed and not case.says.scan.was_rectified
    return {
        "measure": tape.measure,
        "at": tape.at,
        "distal_mm": float(tape.offset_mm),
        "level_mm": level,
        "over": tape.over,
        "tension": tape.tension,
        "tape_mm": value,
        "capture_mm": captured,
        "layers_off_mm": between,
        "difference_mm": captured - value,
        "accepted_mm": accepted,
        "agrees": bool(abs(captured - value) <= accepted) if compared else None,
    }


def _between(case: Case, over: str) -> float:
    """Thickness between what the tape lay on and the captured surface, mm."""
    layers = case.says.scan.between
    under = [layer for layer in layers if over == "liner" and "liner" in layer.kind]
    return float(sum(map(thickness, layers)) - sum(map(thickness, under)))


def tape_warnings(rows: list[Row]) -> list[Warn]:
    """Where the tape disagrees, and where it lies all one way."""
    out = []
    for i, row in enumerate(rows):
        place = row["at"] + (f" {row['distal_mm']:+.0f} mm" if row["distal_mm"] else "")
        what = f"{MEASURES[row['measure']]} at {place}"
        if row["agrees"] is None:
            closed = np.isfinite(row["capture_mm"])
            why = "the calliper was pressed, the capture was not" if closed else "the capture is not closed there"
            out.append(Warn("tape-not-compared", "note", f"{what}: {why}", f"tape[{i}]"))
        elif not row["agrees"]:
            message = (
                f"{what}: the tape says {row['tape_mm']:.0f} mm, the capture {row['capture_mm']:.0f} mm; "
                f"up to {row['accepted_mm']:.0f} mm is accepted"
            )
            out.append(Warn("tape-disagrees", "look", message, f"tape[{i}]"))
    girths = [r["difference_mm"] for r in rows if r["measure"] == "circumference" and r["agrees"] is not None]
    if len(girths) >= _ONE_WAY_LEAST and (min(girths) > _ONE_WAY_MM or max(girths) < -_ONE_WAY_MM):
        way = "larger" if girths[0] > 0 else "smaller"
        message = (
            f"all {len(girths)} circumferences of the capture are {way} than the tape's, by "
            f"{abs(float(np.mean(girths))):.1f} mm on average: tension, a layer, or the scale?"
        )
        out.append(Warn("tape-one-way", "note", message, "tape"))
    return out
