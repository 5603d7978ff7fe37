"""What a page is told of the session, as plain data: controls, landmarks, versions, and what the engine found."""

from __future__ import annotations

from typing import Any

from rectify.case.version import Saved
from rectify.errors import Faults, RectifyError
from rectify.limb.vocabulary import vocabulary
from rectify.rulebook.plan import Oval, Plan, RegionPlan, Strip
from rectify.workbench.changes import plain
from rectify.workbench.session import Made, Session, State, Tried

__all__ = ["fault_view", "made_view", "state_view"]


def state_view(session: Session) -> dict[str, Any]:
    """All that the page shows but the shape itself."""
    tried = session.tried()
    made = session.made()
    case = tried.case
    left = session.left_over
    return {
        "revision": session.revision,
        "case": case.code,
        "side": case.side,
        "amputation": case.amputation,
        "rulebook": {
            "name": tried.plan.rulebook_name,
            "revision": tried.plan.revision,
            "status": tried.plan.status,
            "cautions": list(tried.plan.cautions),
        },
        "base": tried.state.base,
        "overlay": plain(tried.state.overlay),
        "can": session.can,
        "by": session.by,
        "left_over": None if left is None else {"base": left.base, "changes": _counted(left)},
        "versions": [version_view(saved) for saved in session.versions()],
        "chart": {"centre_mm": tried.limb.chart.centre_mm, "centre_radius_mm": tried.limb.chart.centre_radius_mm},
        "regions": _regions(session, tried),
        "overall": _overall(session, tried),
        "end": _end(tried.plan),
        "landmarks": _landmarks(tried),
        "names": _names(tried),
        "warnings": [
            {"code": w.code, "severity": w.severity, "message": w.message, "where": w.where}
            for w in tried.plan.warnings
        ],
        "made": made is not None,
        "problem": fault_view(made.problem) if made is not None and made.problem is not None else None,
    }


def version_view(saved: Saved) -> dict[str, Any]:
    """One saved version."""
    says = saved.says
    return {
        "number": saved.number,
        "from": says.from_,
        "by": says.by,
        "on": says.on,
        "why": says.why,
        "changes": sum(map(_changes_of, saved.tune)) + len(saved.landmarks),
        "findings": [f.model_dump(exclude_none=True) for f in says.findings],
    }


def _changes_of(entry: Any) -> int:
    said = entry if isinstance(entry, dict) else {}
    return len(said.get("regions") or {}) + sum(key in said for key in ("end", "overall", "brim"))


def made_view(made: Made) -> dict[str, Any]:
    """What the engine found, in the change report's words."""
    if made.result is None:
        return {"problem": fault_view(made.problem) if made.problem else None}
    report = made.result.report
    keys = ("status", "volume", "extremes", "regions", "overall", "end", "levels", "warnings", "checks", "dimensions")
    return {
        "problem": None,
        **{key: report[key] for key in keys},
        "breaches": [breach.message for breach in made.result.outcome.breaches],
    }


def fault_view(problem: RectifyError) -> list[dict[str, Any]]:
    """A fault, or all of several, field by field."""
    many = problem.errors if isinstance(problem, Faults) else (problem,)
    return [one.as_dict() for one in many]


def _counted(state: State) -> int:
    overlay = state.overlay
    many = len(overlay.regions) + len(overlay.drawn) + len(overlay.landmarks) + len(overlay.findings)
    return many + (overlay.overall is not None) + (overlay.end is not None)


def _regions(session: Session, tried: Tried) -> list[dict[str, Any]]:
    """Those of the plan in its order, and those that were left out, so that they can come back."""
    now = {region.name: region for region in tried.plan.regions}
    before = {region.name: region for region in session.base().plan.regions}
    names = list(dict.fromkeys((*before, *now)))
    return [_region(now.get(name, before.get(name)), before.get(name), on=name in now) for name in names]  # type: ignore[arg-type]


def _region(region: RegionPlan, before: RegionPlan | None, *, on: bool) -> dict[str, Any]:
    base = before or region
    return {
        "name": region.name,
        "action": region.action,
        "on": on,
        "amount_mm": region.asked_mm,
        "base_mm": base.asked_mm,
        "rulebook_mm": region.rulebook_mm,
        "allow_mm": region.allow_mm,
        "feather_mm": region.feather_mm,
        "base_feather_mm": base.feather_mm,
        "shape": _shape(region),
        "base_shape": _shape(base),
        "profile": region.profile,
        "from": region.measured_from,
        "anchor": {
            "level_mm": region.anchor.spot.station_mm,
            "angle_deg": region.anchor.spot.angle_deg % 360.0,
            "landmark": region.anchor.landmark,
            "source": region.anchor.source,
            "uncertainty_mm": region.anchor.uncertainty_mm,
        },
        "why": region.why,
        "evidence": region.evidence,
        "tuned": [
            {"by": t.by, "on": t.on, "why": t.why, "text": t.text, "beyond_allow": t.beyond_allow} for t in region.tuned
        ],
    }


def _shape(region: RegionPlan) -> dict[str, Any]:
    shape = region.shape
    if isinstance(shape, Oval):
        return {"kind": "oval", "along_mm": shape.along_mm, "around_mm": shape.around_mm}
    if isinstance(shape, Strip):
        return {"kind": "strip", "width_mm": max(shape.widths_mm)}
    return {"kind": type(shape).__name__.lower()}


def _overall(session: Session, tried: Tried) -> dict[str, Any] | None:
    overall = tried.plan.overall
    if overall is None:
        return None
    base = session.base().plan.overall
    before = base.rows if base is not None else overall.rows
    return {
        "basis": overall.basis,
        "holds": overall.holds,
        "rows": [
            {
                "level_mm": row.level_mm,
                "at": old.at_text,
                "percent": row.percent,
                "base_percent": old.percent,
                "allow": allow,
            }
            for row, old, allow in zip(overall.rows, before, session.row_allow(), strict=False)
        ],
    }


def _end(plan: Plan) -> dict[str, Any] | None:
    end = plan.end
    if end is None:
        return None
    return {
        "kind": end.kind,
        "amount_mm": end.amount_mm,
        "rulebook_mm": end.rulebook_mm,
        "from_level_mm": end.from_level_mm,
    }


def _landmarks(tried: Tried) -> list[dict[str, Any]]:
    words = vocabulary(tried.case.amputation)
    marks = sorted(tried.limb.landmarks.values(), key=lambda mark: (words.rank(mark.name), mark.name))
    return [
        {
            "name": mark.name,
            "source": mark.source,
            "absent": mark.absent,
            "uncertainty_mm": mark.uncertainty_mm,
            "level_mm": None if mark.absent else mark.level_mm,
            "angle_deg": None if mark.absent else mark.angle_deg,
            "points": [] if mark.absent else [[round(float(v), 3) for v in point] for point in mark.points],
            "needed": mark.name in words.needed,
        }
        for mark in marks
    ]


def _names(tried: Tried) -> list[dict[str, Any]]:
    """The landmarks that there are on such a limb, and where each lies, in words."""
    words = vocabulary(tried.case.amputation)
    ordered = sorted(words.names.values(), key=lambda name: (words.rank(name.name), name.name))
    return [{"name": n.name, "says": n.says, "line": n.line, "needed": n.name in words.needed} for n in ordered]
