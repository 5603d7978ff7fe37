"""One limb and one plan made ready, so that an amount can be turned up and down with the shape following at once.

    prepared = prepare(limb, plan)
    points = prepared.retuned({"fibular-head": 4.0})      # where the vertices would go: a few milliseconds
    outcome = prepared.guaranteed({"fibular-head": 4.0})  # the same with every guarantee: the result

What takes long does not depend on amounts: where each region lies and how it weighs at every vertex, where the limb
crosses itself, what it measures. That is found once and kept. `retuned` is what the plan asks and no more: it has not
seen the guard, so it may fold, and it must never go to a machine. `guaranteed` is bit for bit what `rectify_limb` makes
of the plan with those amounts; whether an amount is allowed is not asked here but by the rulebook's tunings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from rectify.engine.apply import Outcome, rectify_limb
from rectify.engine.field import Asked, Weighed, ask, local_step, weigh
from rectify.engine.guard import moved
from rectify.errors import RulesError
from rectify.geometry.mesh import Points
from rectify.limb.limb import Limb
from rectify.rulebook.plan import Plan

__all__ = ["Prepared", "prepare"]


@dataclass(frozen=True, eq=False)
class Prepared:
    """A limb and a plan whose amounts can be changed. Made by `prepare`.

    Parameters
    ----------
    limb : Limb
    plan : Plan
        With the amounts to begin with.
    weighed : Weighed
        Where its regions lie.
    asked : Asked
        What it asks with these amounts.
    """

    limb: Limb
    plan: Plan
    weighed: Weighed
    asked: Asked

    def with_amounts(self, amounts: Mapping[str, float]) -> Plan:
        """The plan with other amounts for some regions, mm as the plan has them: never negative, the action says which
        way. Regions that are not named keep theirs.

        Raises
        ------
        RulesError
            A region that the plan has not, or an amount that is none.
        """
        names = [region.name for region in self.plan.regions]
        for name, amount in amounts.items():
            if name not in names:
                raise RulesError("no such region in the plan", key=name, wanted=", ".join(names), found=name)
            if not (np.isfinite(amount) and amount >= 0.0):
                raise RulesError("is no amount", key=f"{name}.amount", wanted="0 mm or more", found=f"{amount:g}")
        regions = tuple(replace(r, asked_mm=float(amounts.get(r.name, r.asked_mm))) for r in self.plan.regions)
        return replace(self.plan, regions=regions)

    def retuned(self, amounts: Mapping[str, float]) -> Points:
        """Where the wall's vertices would go with other amounts, (n, 3) mm in the limb frame, before the guard.

        A few milliseconds for 100,000 vertices. Some hundreds where the amounts decide where everything else goes: an
        overall reduction that holds for the finished model, or the amount of a region that forms a wall.
        """
        plan, asked = self.with_amounts(amounts), self.asked
        if not self._keeps_base(plan):
            asked = ask(self.limb, plan, weighed=self.weighed)
            return moved(asked.base, asked.step)
        shift = asked.shift
        step = local_step(plan.regions, asked.share, shift, asked.places.normals, asked.normals)
        return moved(asked.base, step)

    def guaranteed(self, amounts: Mapping[str, float]) -> Outcome:
        """The rectified limb with other amounts, every guarantee held and everything measured.

        Raises
        ------
        RectifyError
            If no sound shape was found.
        """
        return rectify_limb(self.limb, self.with_amounts(amounts), self.weighed)

    def _keeps_base(self, plan: Plan) -> bool:
        """Whether the surface that the regions start from is the same whatever these amounts are."""
        finished = plan.overall is not None and plan.overall.holds == "finished"
        forms = any(
            new.forms and new.asked_mm != old.asked_mm
            for new, old in zip(plan.regions, self.plan.regions, strict=True)
        )
        return not (finished or forms)


def prepare(limb: Limb, plan: Plan) -> Prepared:
    """Make a limb and a plan ready for their amounts to be changed.

    Raises
    ------
    Faults
        Regions that this mesh cannot carry.
    """
    weighed = weigh(limb, plan)
    return Prepared(limb, plan, weighed, ask(limb, plan, weighed=weighed))
