"""The regions of a plan laid out on the first of two shapes, to say how the second differs region by region.

The plan names places by station and angle, so its regions lie on a rectified wall where they lay on the captured one,
but for the small change of the way along and around it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rectify.engine.weights import region_weight
from rectify.errors import RulesError
from rectify.limb.limb import Limb
from rectify.rulebook.plan import Plan, RegionPlan, Warn
from rectify.studies.difference import Difference, Spread, spread_of

__all__ = ["Laid", "ShownAs", "lay_regions", "shown_regions"]

_SHOWN_MM = 0.05


@dataclass(frozen=True, eq=False)
class Laid:
    """A region and what differs in it.

    Parameters
    ----------
    region : RegionPlan
    whole : Spread
        Over all of it, feather included.
    core_mm : float
        Median where the region has its full weight; NaN where no vertex lies there.
    outline : (k, 2)
        Stations and degrees, for pictures.
    has : (n,) bool
        The vertices that it reaches.
    """

    region: RegionPlan
    whole: Spread
    core_mm: float
    outline: NDArray[np.float64]
    has: NDArray[np.bool_]

    @property
    def figure_mm(self) -> float:
        """The one figure to be written beside its name: the core's median, else that of all of it; what would be shown
        as 0.0 mm is 0. NaN where nothing is compared."""
        mm = self.core_mm if np.isfinite(self.core_mm) else self.whole.median_mm
        return 0.0 if abs(mm) < _SHOWN_MM else mm


def lay_regions(d: Difference, limb: Limb, plan: Plan, counted: NDArray[np.bool_]) -> tuple[list[Laid], list[Warn]]:
    """Every region of a plan that has room on this limb, as far as its vertices count (n,), and a note on each that has
    not."""
    stations, angles = limb.chart.locate(limb.mesh.vertices)
    out, notes = [], []
    for region in plan.regions:
        try:
            weight = region_weight(region, limb.chart, limb.edge_mm)
        except RulesError as error:
            notes.append(Warn("region-left-out", "note", f"{region.name} is not told apart: {error.message}", ""))
            continue
        share = weight.at(stations, angles)
        has = (share > 0) & counted
        if not has.any():
            text = f"{region.name} is not told apart: nothing of this shape that counts lies there"
            notes.append(Warn("region-left-out", "note", text, ""))
            continue
        core = (share == 1.0) & d.compared & counted
        middle = float(np.median(d.outward[core])) if core.any() else float("nan")
        out.append(Laid(region, spread_of(d, has), middle, weight.outline, has))
    return out, notes


@dataclass(frozen=True, eq=False)
class ShownAs:
    """A region as the pictures draw it (`rectify.report.shown`)."""

    region: RegionPlan
    achieved_mm: float
    area_mm2: float
    outline: NDArray[np.float64]


def shown_regions(laid: list[Laid]) -> list[ShownAs]:
    """Drawn solid where the second shape lies outside, dashed where inside."""
    out = []
    for one in laid:
        mm = one.figure_mm
        asked = float(abs(mm)) if np.isfinite(mm) else 0.0
        region = replace(one.region, action="reduce" if mm < 0 else "build-up", asked_mm=asked, form=None)
        out.append(ShownAs(region, float(abs(mm)), one.whole.area_mm2, one.outline))
    return out
