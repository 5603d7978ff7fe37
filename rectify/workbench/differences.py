"""Two versions of one case side by side, in words and mm: what was asked, what was achieved, and what it changes."""

from __future__ import annotations

from typing import Any

import numpy as np

from rectify.api import Result
from rectify.workbench.session import Made

__all__ = ["differences"]

_SEEN_MM = 0.05  # less is not shown as a difference


def differences(a: Made, b: Made) -> dict[str, Any]:
    """What differs from version a to version b.

    Returns
    -------
    dict
        `regions`: name, asked and achieved of either, mm (None where a region is not there); `volume`; `levels`:
        circumference after, of either, mm, where they differ; `apart`: between the two surfaces, mm: the largest, the
        mean, the level and angle of the largest; None where landmarks moved and the two frames are not the same.
    """
    assert a.result is not None and b.result is not None
    one, two = a.result.report, b.result.report
    names = list(dict.fromkeys((*one["regions"], *two["regions"])))
    rows = [_region(name, one["regions"].get(name), two["regions"].get(name)) for name in names]
    levels = {row["level_mm"]: row["circumference_after_mm"] for row in one["levels"]}
    return {
        "regions": [row for row in rows if row["differs"]],
        "same_regions": sum(not row["differs"] for row in rows),
        "volume": {
            "a_ml": one["volume"]["after_ml"],
            "b_ml": two["volume"]["after_ml"],
            "change_ml": round(two["volume"]["after_ml"] - one["volume"]["after_ml"], 2),
        },
        "levels": [
            {"level_mm": row["level_mm"], "a_mm": levels[row["level_mm"]], "b_mm": row["circumference_after_mm"]}
            for row in two["levels"]
            if levels.get(row["level_mm"]) is not None
            and row["circumference_after_mm"] is not None
            and abs(levels[row["level_mm"]] - row["circumference_after_mm"]) >= 2 * _SEEN_MM
        ],
        "apart": _apart(a.result, b.result),
    }


def _region(name: str, one: dict[str, Any] | None, two: dict[str, Any] | None) -> dict[str, Any]:
    def said(facts: dict[str, Any] | None, key: str) -> Any:
        return None if facts is None else facts[key]

    keys = ("asked_mm", "achieved_mm", "area_mm2", "volume_ml")
    row = {
        "name": name,
        **{f"{key}_{which}": said(facts, key) for key in keys for which, facts in (("a", one), ("b", two))},
    }
    row["differs"] = any(row[f"{key}_a"] != row[f"{key}_b"] for key in keys)
    return row


def _apart(a: Result, b: Result) -> dict[str, Any] | None:
    """Along the captured surface's normals; the same limb, so vertex for vertex."""
    one, two = a.outcome, b.outcome
    if one.limb.mesh.vertices.shape != two.limb.mesh.vertices.shape or not np.array_equal(
        one.limb.frame, two.limb.frame
    ):
        return None
    move = two.move - one.move
    most = int(np.argmax(np.abs(move)))
    station, angle = one.limb.chart.locate(one.limb.mesh.vertices[[most]])
    return {
        "largest_mm": round(float(move[most]), 2),
        "mean_mm": round(float(np.abs(move).mean()), 3),
        "level_mm": round(float(station[0])),
        "angle_deg": round(float(angle[0]) % 360.0),
        "moved_share": round(float((np.abs(move) > _SEEN_MM).mean()), 3),
    }
