"""What stands out under the skin: relief maps on the chart's grid, and directions about each section's own middle.

Relief is the radius smoothed a little less the radius smoothed a lot, in mm, each row taken against its own median:
a bump is positive, a hollow negative, a round end or a taper nothing. Smoothed differently around and along, the
same difference shows a ridge along the limb (a crest, a tendon) or a groove across it (a fold).

A bent knee or a leaning thigh carries the sections off the limb's axis, so an angle about the axis says little there;
`Ground.phi` is the angle about the section's own centroid, from the direction in which the mark at angle 0 lies.
Nothing here knows a landmark.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rectify.geometry.mesh import Floats, Points
from rectify.limb.chart import ROW_MM, Chart, wrap_deg
from rectify.limb.spot import Spot

__all__ = ["Ground", "Relief"]

_ABOVE_ROWS = 40  # rows above the capture's top: 80 mm in which a landmark may lie that was not captured
_MIDDLE_MM = 8.0  # Gaussian sigma along for the line of the sections' centroids
_EDGE_MM = 4.0  # this near to where there is no skin, relief is not to be trusted


@dataclass(frozen=True)
class Relief:
    """One kind of relief: Gaussian sigmas in mm, (less smoothed, more smoothed), around and along.

    `rise` is +1 for what stands out, -1 for a hollow. `tells` says which coordinate it can tell: a ridge along the limb
    tells the direction, a fold across it the level. `round` asks that it stands out both around and along, as a bead
    does and a ridge does not. Relief that varies by less than `floor_mm` says nothing.
    """

    around: tuple[float, float]
    along: tuple[float, float]
    floor_mm: float
    rise: float = 1.0
    tells: Literal["place", "direction", "level"] = "place"
    round: bool = False


class Ground:
    """A chart made ready to be searched: its grid, carried on above the capture's top.

    Parameters
    ----------
    chart : Chart
    zero : Spot or None
        The mark that fixes angle 0; None takes the axis' own angle 0.
    """

    row_mm = ROW_MM

    def __init__(self, chart: Chart, zero: Spot | None) -> None:
        self.chart = chart
        self._smoothed: dict[tuple[float, float], Floats] = {}
        self._reliefs: dict[Relief, Floats] = {}
        self.zero_deg = 0.0
        if zero is not None:
            at = chart.point(np.array([zero.station_mm]), np.array([zero.angle_deg]))
            self.zero_deg = float(self.direction(at)[0])

    # -- where --------------------------------------------------------------------------------------

    @cached_property
    def stations(self) -> Floats:
        """(k,) mm: the chart's rows, after those above its top."""
        above = self.chart.top_mm - ROW_MM * np.arange(_ABOVE_ROWS, 0, -1)
        return np.concatenate([above, self.chart.stations])

    @property
    def angles(self) -> Floats:
        """(c,) degrees about the axis."""
        return self.chart.angles

    def place(self, stations: Floats, angles: Floats) -> Points:
        """The smoothed surface at places, carried on above the top: (n, 3) mm."""
        return self.chart.smooth_point(stations, angles)

    @cached_property
    def surface(self) -> NDArray[np.float64]:
        """(k, c, 3) mm."""
        above = np.repeat(self.chart.surface[:1], _ABOVE_ROWS, axis=0)
        above[:, :, 2] = -self.stations[:_ABOVE_ROWS, None]
        return np.concatenate([above, self.chart.surface])

    @cached_property
    def level(self) -> Floats:
        """(k, c) mm."""
        return np.asarray(-self.surface[:, :, 2])

    @cached_property
    def out(self) -> Floats:
        """(k, c) mm: distance from the axis."""
        return np.asarray(np.hypot(self.surface[:, :, 0], self.surface[:, :, 1]))

    @cached_property
    def phi(self) -> Floats:
        """(k, c) degrees: direction of every cell about its section's centroid."""
        flat = self.surface.reshape(-1, 3)
        return self.direction(flat).reshape(self.level.shape)

    def direction(self, points: Points) -> Floats:
        """Directions about the section's centroid, (n,) degrees, from the mark at angle 0, lateral positive."""
        levels = -points[:, 2]
        lateral, anterior = (np.interp(levels, self._middles[0], middle) for middle in self._middles[1:])
        turn = np.arctan2(points[:, 0] * self.chart.lateral - lateral, points[:, 1] - anterior)
        return wrap_deg(np.degrees(turn) - self.zero_deg)

    @cached_property
    def _middles(self) -> tuple[Floats, Floats, Floats]:
        """Levels of the wall's rows, and how far lateral and anterior their area centroids lie."""
        chart = self.chart
        rows = chart.surface[chart.stations <= chart.centre_mm]
        x, y = rows[:, :, 0] * chart.lateral, rows[:, :, 1]
        u, v = np.roll(x, -1, axis=1), np.roll(y, -1, axis=1)
        cross = x * v - u * y
        area = 3.0 * cross.sum(axis=1)
        centre = (((x + u) * cross).sum(axis=1) / area, ((y + v) * cross).sum(axis=1) / area)
        soft = [ndimage.gaussian_filter1d(part, _MIDDLE_MM / ROW_MM, mode="nearest") for part in centre]
        return np.asarray(-rows[:, :, 2].mean(axis=1)), soft[0], soft[1]

    @cached_property
    def share(self) -> Floats:
        """(k, c): how much level and direction a cell stands for, against one on the wall."""
        polar = np.clip((self.stations - self.chart.centre_mm) / self.chart.centre_radius_mm, 0.0, np.pi / 2)
        return np.asarray(np.broadcast_to(np.cos(polar)[:, None], self.phi.shape))

    @cached_property
    def trusted(self) -> Floats:
        """(k, c): 1 where there is skin all about, 0 where there is none."""
        reach = 2 * int(np.ceil(_EDGE_MM / ROW_MM)) + 1
        skin = self.chart.captured.astype(np.float64)
        return self._with_rows_above(ndimage.minimum_filter(skin, (reach, reach), mode=("nearest", "wrap")))

    def _with_rows_above(self, grid: Floats) -> Floats:
        return np.concatenate([np.zeros((_ABOVE_ROWS, grid.shape[1])), grid])

    # -- what stands out ----------------------------------------------------------------------------

    def relief(self, kind: Relief) -> Floats:
        """(k, c) mm; 0 where there is no skin."""
        if kind not in self._reliefs:
            (fine, broad), (short, long) = kind.around, kind.along
            here = self._smooth(fine, short)
            ways = ((broad, short), (fine, long)) if kind.round else ((broad, long),)
            rises = [here - self._smooth(*way) for way in ways]
            against_row = [kind.rise * (rise - np.median(rise, axis=1, keepdims=True)) for rise in rises]
            self._reliefs[kind] = self._with_rows_above(np.min(against_row, axis=0)) * self.trusted
        return self._reliefs[kind]

    def _smooth(self, around_mm: float, along_mm: float) -> Floats:
        """The radius after Gaussians of these sigmas: around by its transfer function, along over the pole."""
        key = (around_mm, along_mm)
        if key not in self._smoothed:
            chart, radius = self.chart, self.chart.radius
            columns = radius.shape[1]
            polar = np.clip((chart.stations - chart.centre_mm) / chart.centre_radius_mm, 0.0, np.pi / 2)
            ring = np.maximum(radius.mean(axis=1) * np.cos(polar), 1e-9)
            wave = np.arange(columns // 2 + 1)[None, :] / ring[:, None]
            spectrum = np.fft.rfft(radius, axis=1) * np.exp(-0.5 * (wave * around_mm) ** 2)
            soft = np.fft.irfft(spectrum, n=columns, axis=1)
            reach = min(int(4 * along_mm / ROW_MM) + 2, len(radius) - 1)
            over = np.roll(soft[-2 : -2 - reach : -1], columns // 2, axis=1)
            before = 2 * soft[0] - soft[reach:0:-1]  # odd about the edge: a slope carries on
            long = ndimage.gaussian_filter1d(np.concatenate([before, soft, over]), along_mm / ROW_MM, axis=0)
            self._smoothed[key] = np.asarray(long[reach : reach + len(radius)])
        return self._smoothed[key]
