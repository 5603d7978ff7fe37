"""The facts of a change, and of a limb, as plain data: what change-report.json and `measure` hold.

Promised: every key of the published schema, always; numbers at fixed decimals (`rounding`), null where there is
nothing, never NaN; no time of day; the same inputs give the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

import rectify
from rectify.limb.measure import measure_levels
from rectify.report import of_capture as capture
from rectify.report import of_change as change
from rectify.report import of_forms as forms
from rectify.report.of_tape import MEASURES, tape_facts, tape_warnings
from rectify.report.rounding import rounded
from rectify.rulebook.plan import Warn

if TYPE_CHECKING:
    from rectify.case import Case, Standing
    from rectify.engine import Outcome
    from rectify.rulebook.plan import Plan

__all__ = ["FORMAT", "GENERAL_CAUTIONS", "change_facts", "measure_facts", "to_json"]

FORMAT = 1
GENERAL_CAUTIONS = (
    "A starting shape, for review by the licensed practitioner responsible for the limb.",
    "Fit a check socket before anything definitive, and look at the skin.",
)
_SEVERITY = ("stop", "look", "note")
_LEVEL_STEP_MM = 10.0
_TIP_MM = 1.0  # so near the end there is nothing to lay a tape round


def change_facts(case: Case, outcome: Outcome, standing: Standing) -> dict[str, Any]:
    """Everything a change report says, as plain data in the order of its schema.

    Parameters
    ----------
    case : Case
    outcome : Outcome
    standing : Standing

    Returns
    -------
    dict
        As `report_schema()` describes it.
    """
    limb, plan = outcome.limb, outcome.plan
    tape = tape_facts(case)
    facts = {
        **_head(case),
        "status": standing.status,
        "release": {"by": standing.by, "on": standing.on} if standing.status == "released" else None,
        "digest": standing.digest,
        "rulebook": _rulebook(plan),
        "version": _version(case),
        "tune": [_plain(entry) for entry in plan.tune],
        "inputs": _inputs(case),
        "scan": capture.scan_facts(case),
        "limb": capture.limb_facts(case),
        "landmarks": capture.landmark_facts(limb),
        "volume": change.volume_facts(outcome),
        "extremes": change.extreme_facts(outcome),
        "overall": change.overall_facts(outcome),
        "end": change.end_facts(outcome),
        "brim": forms.brim_facts(outcome),
        "levels": change.change_levels(outcome),
        "regions": change.region_facts(outcome),
        "lengths": capture.length_facts(limb, after_end_mm=float(-outcome.mesh.vertices[:, 2].min())),
        "dimensions": change.dimension_facts(outcome),
        "tape": tape,
        "shape": capture.shape_facts(limb),
        "capture": capture.steps(case.steps),
        "limits": change.limit_facts(outcome),
        "checks": change.check_facts(outcome),
        "warnings": _warnings(
            outcome.breaches,
            outcome.warnings,
            case.warnings(),
            tape_warnings(tape),
            _missed(outcome),
            standing.reasons,
        ),
        "cautions": [*capture.cautions_of(case), *(plan.cautions or GENERAL_CAUTIONS)],
    }
    plain: dict[str, Any] = rounded(facts)
    return plain


def measure_facts(case: Case, step_mm: float = _LEVEL_STEP_MM) -> dict[str, Any]:
    """What a limb measures as captured, as plain data: levels, widths, lengths, volume, shape, tape, landmarks.

    What will be worn over it is not added: these are the figures to hold a tape against.

    Parameters
    ----------
    case : Case
    step_mm : float
        Between levels; they are whole multiples of it.
    """
    limb = case.captured
    first = np.ceil(limb.chart.top_mm / step_mm) * step_mm
    profile = measure_levels(limb.mesh, np.arange(first, limb.end_level_mm - _TIP_MM, step_mm))
    tape = tape_facts(case)
    lengths = [
        {("length_mm" if key == "before_mm" else key): value for key, value in row.items()}
        for row in capture.length_facts(limb)
    ]
    facts = {
        **_head(case),
        "inputs": _inputs(case),
        "scan": capture.scan_facts(case),
        "limb": capture.limb_facts(case),
        "landmarks": capture.landmark_facts(limb),
        "volume": {
            "volume_ml": limb.volume_ml(),
            "plane_level_mm": limb.plane_level(),
            "model_ml": limb.model_volume_ml(),
        },
        "levels": [capture.level_row(profile, i) for i in range(len(profile.levels))],
        "references": capture.reference_facts(limb),
        "lengths": lengths,
        "tape": tape,
        "shape": capture.shape_facts(limb),
        "capture": capture.steps(case.scan.steps),
        "frame": limb.frame,
        "warnings": _warnings(case.warnings(), tape_warnings(tape)),
        "cautions": [*capture.cautions_of(case), *GENERAL_CAUTIONS],
    }
    plain: dict[str, Any] = rounded(facts)
    return plain


def to_json(facts: dict[str, Any]) -> bytes:
    """Facts as they are written: UTF-8, keys in their order, one space of indent, a newline at the end.

    Raises
    ------
    ValueError
        Where a number is NaN or infinite: JSON has no such number.
    """
    return (json.dumps(facts, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode()


def _head(case: Case) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "program": {"name": "rectify", "version": rectify.__version__},
        "case": case.code,
        "side": case.side,
        "amputation": case.amputation,
    }


def _rulebook(plan: Plan) -> dict[str, Any]:
    return {
        "name": plan.rulebook_name,
        "key": plan.rulebook_key,
        "revision": plan.revision,
        "status": plan.status,
        "sha256": plan.rulebook_sha256,
        "conditions": list(plan.conditions),
    }


def _version(case: Case) -> dict[str, Any] | None:
    """The saved version that was laid over the case."""
    if case.saved is None:
        return None
    says = case.saved.says
    findings = [f.model_dump(exclude_none=True) for f in says.findings]
    return {
        "number": case.saved.number,
        "from": says.from_,
        "by": says.by,
        "on": says.on,
        "why": says.why,
        "landmarks": sorted(case.saved.landmarks),
        "findings": findings,
    }


def _inputs(case: Case) -> list[dict[str, str]]:
    return [{"role": item.role, "file": item.file, "sha256": item.sha256} for item in case.inputs]


def _missed(outcome: Outcome) -> list[Warn]:
    out = []
    for i, d in enumerate(outcome.dimensions):
        if d.met is False and d.target_mm is not None:
            what = f"{MEASURES[d.measure]} at {d.at} is {d.after_mm:.0f} mm"
            wanted = f"{d.target_mm:.0f} mm within {d.within_mm:g} mm was wanted"
            text = "; ".join(part for part in (what, wanted, d.reason) if part)
            out.append(Warn("dimension-missed", "look", text, f"dimensions[{i}]"))
    return out


def _warnings(*groups: Iterable[Warn]) -> list[dict[str, str]]:
    """Each once, the gravest first, otherwise in the order they came up."""
    once = dict.fromkeys(warn for group in groups for warn in group)
    return [
        {"code": w.code, "severity": w.severity, "message": w.message, "where": w.where}
        for w in sorted(once, key=lambda w: _SEVERITY.index(w.severity))
    ]


def _plain(value: object) -> Any:
    """What somebody wrote, in types that JSON has."""
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return value if isinstance(value, str | int | float | bool | None) else str(value)
