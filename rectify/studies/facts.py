"""The facts of a comparison as plain data: what comparison.json holds, in the order of its schema."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

import rectify
from rectify.report.rounding import rounded
from rectify.rulebook.compare import spread
from rectify.rulebook.plan import Warn
from rectify.studies.align import Alignment
from rectify.studies.difference import Patch, Spread, Volumes, spread_of
from rectify.studies.plans import plan_differences
from rectify.studies.regions import Laid
from rectify.studies.reports import side_by_side
from rectify.studies.scale import CITATIONS, beside
from rectify.studies.shapes import Shapes
from rectify.studies.version import Version

__all__ = ["FORMAT", "comparison_facts"]

FORMAT = 1
_REACHES = 0.1  # of a place: a region that has less of it is not named
_NEAR_MM = (0.25, 1.0, 2.0)


def comparison_facts(one: Version, two: Version, shapes: Shapes | None, notes: list[Warn]) -> dict[str, Any]:
    """Everything a comparison says, as `comparison_schema()` describes it."""
    both = one.report is not None and two.report is not None
    plans = [v.plan for v in (one, two)]
    changed = None
    if plans[0] is not None and plans[1] is not None and plans[0].amputation == plans[1].amputation:
        limb = shapes.limb if shapes is not None and shapes.anatomical else None
        changed = plan_differences(plans[0], plans[1], limb)
    facts = {
        "format": FORMAT,
        "program": {"name": "rectify", "version": rectify.__version__},
        "before": _version(one),
        "after": _version(two),
        "shapes": None if shapes is None else _shape_facts(shapes),
        "plans": changed,
        "reports": side_by_side(one.report, two.report) if both and one.report and two.report else None,
        "citations": CITATIONS,
        "warnings": [
            {"code": w.code, "severity": w.severity, "message": w.message, "where": w.where}
            for w in sorted(dict.fromkeys(notes), key=lambda w: ("stop", "look", "note").index(w.severity))
        ],
    }
    plain: dict[str, Any] = rounded(facts)
    return plain


def _version(v: Version) -> dict[str, Any]:
    report = v.report or {}
    return {
        "kind": v.kind,
        "name": Path(v.path).name or v.path,
        "case": v.code,
        "side": v.side,
        "amputation": v.amputation,
        "status": report.get("status"),
        "rulebook": report.get("rulebook", {}).get("key"),
        "scan_sha256": v.scan_sha256,
        "faces": 0 if v.wall is None else len(v.wall.faces),
        "files": [{"file": name, "sha256": digest} for name, digest in v.files],
    }


def _shape_facts(s: Shapes) -> dict[str, Any]:
    d = s.difference
    whole = spread_of(d, s.counted)
    inside = np.zeros(len(d.outward), dtype=bool)
    for laid in s.regions:
        inside |= laid.has
    rest = spread_of(d, ~inside & s.counted) if s.regions and not inside.all() else None
    before_ml = s.volumes.before_ml if s.volumes.before_ml > 0 else float("nan")
    percent = 100.0 * (s.volumes.after_ml / before_ml - 1.0)
    trimmed_percent = 100.0 * whole.volume_ml / before_ml
    return {
        "frame": {
            "anatomical": s.anatomical,
            "origin": s.origin,
            "side": s.limb.side if s.limb is not None and s.anatomical else None,
            "counted": "what lies below the trimline" if s.trimmed else "all of BEFORE",
            "before_frame": s.before_frame,
            "after_frame": s.after_frame,
        },
        "alignment": _alignment(s.alignment),
        "distance": {**_spread(whole), **_near(s), "largest_out": _extreme(s, 1.0), "largest_in": _extreme(s, -1.0)},
        "above_trimline": _spread(spread_of(d, ~s.counted)) if s.trimmed else None,
        "volume": {
            "before_ml": s.volumes.before_ml,
            "after_ml": s.volumes.after_ml,
            "change_ml": s.volumes.after_ml - s.volumes.before_ml,
            "change_percent": percent,
            "plane_level_mm": s.volumes.plane_level_mm,
            "below_trimline_ml": whole.volume_ml if s.trimmed else None,
            "below_trimline_percent": trimmed_percent if s.trimmed else None,
        },
        "levels": _levels(s.volumes),
        "regions": {laid.region.name: _region(laid) for laid in s.regions},
        "outside_regions": None if rest is None else _spread(rest),
        "places": [_place(s, patch) for patch in s.patches],
        "beside": [
            {
                "figure": b.figure,
                "value": _shown(b.value) if b.signed else f"{b.value:.2f}",
                "unit": b.unit,
                "mark": f"{b.mark:g}",
                "says": b.says,
                "evidence": b.evidence,
            }
            for b in beside(whole.mean_mm, whole.quartiles_mm, trimmed_percent if s.trimmed else percent, _most(s))
        ],
    }


def _shown(value: float) -> str:
    """To hundredths, by way of the thousandths that the facts keep, so that text and tables agree."""
    return f"{round(value, 3) + 0.0:+.2f}"


def _alignment(a: Alignment) -> dict[str, Any]:
    return {
        "method": a.method,
        "why": a.why,
        "turned_deg": a.turned_deg,
        "shifted_mm": a.shifted_mm,
        "after_to_before_frame": a.frame,
        "landmarks": [{"name": name, "off_mm": off} for name, off in a.marks],
        "landmarks_rms_mm": a.marks_rms_mm,
        "kept_rms_mm": a.kept_rms_mm,
        "half_within_mm": a.half_within_mm,
        "mirror_rms_mm": a.mirror_rms_mm,
        "room_along_mm": None if a.room is None else a.room.along_mm,
        "room_turn_deg": None if a.room is None else a.room.turn_deg,
    }


def _spread(x: Spread) -> dict[str, Any]:
    return {
        "mean_mm": x.mean_mm,
        "median_mm": x.median_mm,
        "p5_mm": x.p5_mm,
        "p95_mm": x.p95_mm,
        "quartiles_mm": x.quartiles_mm,
        "mean_size_mm": x.mean_size_mm,
        "area_mm2": x.area_mm2,
        "compared_percent": x.compared_percent,
        "volume_ml": x.volume_ml,
    }


def _near(s: Shapes) -> dict[str, float]:
    """How much of what counts lies within a quarter, one and two mm."""
    d = s.difference
    use = d.compared & s.counted
    area, away = d.areas[use], np.abs(d.outward[use])
    total = max(float(area.sum()), 1e-12)
    words = ("quarter", "one", "two")
    return {
        f"within_{w}_percent": 100.0 * float(area[away <= mm].sum()) / total
        for w, mm in zip(words, _NEAR_MM, strict=True)
    }


def _where(s: Shapes, vertex: int) -> dict[str, Any]:
    x, y, z = s.difference.before.vertices[vertex]
    side = -1.0 if s.limb is not None and s.limb.side == "left" else 1.0
    names = [laid.region.name for laid in s.regions if laid.has[vertex]]
    return {"level_mm": float(-z), "angle_deg": float(np.degrees(np.arctan2(side * x, y))), "regions": names}


def _extreme(s: Shapes, sign: float) -> dict[str, Any] | None:
    away = sign * np.where(s.difference.compared & s.counted, s.difference.outward, 0.0)
    i = int(np.argmax(away))
    return {"amount_mm": float(sign * away[i]), **_where(s, i)} if away[i] > 0 else None


def _place(s: Shapes, patch: Patch) -> dict[str, Any]:
    return {
        "peak_mm": patch.peak_mm,
        "mean_mm": patch.mean_mm,
        "area_mm2": patch.area_mm2,
        "volume_ml": patch.volume_ml,
        **_where(s, patch.peak),
        "regions": [laid.region.name for laid in s.regions if _share(s, patch, laid) >= _REACHES],
    }


def _share(s: Shapes, patch: Patch, laid: Laid) -> float:
    """How much of a place lies in a region."""
    area = s.difference.areas
    return float(area[patch.vertices & laid.has].sum() / area[patch.vertices].sum())


def _region(laid: Laid) -> dict[str, Any]:
    spot = laid.region.anchor.spot
    mm = laid.core_mm if np.isfinite(laid.core_mm) else laid.whole.median_mm
    return {
        "action": laid.region.action,
        "core_mm": laid.core_mm,
        **_spread(laid.whole),
        "level_mm": float(spot.station_mm),
        "angle_deg": float(spot.angle_deg),
        "beside": spread(mm) if np.isfinite(mm) else "",
    }


def _most(s: Shapes) -> float | None:
    """The signed figure of what differs most: of the regions their core or median, of places their mean."""
    found = [x.core_mm if np.isfinite(x.core_mm) else x.whole.median_mm for x in s.regions]
    found += [patch.mean_mm for patch in s.patches]
    found = [x for x in found if np.isfinite(x)]
    return max(found, key=abs) if found else None


def _levels(v: Volumes) -> list[dict[str, Any]]:
    out = []
    for i, level in enumerate(v.before.levels):
        row: dict[str, Any] = {"level_mm": float(level)}
        for name, ending in (("circumference", "mm"), ("ap", "mm"), ("ml", "mm"), ("area", "mm2")):
            for word, profile in (("before", v.before), ("after", v.after)):
                row[f"{name}_{word}_{ending}"] = float(getattr(profile, name)[i])
        row["change_percent"] = 100.0 * (row["circumference_after_mm"] / row["circumference_before_mm"] - 1.0)
        out.append(row)
    return out
