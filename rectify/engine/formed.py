"""How the walls came out that a plan forms: measured on the finished shape, and not read off what was asked.

A flat wall or a seat is measured by how far the finished skin lies from its plane, over the vertices of the region's
core that it reaches; those that a bound held back, or where another region builds up or reduces, are counted apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rectify.engine.forms import Fold, Plane, Stage, StraightUp, free_of_bounds
from rectify.engine.guard import Guarded
from rectify.geometry.mesh import Floats, Ints, Points
from rectify.limb.chart import wrap_deg
from rectify.limb.limb import Limb
from rectify.limb.measure import measure_levels
from rectify.rulebook.plan import Band, RegionPlan

__all__ = ["FormFigures", "form_figures"]

_ON_MM = 0.1  # nearer to its plane a place is on it: finer than a machine cuts
_COLUMN_DEG = 6.0  # how wide the columns are whose height counts
_LEVEL_MM = 5.0  # between levels at which a squeeze is measured


@dataclass(frozen=True)
class FormFigures:
    """How one wall came out.

    Parameters
    ----------
    achieved_mm : float
        In the sense of the action: how far inside its place the flat wall lies; by how much the width is smaller; how
        deep the shelf is; how high the straight wall stands. NaN where nothing of it is left to measure.
    off_rms_mm, off_max_mm : float
        From the plane (or from straight up), over the core as far as no bound held it back; NaN for a squeeze.
    on_percent : float
        Of the core, how much lies within 0.1 mm of where it should; NaN for a squeeze.
    girth_percent : float
        Of a squeeze, the largest change of circumference at any of its levels; NaN otherwise.
    """

    achieved_mm: float
    off_rms_mm: float
    off_max_mm: float
    on_percent: float
    girth_percent: float


def form_figures(limb: Limb, region: RegionPlan, stage: Stage, guarded: Guarded, core: Ints) -> FormFigures:
    """Measure one region that forms a wall.

    Parameters
    ----------
    stage : as it was carried out
    core : vertices of its core
    """
    before = stage.before[core]
    finished = guarded.vertices[core]
    if isinstance(stage.to, Plane):
        assert region.form is not None
        free = free_of_bounds(stage.to.below(before), region.form, region.asked_mm)
        off = -stage.to.below(finished)
        depth = region.asked_mm - float(np.median(off[free])) if free.any() else float("nan")
        return _figures(depth, off, free)
    if isinstance(stage.to, StraightUp):
        return _straight(limb, region, stage.to, before, finished)
    if isinstance(stage.to, Fold):
        return _shelf(stage.to, before, finished)
    return _squeezed(limb, region, stage, guarded)


def _figures(achieved: float, off: Floats, free: NDArray[np.bool_]) -> FormFigures:
    nan = float("nan")
    if not free.any():
        return FormFigures(achieved, nan, nan, 0.0, nan)
    own = np.abs(off[free])
    on = 100.0 * float((np.abs(off) <= _ON_MM).mean())
    return FormFigures(achieved, float(np.sqrt((own**2).mean())), float(own.max()), on, nan)


def _straight(limb: Limb, region: RegionPlan, wall: StraightUp, before: Points, finished: Points) -> FormFigures:
    assert region.form is not None
    angles = limb.chart.locate(before)[1]
    high, inside = wall.above(before, angles)
    begun = (high >= wall.blend) & (high <= region.asked_mm)
    free = free_of_bounds(inside, region.form) & begun
    now, off = wall.above(finished, limb.chart.locate(finished)[1])
    column = np.floor(wrap_deg(angles[begun] - region.anchor.spot.angle_deg) / _COLUMN_DEG).astype(np.int64)
    columns = np.unique(column)
    columns = columns[1:-1] if len(columns) > 4 else columns  # the outermost are in the core in part of their height
    tops = [float(now[begun][column == c].max()) for c in columns]
    reached = min(min(tops), region.asked_mm) if tops else float("nan")
    # the last edge length may be missing from a column: the wall itself goes on to the next vertex
    reached = region.asked_mm if region.asked_mm - reached < 2 * limb.edge_mm else reached
    return _figures(reached, off[begun], free[begun])


def _shelf(fold: Fold, before: Points, finished: Points) -> FormFigures:
    high = fold.above(before)
    flat = (high >= fold.flat[0]) & (high <= fold.flat[1])
    over = high > fold.skin_mm
    out = (finished - before) @ fold.out / np.cos(fold.tilt)
    depth = float(np.median(out[over])) if over.any() else float("nan")
    off = fold.plane.below(finished)
    return _figures(depth, off[flat], np.ones(int(flat.sum()), dtype=bool))


def _squeezed(limb: Limb, region: RegionPlan, stage: Stage, guarded: Guarded) -> FormFigures:
    assert isinstance(region.shape, Band) and region.form is not None
    low, high = region.shape.from_station_mm, region.shape.to_station_mm
    levels = np.unique(np.append(np.arange(low, high, _LEVEL_MM), high))
    kept = stage.before + guarded.formed[:, None] * (stage.after - stage.before)
    was, now = (measure_levels(limb.mesh.with_vertices(v), levels) for v in (stage.before, kept))
    width = [getattr(p, region.form.narrow) for p in (was, now)]
    less = (width[0] - width[1])[was.closed & now.closed]
    girth = 100.0 * np.abs(now.circumference / was.circumference - 1.0)
    nan, there = float("nan"), np.isfinite(girth)
    worst = float(girth[there].max()) if there.any() else nan
    return FormFigures(float(np.median(less)) if len(less) else nan, nan, nan, nan, worst)
