"""What is reported of the change: regions, overall rows, end, volume, levels, dimensions, limits, checks.

Figures are the engine's.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from rectify.engine.guard import slopes
from rectify.limb.measure import measure_levels
from rectify.report.of_forms import form_facts
from rectify.rulebook.describe import both_bases

if TYPE_CHECKING:
    from rectify.engine import Outcome
    from rectify.engine.achieved import RegionOutcome
    from rectify.rulebook.plan import Spare, Tuned

__all__ = [
    "change_levels",
    "check_facts",
    "dimension_facts",
    "end_facts",
    "extreme_facts",
    "limit_facts",
    "overall_facts",
    "region_facts",
    "volume_facts",
]

_SAME_MM = 1e-6  # moves so nearly the same are told at the first vertex, whatever rounding says

Row = dict[str, Any]
_Span = tuple[float | None, float | None]


def volume_facts(outcome: Outcome) -> Row:
    """Volumes below one plane, of the whole closed body, and inside the socket."""
    v, inside = outcome.volumes, outcome.inside
    return {
        "before_ml": v.before_ml,
        "after_ml": v.after_ml,
        "change_ml": v.change_ml,
        "change_percent": v.change_percent,
        "plane_level_mm": v.plane_level_mm,
        "model_before_ml": v.model_before_ml,
        "model_after_ml": v.model_after_ml,
        "brim_ml": v.brim_ml,
        "inside_socket": None
        if inside is None
        else {
            "plane_level_mm": inside.plane_level_mm,
            "before_ml": inside.before_ml,
            "after_ml": inside.after_ml,
            "end_ml": inside.end_ml,
            "change_percent": inside.change_percent,
            "change_without_end_percent": inside.change_without_end_percent,
        },
    }


def extreme_facts(outcome: Outcome) -> Row:
    """The highest build-up and the deepest reduction from the captured surface: how much, where, by what; the brim's
    seat, raised wall and flare left out."""
    return {"build_up": _extreme(outcome, 1.0), "reduction": _extreme(outcome, -1.0)}


def _extreme(outcome: Outcome, sign: float) -> Row | None:
    shift = outcome.unbrimmed.vertices - outcome.limb.mesh.vertices
    move = sign * np.einsum("ij,ij->i", shift, outcome.asked.places.normals)
    i = int(np.argmax(move >= move.max() - _SAME_MM))
    if move[i] <= 0:
        return None
    weight, wanted = outcome.asked.weight[:, i], "build-up" if sign > 0 else "reduce"
    own = [
        (w, region.name)
        for w, region in zip(weight, outcome.plan.regions, strict=True)
        if (region.action == wanted or region.forms) and w > 0
    ]
    base = float(np.linalg.norm(outcome.asked.shift[i]))
    return {
        "amount_mm": float(move[i]),
        "level_mm": float(-outcome.limb.mesh.vertices[i, 2]),
        "angle_deg": float(outcome.asked.places.angles[i] % 360.0),
        "region": max(own)[1] if own else None,
        "overall_and_end_mm": base,
    }


# -- overall and end -------------------------------------------------------------------------------


def overall_facts(outcome: Outcome) -> Row | None:
    """The overall reduction, row by row, both ways of counting, and what came of it."""
    overall = outcome.plan.overall
    if overall is None:
        return None
    levels = np.unique([row.level_mm for row in overall.rows])
    finished = overall.holds == "finished"
    asked = outcome.asked
    # before regions, and before walls are formed; of the finished model, what forms the brim is not counted
    surface = outcome.unbrimmed if finished else outcome.limb.mesh.with_vertices(asked.base - asked.form)
    before, after = measure_levels(outcome.limb.mesh, levels), measure_levels(surface, levels)
    was, now = (p.circumference if overall.basis == "circumference" else p.area for p in (before, after))
    end = outcome.plan.end
    stretched = float("inf") if end is None or finished else end.from_level_mm
    rows = []
    for row in overall.rows:
        i = int(np.searchsorted(levels, row.level_mm))
        girth, volume = both_bases(row.percent, overall.basis)
        got = 100.0 * (1.0 - now[i] / was[i]) if row.level_mm <= stretched else float("nan")
        rows.append(
            {
                "at": row.at_text,
                "level_mm": float(row.level_mm),
                "asked_percent": float(row.percent),
                "achieved_percent": float(got),
                "circumference_percent": girth,
                "volume_percent": volume,
            }
        )
    return {
        "basis": overall.basis,
        "holds": overall.holds,
        "fade_mm": float(overall.fade_mm),
        "spare": [_spared(s) for s in overall.spare],
        "spare_fade_mm": float(overall.spare_fade_mm),
        "rows": rows,
    }


def _spared(spare: Spare) -> str:
    """What is spared, in words."""
    parts = [spare.landmark] if spare.landmark else []
    if spare.stations_mm is not None:
        parts.append(f"levels {spare.stations_mm[0]:.0f} to {spare.stations_mm[1]:.0f} mm")
    if spare.angles_deg is not None:
        parts.append(f"angles {spare.angles_deg[0] % 360:.0f} to {spare.angles_deg[1] % 360:.0f} degrees")
    if not parts and spare.spots:
        parts.append(f"level {spare.spots[0].station_mm:.0f} mm, {spare.spots[0].angle_deg % 360:.0f} degrees")
    return ", ".join(parts)


def end_facts(outcome: Outcome) -> Row | None:
    """What was done to the distal end."""
    end = outcome.plan.end
    if end is None:
        return None
    return {
        "kind": end.kind,
        "rulebook_mm": float(end.rulebook_mm),
        "change_mm": float(end.amount_mm - end.rulebook_mm),
        "asked_mm": float(end.amount_mm),
        "achieved_mm": float(-outcome.mesh.vertices[:, 2].min()) - outcome.limb.end_level_mm,
        "from_level_mm": float(end.from_level_mm),
        "tuned_by": _tuned(end.tuned),
    }


# -- regions ---------------------------------------------------------------------------------------


def region_facts(outcome: Outcome) -> dict[str, Row]:
    """Every region in the rulebook's order."""
    return {r.region.name: _region(outcome, r, i) for i, r in enumerate(outcome.regions)}


def _region(outcome: Outcome, r: RegionOutcome, i: int) -> Row:
    region, anchor = r.region, r.region.anchor
    spot = anchor.spot
    place = outcome.limb.chart.point(np.array([spot.station_mm]), np.array([spot.angle_deg]))[0]
    return {
        "action": region.action,
        "from": region.measured_from,
        "profile": region.profile,
        "amount": region.amount_text,
        "rulebook_mm": float(region.rulebook_mm),
        "change_mm": float(region.change_mm),
        "asked_mm": float(region.asked_mm),
        "allow_mm": None if region.allow_mm is None else [float(x) for x in region.allow_mm],
        "achieved_mm": r.achieved_mm,
        "achieved_from_capture_mm": r.achieved_from_capture_mm,
        "achieved_from_reduced_mm": r.achieved_from_reduced_mm,
        "core_off_mm": float(np.abs(r.error_mm).max()) if r.core_vertices else None,
        "core_xyz": r.core_xyz,
        "core_vertices": r.core_vertices,
        "peak_mm": r.peak_mm,
        "mean_mm": r.mean_mm,
        "area_mm2": r.area_mm2,
        "volume_ml": r.volume_ml,
        "feather_mm": float(r.feather_mm),
        "feather_asked_mm": float(region.feather_mm),
        "anchor": {
            "level_mm": float(-place[2]),
            "angle_deg": float(spot.angle_deg % 360.0),
            "landmark": anchor.landmark,
            "source": anchor.source,
            "uncertainty_mm": float(anchor.uncertainty_mm),
        },
        "overlaps": list(r.overlaps),
        "backed_off": r.backed_off,
        "backed_off_at": r.lost
        and {"level_mm": r.lost.level_mm, "angle_deg": r.lost.angle_deg % 360.0, "lost_mm": r.lost.mm},
        "filled_percent": 100.0 * r.filled_share,
        "plane_off_percent": 100.0 * float(outcome.asked.weights[i].stretch),
        "tuned_by": _tuned(region.tuned),
        "why": region.why,
        "evidence": region.evidence,
        "form": form_facts(r),
        "fall": region.fall,
    }


def _tuned(entries: Iterable[Tuned]) -> list[Row]:
    return [
        {
            "by": t.by,
            "on": t.on or None,
            "after": t.after,
            "why": t.why,
            "change": t.text,
            "beyond_allow": t.beyond_allow,
        }
        for t in entries
    ]


# -- levels, dimensions, limits, checks ------------------------------------------------------------


def change_levels(outcome: Outcome) -> list[Row]:
    """Circumference, widths and what lies distal, before and after; absent where a section is open."""
    before, after = outcome.levels_before, outcome.levels_after
    was = np.where(before.closed, outcome.below_before_ml, np.nan)
    now = np.where(after.closed, outcome.below_after_ml, np.nan)
    return [
        {
            "level_mm": float(level),
            "circumference_before_mm": float(before.circumference[i]),
            "circumference_after_mm": float(after.circumference[i]),
            "change_percent": 100.0 * (float(after.circumference[i] / before.circumference[i]) - 1.0),
            "ap_before_mm": float(before.ap[i]),
            "ap_after_mm": float(after.ap[i]),
            "ml_before_mm": float(before.ml[i]),
            "ml_after_mm": float(after.ml[i]),
            "volume_before_ml": float(was[i]),
            "volume_after_ml": float(now[i]),
        }
        for i, level in enumerate(before.levels)
    ]


def dimension_facts(outcome: Outcome) -> list[Row]:
    """What the finished model should measure, and measures."""
    return [
        {
            "measure": d.measure,
            "at": d.at,
            "level_mm": float(d.level_mm),
            "target_mm": None if d.target_mm is None else float(d.target_mm),
            "within_mm": float(d.within_mm),
            "before_mm": d.before_mm,
            "after_mm": d.after_mm,
            "met": d.met,
            "by": [
                {
                    "region": region.name,
                    "rulebook_mm": float(region.rulebook_mm),
                    "solved_mm": None if region.solved_mm is None else float(region.solved_mm),
                    "asked_mm": float(region.asked_mm),
                }
                for region in d.by
            ],
            "reason": d.reason,
        }
        for d in outcome.dimensions
    ]


def limit_facts(outcome: Outcome) -> list[Row]:
    """Each limit of the rulebook, and what the result comes to."""
    limits, move = outcome.plan.limits, outcome.worked
    broken = {w.code.removeprefix("limit-") for w in outcome.breaches}
    percent = outcome.volumes.change_percent
    base, normals = outcome.asked.base, outcome.asked.normals
    height = np.einsum("ij,ij->i", outcome.guarded.vertices - base, normals)
    steepest = slopes(base, outcome.limb.mesh.faces, height)
    slope = float(np.degrees(np.arctan(steepest.max(initial=0.0))))
    rows: list[tuple[str, str, _Span | None, _Span]] = [
        ("volume", "percent", limits.volume_percent, (percent, percent)),
        ("reduction", "mm", _upto(limits.reduction_mm), (None, max(-float(move.min()), 0.0))),
        ("build-up", "mm", _upto(limits.build_up_mm), (None, max(float(move.max()), 0.0))),
        ("slope", "deg", _upto(limits.slope_deg), (None, slope)),
    ]
    for name, allowed in (
        ("ap", limits.ap_percent),
        ("ml", limits.ml_percent),
        ("circumference", limits.circumference_percent),
    ):
        rows.append((name, "percent", allowed, _range(outcome, name)))
    return [
        {
            "limit": name,
            "unit": unit,
            "least": None if allowed[0] is None else float(allowed[0]),
            "most": None if allowed[1] is None else float(allowed[1]),
            "found_least": found[0],
            "found_most": found[1],
            "held": name not in broken,
        }
        for name, unit, allowed, found in rows
        if allowed is not None
    ]


def _upto(most: float | None) -> _Span | None:
    return None if most is None else (None, float(most))


def _range(outcome: Outcome, name: str) -> _Span:
    """Over the wall, down to where it turns in: as the engine holds it."""
    was, now = getattr(outcome.levels_before, name), getattr(outcome.levels_after, name)
    there = np.isfinite(was) & np.isfinite(now) & (outcome.levels_before.levels <= outcome.limb.inflection_mm)
    if not there.any():
        return None, None
    percent = 100.0 * (now[there] / was[there] - 1.0)
    return float(percent.min()), float(percent.max())


def check_facts(outcome: Outcome) -> Row:
    """What was looked at on the finished, closed surface, and the way from the scan's axes to the limb's."""
    c = outcome.checks
    return {
        "watertight": c.watertight,
        "bodies": c.bodies,
        "self_intersections": c.self_intersections,
        "self_intersections_of_capture": c.self_intersections_of_capture,
        "flipped_faces": c.flipped_faces,
        "added_dihedral_deg": c.added_dihedral_deg,
        "backed_off": outcome.guarded.rounds > 0,
        "within_limits": not outcome.breaches,
        "frame": outcome.limb.frame,
    }
