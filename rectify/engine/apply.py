"""Rectify one limb by one plan: the displacement, the guard, and what came of it.

    plan + limb -> asked -> guarded -> Outcome

Promised for every Outcome: the surface is closed with its cap, outward, one body, no face turned over, no face
through another that was not so in the capture; vertices that no region, row or end touches keep their exact
bits. Whether the rulebook's limits hold is in `breaches`; what a person should know in `warnings`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np

from rectify.engine.achieved import RegionOutcome, achieve
from rectify.engine.calliper import sizes_at, tips_of
from rectify.engine.engine_warnings import engine_warnings
from rectify.engine.field import Asked, Weighed, ask
from rectify.engine.guard import Guarded, guard, turned_over
from rectify.engine.inside import Inside, donning_warning, inside_plane, inside_volumes
from rectify.engine.limits import breaches, judged_levels
from rectify.geometry.cap import survey_closed
from rectify.geometry.dihedral import added_dihedral
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import dots
from rectify.geometry.volume import volume, volumes_below
from rectify.limb.limb import Limb
from rectify.limb.measure import Profile, measure_levels
from rectify.rulebook.plan import Plan, RegionPlan, Warn

__all__ = ["Checks", "DimensionOutcome", "Outcome", "Volumes", "rectify_limb"]

_LEVEL_STEP_MM = 10.0


@dataclass(frozen=True)
class Volumes:
    """Volumes in ml: below one plane, without what forms the brim; and of the whole closed body, with it.

    `brim_ml` is what seat, raised wall and flare add to that body.
    """

    before_ml: float
    after_ml: float
    plane_level_mm: float
    model_before_ml: float
    model_after_ml: float
    brim_ml: float = 0.0

    @property
    def change_ml(self) -> float:
        """After less before, below the plane."""
        return self.after_ml - self.before_ml

    @property
    def change_percent(self) -> float:
        """Of the volume before, below the plane."""
        return 100.0 * self.change_ml / self.before_ml


@dataclass(frozen=True)
class Checks:
    """What was looked at on the finished, closed surface."""

    watertight: bool
    bodies: int
    self_intersections: int
    self_intersections_of_capture: int
    flipped_faces: int
    added_dihedral_deg: float


@dataclass(frozen=True)
class DimensionOutcome:
    """A dimension the finished model should have. `met` is None where there is no target; `by` are the regions that may
    move for it, with the amounts they were given; `reason` says why these."""

    measure: str
    at: str
    level_mm: float
    target_mm: float | None
    before_mm: float
    after_mm: float
    within_mm: float
    met: bool | None
    by: tuple[RegionPlan, ...] = ()
    reason: str = ""


@dataclass(frozen=True, eq=False)
class Outcome:
    """A rectified limb and everything that was measured on the way.

    Parameters
    ----------
    limb, plan : what went in
    mesh : Mesh
        The rectified wall in the limb frame, open at the top, float64; see `closed`.
    unbrimmed : Mesh
        The same wall without seat, raised wall and flare: what a tape or a calliper is held against, for what forms the
        brim holds no volume of the limb. `mesh` itself where nothing forms a brim.
    asked, guarded : the displacement before and after the guard
    regions, volumes, dimensions, checks : what was measured
    inside : what of it lies inside the socket; None without a trimline
    levels_before, levels_after : Profile
        At the same levels, every 10 mm; after: of `unbrimmed`.
    below_before_ml, below_after_ml : (k,) ml
        What lies below each of these levels; meaningful where the section is closed.
    warnings : tuple of Warn
        The plan's and the engine's.
    breaches : tuple of Warn
        Limits of the rulebook that do not hold; any of them forbids the shape.
    """

    limb: Limb
    plan: Plan
    mesh: Mesh
    unbrimmed: Mesh
    asked: Asked
    guarded: Guarded
    regions: tuple[RegionOutcome, ...]
    volumes: Volumes
    levels_before: Profile
    levels_after: Profile
    below_before_ml: Floats
    below_after_ml: Floats
    dimensions: tuple[DimensionOutcome, ...]
    checks: Checks
    warnings: tuple[Warn, ...]
    breaches: tuple[Warn, ...]
    inside: Inside | None = None

    @cached_property
    def closed(self) -> Mesh:
        """The closed positive model: the wall's vertices, then the membrane's over its top."""
        return self.limb.closed_over(self.mesh.vertices)

    @cached_property
    def move(self) -> Floats:
        """(n,) mm: how far each vertex went from the capture, outward positive, along the smoothed normal."""
        shift = self.mesh.vertices - self.limb.mesh.vertices
        return np.asarray(np.einsum("ij,ij->i", shift, self.asked.places.normals))

    @cached_property
    def worked(self) -> Floats:
        """(n,) mm: the same, without what forms walls and the brim: what the limits of amounts are held against. What
        regions did counts square to the wall it is laid on, which a flare tilts."""
        step = self.mesh.vertices - self.asked.base
        reduced = self.asked.base - self.asked.form - self.limb.mesh.vertices
        return dots(reduced, self.asked.places.normals) + dots(step, self.asked.normals)


def rectify_limb(limb: Limb, plan: Plan, weighed: Weighed | None = None) -> Outcome:
    """Carry out a plan on a limb.

    Parameters
    ----------
    limb, plan : Limb, Plan
    weighed : Weighed, optional
        Of this limb, and of a plan that differs in amounts only: see `rectify.engine.prepared`.

    Raises
    ------
    Faults
        Regions that this mesh cannot carry.
    RectifyError
        If no sound shape was found.
    """
    asked = ask(limb, plan, weighed=weighed)
    places = asked.places
    steepest = float(np.tan(np.radians(plan.limits.slope_deg)))
    guarded = guard(limb, places, asked.base, asked.normals, asked.step, steepest, asked.form)
    kept = guarded.formed[:, None]
    asked = replace(asked, base=guarded.base, form=kept * asked.form, walls=kept * asked.walls, brim=kept * asked.brim)
    mesh = limb.mesh.with_vertices(guarded.vertices)
    unbrimmed = mesh.with_vertices(mesh.vertices - asked.brim) if asked.brim.any() else mesh
    regions = achieve(limb, plan, asked, guarded)
    levels = np.arange(np.ceil(limb.chart.top_mm / _LEVEL_STEP_MM) * _LEVEL_STEP_MM, limb.end_level_mm, _LEVEL_STEP_MM)
    judged = judged_levels(limb.profile.levels, plan, limb.inflection_mm)
    measured = measure_levels(unbrimmed, np.unique([*levels, *judged, *(d.level_mm for d in plan.dimensions)]))
    before, after = limb.profile.only(levels), measured.only(levels)
    whole = volume(limb.closed_over(mesh.vertices)) / 1000.0
    held = _Held.of(limb, plan, unbrimmed, levels)
    outcome = Outcome(
        limb=limb,
        plan=plan,
        mesh=mesh,
        unbrimmed=unbrimmed,
        asked=asked,
        guarded=guarded,
        regions=regions,
        volumes=_volumes(limb, held, whole, None if unbrimmed is mesh else unbrimmed),
        levels_before=before,
        levels_after=after,
        below_before_ml=held.before_ml[: len(levels)],
        below_after_ml=held.after_ml[: len(levels)],
        dimensions=_dimensions(limb, plan, measured, unbrimmed.vertices),
        checks=_checks(limb, mesh, whole, guarded, asked),
        warnings=(
            *plan.warnings,
            *(asked.overall.warnings if asked.overall else ()),
            *engine_warnings(limb, regions, guarded),
            *donning_warning(plan, after),
        ),
        breaches=(),
        inside=None if held.brim is None else inside_volumes(limb, plan, places, held.brim, *held.at(-1)),
    )
    sizes = limb.profile.only(judged), measured.only(judged)
    broken = breaches(outcome.worked, plan, outcome.volumes.change_percent, *sizes)
    return replace(outcome, breaches=broken)


@dataclass(frozen=True, eq=False)
class _Held:
    """What captured and finished wall hold below some levels, counted in one go over each surface.

    The levels asked for, then the plane of the volumes, then, where there is a trimline, the plane of what is inside.
    """

    plane: float
    brim: float | None
    before_ml: Floats
    after_ml: Floats

    @classmethod
    def of(cls, limb: Limb, plan: Plan, mesh: Mesh, levels: Floats) -> _Held:
        plane, brim = limb.plane_level(mesh.vertices), inside_plane(limb, plan, mesh.vertices)
        heights = -np.array([*levels, plane, *(() if brim is None else (brim,))])
        before = limb.once(("volumes below", heights.tobytes()), lambda: volumes_below(limb.mesh, heights) / 1000.0)
        return cls(plane, brim, before, volumes_below(mesh, heights) / 1000.0)

    def at(self, i: int) -> tuple[float, float]:
        """Before and after below one of the levels, ml."""
        return float(self.before_ml[i]), float(self.after_ml[i])


def _volumes(limb: Limb, held: _Held, whole: float, unbrimmed: Mesh | None) -> Volumes:
    """`whole`: ml of the closed model; `unbrimmed`: the wall without what forms the brim, where anything does."""
    before, after = held.at(-1 if held.brim is None else -2)
    bare = whole if unbrimmed is None else volume(limb.closed_over(unbrimmed.vertices)) / 1000.0
    return Volumes(
        before_ml=before,
        after_ml=after,
        plane_level_mm=held.plane,
        model_before_ml=limb.model_volume_ml(),
        model_after_ml=whole,
        brim_ml=whole - bare,
    )


def _dimensions(limb: Limb, plan: Plan, after: Profile, vertices: Points) -> tuple[DimensionOutcome, ...]:
    if not plan.dimensions:
        return ()
    levels = np.unique([d.level_mm for d in plan.dimensions])
    tips = [limb.once(("tips", d.between), partial(tips_of, limb, d)) for d in plan.dimensions]
    was_there = limb.once(("levels", levels.tobytes()), lambda: measure_levels(limb.mesh, levels))
    surfaces = (was_there, limb.mesh.vertices), (after, vertices)
    sizes = (sizes_at(profile, at, plan.dimensions, tips) for profile, at in surfaces)
    regions = {region.name: region for region in plan.regions}
    out = []
    for d, was, now in zip(plan.dimensions, *(map(float, size) for size in sizes), strict=True):
        met = None if d.target_mm is None else bool(abs(now - d.target_mm) <= d.within_mm)
        by = tuple(regions[name] for name in d.by if name in regions)
        out.append(
            DimensionOutcome(d.measure, d.at_text, d.level_mm, d.target_mm, was, now, d.within_mm, met, by, d.reason)
        )
    return tuple(out)


def _checks(limb: Limb, mesh: Mesh, whole: float, guarded: Guarded, asked: Asked) -> Checks:
    closed, bodies = survey_closed(mesh, limb.cap)
    return Checks(
        watertight=closed and whole > 0,
        bodies=bodies,
        self_intersections=guarded.crossings,
        self_intersections_of_capture=guarded.crossings_of_capture,
        flipped_faces=int(turned_over(limb.mesh.vertices, asked.form, mesh.vertices, limb.mesh.faces).sum()),
        added_dihedral_deg=added_dihedral(limb.mesh, mesh.vertices),
    )
