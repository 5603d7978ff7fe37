"""Dimensions: the amounts at which the finished model measures what the calliper and the tape say.

A dimension (AP, ML or circumference at a level) names the regions that may move for it. Their amounts are moved within
`allow`, never past a limit and never past the steepest slope, all dimensions together, by as little as does it; what
they do is measured on the shape and not reckoned, for a calliper touches two points only, and pressing elsewhere
changes nothing. A dimension that is near enough moves nothing. Amounts come out in tenths of a mm, finer than any hand.

The answer is of the rulebook's own amounts: what a person tuned is laid over it afterwards and never made up for
elsewhere. It is found where a plan is made, once, and stored in it; `rectify_limb` carries out what the plan says.

Not promised: that a dimension can be met. Where it cannot, its reason says which region stands at which end, or that
the measure touches where none of them reaches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rectify.engine.calliper import Tips, dimension_sizes, tips_of
from rectify.engine.field import Asked, ask, local_step
from rectify.engine.guard import flipped_faces, guard, slopes
from rectify.geometry.corners import highest, least
from rectify.geometry.mesh import Faces, Floats, Ints, Mesh, Points
from rectify.geometry.sections import cut
from rectify.limb.limb import Limb
from rectify.rulebook.plan import Dimension, Plan, RegionPlan, Solution, Solved
from rectify.rulebook.quantity import show_mm
from rectify.rulebook.slope import STEEPNESS

__all__ = ["solve_dimensions"]

_STEP_MM = 0.1  # amounts come out in steps of this: finer than a hand works, and the same on every machine
_TRY_MM = 0.5  # how far an amount is moved to see what it does
_EASY = 0.02  # what a mm of moving weighs against being off by `within`: decides between equal ways
_STEPS, _ROUNDS = 6, 3  # of least squares on one surface; of looking at the whole surface anew
_NOTHING = 0.1  # mm of measure for a mm of amount: for less no region is moved
_REACH_MM = 25.0  # faces so far from a level may come to lie in it: more than any move


def solve_dimensions(limb: Limb, plan: Plan) -> Solution:
    """What the plan's dimensions make of the rulebook's amounts.

    Parameters
    ----------
    limb : Limb
    plan : Plan
        Its regions' `rulebook_mm` count, not what tunings or an earlier solution made of them.

    Returns
    -------
    Solution
        Without regions where no dimension has a target and regions that may move, or all are near enough.

    Raises
    ------
    Faults
        Regions that this mesh cannot carry.
    """
    wanted = [d for d in plan.dimensions if d.target_mm is not None and d.by]
    if not wanted:
        return Solution({}, tuple("" for _ in plan.dimensions))
    return _Task.of(limb, plan, wanted).answer(plan.dimensions)


def _with(plan: Plan, amounts: dict[str, float]) -> Plan:
    """The plan with other amounts for some of its regions."""
    regions = tuple(replace(r, asked_mm=amounts.get(r.name, r.asked_mm)) for r in plan.regions)
    return replace(plan, regions=regions)


# -- the shape as amounts make it ------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Surface:
    """The reduced surface where the dimensions measure it, and how far the guard lets it go from there.

    `near` are the limb's vertices that count, `faces` and `tips` are in their numbers.
    """

    asked: Asked
    kept: Floats
    dimensions: tuple[Dimension, ...]
    near: Ints
    faces: Faces
    tips: tuple[Tips | None, ...]
    formed_by: tuple[float, ...]  # the amounts of what forms walls, as `asked` was made with them

    @classmethod
    def of(cls, limb: Limb, plan: Plan, dimensions: Sequence[Dimension]) -> _Surface:
        """Everything that does not change with the amounts, or little: it is looked at anew after they moved."""
        asked = ask(limb, plan)
        kept = np.ones(len(asked.base))
        if _is_bad(limb, plan, asked):
            steepest = float(np.tan(np.radians(plan.limits.slope_deg)))
            kept = guard(limb, asked.places, asked.base, asked.normals, asked.step, steepest, asked.form).share
        height, faces = -limb.mesh.vertices[:, 2], limb.mesh.faces
        high, low = highest(height, faces), least(height, faces)
        about = np.zeros(len(faces), dtype=bool)
        for level in {d.level_mm for d in dimensions}:
            about |= (high >= level - _REACH_MM) & (low <= level + _REACH_MM)
        tips = [tips_of(limb, d) for d in dimensions]
        corners = [tip.corners.ravel() for tip in tips if tip is not None]
        near = np.unique(np.concatenate([faces[about].ravel(), *corners]))
        own = tuple(tip if tip is None else Tips(np.searchsorted(near, tip.corners), tip.shares) for tip in tips)
        band = np.searchsorted(near, faces[about])
        formed_by = tuple(region.asked_mm for region in plan.regions if region.forms)
        return cls(asked, kept, tuple(dimensions), near, band, own, formed_by)

    def moved(self, regions: Sequence[RegionPlan]) -> Mesh:
        """The part that counts, as these regions make it."""
        asked, near = self.asked, self.near
        shift = asked.shift[near]
        step = local_step(tuple(regions), asked.share[:, near], shift, asked.places.normals[near], asked.normals[near])
        return Mesh(self._base(regions) + self.kept[near, None] * step, self.faces)

    def _base(self, regions: Sequence[RegionPlan]) -> Points:
        """The formed surface with these regions' amounts, where it counts, without what forms the brim."""
        asked, near = self.asked, self.near
        amounts = tuple(region.asked_mm for region in regions if region.forms)
        if asked.forming is None or amounts == self.formed_by:
            return np.asarray((asked.base - asked.brim)[near])
        formed = asked.forming.moves(regions, asked.base - asked.form, asked.cells)
        return np.asarray((asked.base - asked.form + formed.move - formed.brim)[near])

    def sizes(self, regions: Sequence[RegionPlan]) -> Floats:
        """What the dimensions measure with these regions, (k,) mm; NaN where the section is open."""
        return dimension_sizes(self.moved(regions), self.dimensions, self.tips)

    def touched(self, regions: Sequence[RegionPlan], d: Dimension, lateral: float) -> tuple[float, float]:
        """At which angles wide jaws touch, degrees from 0 to 360: front and back, or right and left."""
        mesh = self.moved(regions)
        at = cut(mesh, -mesh.vertices[:, 2], np.array([d.level_mm])).starts[:, :2]
        along = at[:, 1 if d.measure == "ap" else 0]
        ends = at[[int(along.argmax()), int(along.argmin())]]
        first, second = np.degrees(np.arctan2(lateral * ends[:, 0], ends[:, 1])) % 360.0
        return float(first), float(second)


def _is_bad(limb: Limb, plan: Plan, asked: Asked) -> bool:
    """Whether the guard would take something back. Faces that cross without being turned over or steep are not seen
    here; what they cost shows in what the finished model measures."""
    height = np.einsum("ij,ij->i", asked.step, asked.normals)
    steep = slopes(asked.base, limb.mesh.faces, height) > np.tan(np.radians(plan.limits.slope_deg))
    reference = limb.mesh.vertices + asked.form
    return bool(steep.any() or flipped_faces(reference, asked.base + asked.step, limb.mesh.faces).any())


# -- the amounts -----------------------------------------------------------------------------------


class _Task:
    """The dimensions of one plan and the regions that may move for them, on one limb.

    `own`, `low`, `high` : (n,) mm, of the regions in `names`; `goal`, `within`, `first` : (k,) mm, of the dimensions.
    """

    def __init__(self, limb: Limb, plan: Plan, surface: _Surface, wanted: Sequence[Dimension]) -> None:
        self.limb, self.plan, self.surface = limb, plan, surface
        names = dict.fromkeys(name for d in wanted for name in d.by)
        self.regions = [region for region in plan.regions if region.name in names]
        self.names = [region.name for region in self.regions]
        self.own = np.array([region.asked_mm for region in self.regions])
        self.low, self.high = self._bounds()
        first = surface.sizes(plan.regions)
        self.there = np.isfinite(first)
        self.dimensions = [d for d, is_there in zip(wanted, self.there, strict=True) if is_there]
        self.first = first[self.there]
        self.target = np.array([d.target_mm for d in self.dimensions], dtype=np.float64)
        self.within = np.array([d.within_mm for d in self.dimensions], dtype=np.float64)
        self.fine = np.abs(self.first - self.target) <= self.within
        self.goal = np.where(self.fine, self.first, self.target)

    @classmethod
    def of(cls, limb: Limb, plan: Plan, wanted: Sequence[Dimension]) -> _Task:
        """Of the rulebook's own amounts."""
        bare = _with(plan, {region.name: region.rulebook_mm for region in plan.regions})
        return cls(limb, bare, _Surface.of(limb, bare, wanted), wanted)

    def _bounds(self) -> tuple[Floats, Floats]:
        """The least and the most of each amount: `allow`, the limit less what the overall reduction moved there, the
        steepest slope. The rulebook's own amount is never out of bounds."""
        asked, limits = self.surface.asked, self.plan.limits
        shift = np.einsum("ij,ij->i", asked.shift, asked.places.normals)
        low, high = self.own.copy(), self.own.copy()
        for i, region in enumerate(self.plan.regions):
            if region.name not in self.names or region.allow_mm is None:
                continue
            if region.form is not None:
                k = self.names.index(region.name)
                most = region.form.in_mm if region.action == "flatten" else region.allow_mm[1]
                low[k], high[k] = min(region.allow_mm[0], low[k]), max(min(region.allow_mm[1], most), high[k])
                continue
            built = region.action == "build-up"
            steep = np.tan(np.radians(limits.slope_deg)) * asked.weights[i].feather_mm / STEEPNESS[region.fall]
            bounds = [region.allow_mm[1], float(steep)]
            limit = limits.build_up_mm if built else limits.reduction_mm
            if limit is not None:
                there = (shift if built else -shift)[asked.weight[i] > 0]
                already = 0.0 if region.measured_from == "capture" else float(there.max(initial=0.0))
                bounds.append(limit - already)
            k = self.names.index(region.name)
            low[k], high[k] = min(region.allow_mm[0], low[k]), max(min(bounds), high[k])
        return low, high

    def _plan_of(self, amounts: Floats) -> Plan:
        return _with(self.plan, dict(zip(self.names, map(float, amounts), strict=True)))

    def sizes(self, amounts: Floats) -> Floats:
        """What the dimensions measure at these amounts; (k,) mm."""
        return self.surface.sizes(self._plan_of(amounts).regions)[self.there]

    def _cost(self, amounts: Floats) -> float:
        off = (self.sizes(amounts) - self.goal) / np.maximum(self.within, _STEP_MM)
        return float((off**2).sum() + ((_EASY * (amounts - self.own)) ** 2).sum())

    def slopes(self, amounts: Floats, free: NDArray[np.bool_]) -> Floats:
        """What a mm of each amount does to each dimension, seen to both sides; (k, n), 0 where it is not free."""
        out = np.zeros((len(self.dimensions), len(amounts)))
        for j in np.flatnonzero(free):
            up, down = amounts.copy(), amounts.copy()
            up[j], down[j] = min(up[j] + _TRY_MM, self.high[j]), max(down[j] - _TRY_MM, self.low[j])
            if up[j] - down[j] > 1e-6:
                out[:, j] = (self.sizes(up) - self.sizes(down)) / (up[j] - down[j])
        return out

    def _fitted(self, amounts: Floats, free: NDArray[np.bool_]) -> Floats:
        """Amounts nearer to the goals: steps of bounded least squares on the measured slopes, none for the worse."""
        from scipy.optimize import lsq_linear

        cost = self._cost(amounts)
        for _ in range(_STEPS):
            scale = np.maximum(self.within, _STEP_MM)
            off = (self.goal - self.sizes(amounts)) / scale
            slopes = self.slopes(amounts, free)[:, free]
            slopes[np.abs(slopes) < _NOTHING] = 0.0
            rows = np.vstack([slopes / scale[:, None], _EASY * np.eye(int(free.sum()))])
            right = np.concatenate([off, _EASY * (self.own - amounts)[free]])
            room = (self.low - amounts)[free] - 1e-9, (self.high - amounts)[free] + 1e-9
            step = np.zeros(len(amounts))
            step[free] = lsq_linear(rows, right, bounds=room).x
            tries = [np.clip(amounts + share * step, self.low, self.high) for share in (1.0, 0.5, 0.25)]
            best = next((tried for tried in tries if self._cost(tried) < cost - 1e-9), None)
            if best is None:
                break
            moved = float(np.abs(best - amounts).max())
            amounts, cost = best, self._cost(best)
            if moved < _STEP_MM / 10:
                break
        return amounts

    def _solved(self) -> Floats:
        """The amounts: the rulebook's own where every dimension is near enough, else in tenths of a mm."""
        amounts, settled = self.own, self.fine.copy()
        while not settled.all():
            free = np.array([any(n in d.by and not s for d, s in self._with(settled)) for n in self.names])
            free &= self.high - self.low > 1e-6
            if not free.any():
                break
            amounts = self._in_tenths(self._without_idle(self._whole(free)))
            missed = np.abs(self.sizes(amounts) - self.target) > self.within
            if not (missed & settled).any():
                break
            settled &= ~missed  # another dimension's regions moved it: its own may move for it now
        return amounts

    def _with(self, marks: NDArray[np.bool_]) -> Sequence[tuple[Dimension, bool]]:
        return list(zip(self.dimensions, map(bool, marks), strict=True))

    def _whole(self, free: NDArray[np.bool_]) -> Floats:
        """Fitted, and fitted again where that changed what the guard keeps or what the overall reduction does."""
        amounts = self._fitted(self.own, free)
        for _ in range(_ROUNDS):
            before = self.surface
            plan = self._plan_of(amounts)
            counts_regions = plan.overall is not None and plan.overall.holds == "finished"
            counts_regions |= any(region.forms for region in self.regions)  # the walls turn the normals
            if not counts_regions and not _is_bad(self.limb, plan, self._asked_at(plan)) and before.kept.min() == 1.0:
                break
            self.surface = _Surface.of(self.limb, plan, before.dimensions)
            better = self._fitted(amounts, free)
            if float(np.abs(better - amounts).max()) < _STEP_MM / 2:
                break
            amounts = better
        return amounts

    def _asked_at(self, plan: Plan) -> Asked:
        """What is asked of every vertex with a plan's amounts, on the reduced surface as it was."""
        asked = self.surface.asked
        step = local_step(plan.regions, asked.share, asked.shift, asked.places.normals, asked.normals)
        return replace(asked, step=step)

    def _without_idle(self, amounts: Floats) -> Floats:
        """Amounts taken back as far as what they did there was nothing: a calliper had long touched elsewhere."""
        amounts = amounts.copy()
        for j in range(len(amounts)):
            sizes = self.sizes(amounts)
            while abs(amounts[j] - self.own[j]) > _STEP_MM:
                less = amounts.copy()
                less[j] -= float(np.clip(amounts[j] - self.own[j], -_TRY_MM, _TRY_MM))
                fewer = self.sizes(less)
                if float(np.abs(fewer - sizes).max()) > _NOTHING * abs(amounts[j] - less[j]):
                    break
                amounts, sizes = less, fewer
        return amounts

    def _in_tenths(self, amounts: Floats) -> Floats:
        tenths = np.clip(np.round(np.round(amounts / _STEP_MM) * _STEP_MM, 6), self.low, self.high)
        return np.where(np.abs(amounts - self.own) < _STEP_MM / 2, self.own, tenths)

    # -- in words ----------------------------------------------------------------------------------

    def answer(self, dimensions: Sequence[Dimension]) -> Solution:
        """The amounts that moved, and a reason for every dimension."""
        amounts = self._solved()
        moved = {
            name: Solved(float(now), self._why(name))
            for name, own, now in zip(self.names, self.own, amounts, strict=True)
            if now != own
        }
        return Solution(moved, tuple(self._reason(d, amounts) for d in dimensions))

    def _why(self, name: str) -> str:
        says = [
            f"{d.measure} at {d.at_text} is to be {d.target_mm:.1f} mm; by the rulebook's amounts it is {had:.1f} mm"
            for d, had, fine in zip(self.dimensions, self.first, self.fine, strict=True)
            if name in d.by and not fine
        ]
        return "; ".join(says) or "makes up for what other regions do to a dimension"

    def _reason(self, d: Dimension, amounts: Floats) -> str:
        if d.target_mm is None or not d.by:
            return ""
        if d not in self.dimensions:
            return "the section is open at this level: there is nothing to measure"
        k = self.dimensions.index(d)
        movers = [j for j, name in enumerate(self.names) if name in d.by]
        if self.fine[k] and all(amounts[j] == self.own[j] for j in movers):
            return "near enough by the rulebook's amounts: nothing was moved for it"
        parts = [self._moved(j, float(amounts[j])) for j in movers]
        if abs(self.sizes(amounts)[k] - d.target_mm) > d.within_mm:
            idle = [self.names[j] for j in movers if self._is_idle(j, k, amounts)]
            if idle:
                parts.append(f"more or less of {' or '.join(idle)} hardly changes it{self._where(d, amounts)}")
        return "; ".join(parts)

    def _is_idle(self, j: int, k: int, amounts: Floats) -> bool:
        """Whether an amount with room to move brings a dimension no nearer, whichever way it goes."""
        off = abs(self.sizes(amounts)[k] - self.target[k])
        for end in (self.low[j], self.high[j]):
            tried = amounts.copy()
            tried[j] += float(np.clip(end - amounts[j], -_TRY_MM, _TRY_MM))
            gain = off - abs(self.sizes(tried)[k] - self.target[k])
            if gain > _NOTHING * abs(tried[j] - amounts[j]):
                return False
        return bool(self.low[j] + _STEP_MM < amounts[j] < self.high[j] - _STEP_MM)

    def _where(self, d: Dimension, amounts: Floats) -> str:
        if d.between is not None:
            return ""
        if d.measure == "circumference":
            return ": the tape bridges over it"
        regions = self._plan_of(amounts).regions
        first, second = self.surface.touched(regions, d, self.limb.chart.lateral)
        return f": the calliper touches at {first:.0f} and {second:.0f} deg"

    def _moved(self, j: int, now: float) -> str:
        name, own = self.names[j], float(self.own[j])
        text = f"{name} {show_mm(own)} -> {show_mm(now)}" if now != own else f"{name} stays at {show_mm(own)}"
        for end, word in ((self.high[j], "most"), (self.low[j], "least")):
            if abs(now - end) < _STEP_MM / 2:
                return f"{text}, the {word} it may be"
        return text
