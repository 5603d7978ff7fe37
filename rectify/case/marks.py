"""The pencil marks of a case as a table, and as a landmarks file."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from rectify.case.case import Case
from rectify.errors import CaseError, OutputError
from rectify.limb.landmarks import RawLandmark
from rectify.marks import SURE, MarkReading, marks_as_landmarks

__all__ = ["mark_facts", "write_landmarks"]

_HEAD = """\
# Landmarks, in the scan's own units and axes. The case's own, and the pencil marks whose names are sure.
# Look at each before it is relied on; `name: absent` says that a limb has no such place.
"""


def mark_facts(case: Case) -> dict[str, Any]:
    """Every place that may carry a name, with what it may be.

    Raises
    ------
    CaseError
        If the case does not say that its scan carries marks.
    """
    reading = _reading(case)
    rows = []
    for proposal in reading.proposals:
        mark = reading.marks[proposal.mark]
        sure = proposal.name is not None and proposal.confidence >= SURE
        taken = "given already" if proposal.given else "taken" if sure else "for a person to name"
        rows.append(
            {
                "kind": mark.kind,
                "level_mm": _finite(mark.level_mm),
                "angle_deg": _finite(mark.angle_deg),
                "size_mm": round(mark.size_mm, 1),
                "xyz": [round(float(x), 2) for x in mark.place],
                "name": proposal.name,
                "confidence": round(proposal.confidence, 3),
                "alternatives": [{"name": n, "confidence": round(c, 3)} for n, c in proposal.alternatives],
                "taken": taken,
            }
        )
    return {"case": case.code, "marks": rows, "notes": list(reading.notes)}


def write_landmarks(case: Case, path: Path) -> None:
    """Write the case's landmarks and the sure marks to a new file, in the scan's own units.

    Raises
    ------
    OutputError
        If the file exists, or cannot be written.
    """
    sure = marks_as_landmarks(_reading(case))
    lines = [f"{name}: {_place(raw, case.mm)}\n" for name, raw in case.raw_landmarks.items()]
    lines += [
        f"{name}: {_place(raw, case.mm)}  # from a pencil mark\n"
        for name, raw in sure.items()
        if name not in case.raw_landmarks
    ]
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(_HEAD + "".join(lines))
    except FileExistsError as problem:
        raise OutputError("exists already", path=path, hint="give another name; nothing is written over") from problem
    except OSError as problem:
        raise OutputError("cannot be written", path=path, found=problem.strerror or str(problem)) from problem


def _reading(case: Case) -> MarkReading:
    if case.reading is None:
        raise CaseError(
            "does not say that the scan carries pencil marks",
            path=case.document.path,
            key="scan.marks",
            wanted="scan: {marks: {colour: blue-violet}}",
        )
    return case.reading


def _place(raw: RawLandmark, mm: float) -> str:
    if raw.absent:
        return "absent"
    points = ["[" + ", ".join(f"{x / mm:.4f}" for x in point) + "]" for point in raw.points]
    text = points[0] if len(points) == 1 else "[" + ", ".join(points) + "]"
    return f"{{xyz: {text}, beyond-capture: yes}}" if raw.beyond_capture else text


def _finite(value: float) -> float | None:
    return round(value, 1) if math.isfinite(value) else None
