"""Two plans of one limb side by side, in the words that `rectify rules diff` uses for rulebooks."""

from __future__ import annotations

from typing import Any

from rectify.limb.limb import Limb
from rectify.rulebook.compare import compare_plans, spread
from rectify.rulebook.places import Places
from rectify.rulebook.plan import Plan

__all__ = ["plan_differences"]


def plan_differences(before: Plan, after: Plan, limb: Limb | None = None) -> dict[str, Any]:
    """Where two plans differ: regions with every difference in words, the overall reduction, the rest; moves round the
    limb in mm where there is one."""
    found = compare_plans(before, after, None if limb is None else Places(limb))
    return {
        "regions": [
            {
                "name": region.name,
                "before_mm": region.first_mm,
                "after_mm": region.second_mm,
                "change_mm": region.change_mm,
                "beside": spread(region.change_mm),
                "differences": [_words(d) for d in region.differences],
            }
            for region in found.regions
        ],
        "alike": list(found.alike),
        "overall": [_words(d) for d in found.overall],
        "rest": [_words(d) for d in found.rest],
    }


def _words(difference: Any) -> dict[str, str]:
    return {"what": difference.what, "before": difference.first, "after": difference.second, "by": difference.by}
