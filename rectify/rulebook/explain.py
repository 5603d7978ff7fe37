"""Where each number of a plan comes from: what the rulebook says and in which line, what this limb and its case made of
it, what dimensions and people changed, and where the amount is said to come from.

Nothing is worked out anew: everything told here stands in the plan or in the rulebook.
"""

from __future__ import annotations

from dataclasses import dataclass

from rectify.rulebook.load import Rulebook
from rectify.rulebook.plan import Plan, RegionPlan
from rectify.rulebook.quantity import show_mm

__all__ = ["Origin", "origins"]


@dataclass(frozen=True)
class Origin:
    """The way of one region's amount, step by step, oldest first."""

    region: str
    asked_mm: float
    steps: tuple[str, ...]
    evidence: str
    file: str | None
    line: int | None


def origins(plan: Plan, book: Rulebook | None = None) -> tuple[Origin, ...]:
    """Where the amount of each region comes from, in the plan's order.

    Parameters
    ----------
    book : the rulebook the plan was resolved from, for files and lines
    """
    return tuple(_origin(plan, region, book) for region in plan.regions)


def _origin(plan: Plan, region: RegionPlan, book: Rulebook | None) -> Origin:
    file, line = (None, None)
    if book is not None and region.name in book.regions:
        file, line = book.where(f"regions.{region.name}.amount")
    return Origin(region.name, region.asked_mm, tuple(_steps(plan, region)), region.evidence, file, line)


def _steps(plan: Plan, region: RegionPlan) -> list[str]:
    added = any(change.text.startswith("added") for change in region.tuned)
    said = f"the {'tuning' if added else 'rulebook'} says {region.amount_text}"
    steps = [said]
    about = f"{region.name}: "
    steps += [text.removeprefix(about) for text in plan.conditions if text.startswith(about)]
    held = [w.message for w in plan.warnings if w.where == region.name and w.code == "amount-held-to-allow"]
    steps += held
    if not added and not held and show_mm(region.rulebook_mm) != region.amount_text:
        steps.append(f"{show_mm(region.rulebook_mm)} on this limb")
    for change in region.tuned:
        after = f", after {change.after}" if change.after else ""
        on = f" on {change.on}" if change.on else ""
        leave = f" (past allow: {change.beyond_allow})" if change.beyond_allow else ""
        steps.append(f"{change.text} by {change.by}{on}{after}: {change.why}{leave}")
    return steps
