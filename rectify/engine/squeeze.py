"""A squeeze: one width of a limb made smaller and the other larger, level by level; the tape reads what it read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rectify.engine.blend import quintic
from rectify.engine.overall import secant
from rectify.errors import RulesError
from rectify.geometry.curves import Curve, smooth
from rectify.geometry.hulls import hull_perimeters
from rectify.geometry.mesh import Floats, Points
from rectify.geometry.sections import cut
from rectify.limb.limb import Limb
from rectify.rulebook.plan import Band, RegionPlan

__all__ = ["Squeeze"]

_STEP_MM = 2.0  # between levels at which a squeeze is solved


@dataclass(frozen=True, eq=False)
class Squeeze:
    """At each solved level: the width that becomes smaller and the middles of both, mm; by what share the other width
    must grow for the tape to read the same."""

    levels: Floats
    middle: NDArray[np.float64]  # (l, 2) of x and y
    less: Floats  # share by which the narrowed width becomes smaller
    more: Curve
    narrow: int  # 0: x, 1: y
    amount: float
    width: Floats
    between: tuple[float, float]
    fade: float

    @classmethod
    def of(cls, limb: Limb, region: RegionPlan, skin: Points) -> Squeeze:
        """Solve it on a limb whose vertices lie at `skin` (n, 3).

        Raises
        ------
        RulesError
            No section of the band is closed: there is no tape to hold.
        """
        assert isinstance(region.shape, Band) and region.form is not None
        low, high = region.shape.from_station_mm, region.shape.to_station_mm
        level = -skin[:, 2]
        first = max(low - region.feather_mm, float(level.min()))
        levels = np.arange(np.ceil(first / _STEP_MM) - 1, np.ceil((high + region.feather_mm) / _STEP_MM) + 2) * _STEP_MM
        levels = levels[(levels > level.min()) & (levels < level.max())]
        cuts = cut(limb.mesh.with_vertices(skin), level, levels)
        k, narrow = len(levels), 0 if region.form.narrow == "ml" else 1
        xy, of = cuts.starts[:, :2], cuts.level_of
        least, most = np.full((k, 2), np.inf), np.full((k, 2), -np.inf)
        np.minimum.at(least, of, xy)
        np.maximum.at(most, of, xy)
        middle, size = (least + most) / 2, most - least
        closed = np.flatnonzero(cuts.closed)
        if not len(closed):
            raise RulesError(
                "no section of the band is closed, so there is no circumference to keep",
                key=f"regions.{region.name}.between",
                found=f"levels {low:.0f} to {high:.0f} mm",
                hint="let the band reach further down, or capture higher",
            )
        weight = _level_weight(levels, low, high, region.feather_mm)
        for values in (middle, size):  # an open section does as the next closed one does
            values[:] = values[closed[np.searchsorted(closed, np.arange(k)).clip(max=len(closed) - 1)]]
        less = region.asked_mm * weight / size[:, narrow]
        more = _made_up(xy, of, middle, less, narrow, cuts.closed & (less > 0))
        top = closed[0]
        if top > 0 and less[top] > 0:
            more[:top] = more[top] * less[:top] / less[top]
        return cls(
            levels, middle, less, smooth(levels, more), narrow, region.asked_mm, size[:, narrow], (low, high),
            region.feather_mm,
        )  # fmt: skip

    def __call__(self, points: Points, angles: Floats, weight: Floats) -> Points:
        """By level alone, so that a section stays one: the weight counts the way along the skin, and is not asked."""
        del angles, weight
        level = np.clip(-points[:, 2], self.levels[0], self.levels[-1])
        weight = _level_weight(-points[:, 2], *self.between, self.fade)
        less = self.amount * weight / np.interp(level, self.levels, self.width)
        more = np.where(weight > 0, self.more(level), 0.0)
        move = np.zeros_like(points)
        for i, share in ((self.narrow, -less), (1 - self.narrow, more)):
            move[:, i] = share * (points[:, i] - np.interp(level, self.levels, self.middle[:, i]))
        return move


def _level_weight(level: Floats, low: float, high: float, fade: float) -> Floats:
    beyond = np.maximum(np.maximum(low - level, level - high), 0.0)
    return quintic(1.0 - beyond / fade) if fade > 0 else (beyond <= 0).astype(np.float64)


def _made_up(
    xy: NDArray[np.float64],
    of: NDArray[np.int64],
    middle: NDArray[np.float64],
    less: Floats,
    narrow: int,
    solvable: NDArray[np.bool_],
) -> Floats:
    """By what share the other width must grow at each level so that the hull's perimeter stays: (l,)."""
    k = len(less)
    apart = xy - middle[of]
    before = hull_perimeters(apart, of, k)
    squeezed = apart.copy()
    squeezed[:, narrow] *= 1.0 - less[of]

    def size(more: Floats) -> Floats:
        grown = squeezed.copy()
        grown[:, 1 - narrow] *= 1.0 + more[of]
        return hull_perimeters(grown, of, k)

    return np.where(solvable, secant(size, before, np.where(solvable, less, 0.0), solvable), 0.0)
