"""Landmarks on a limb: where they are, who says so, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from rectify.geometry.mesh import Floats, Points
from rectify.limb.chart import Chart
from rectify.limb.spot import Spot

__all__ = ["Landmark", "RawLandmark", "Source", "on_chart"]

# how far a landmark read from a pencil mark may lie from the middle of what was drawn: on one impression and on painted
# limbs half lie within 0.5 mm and nine of ten within 0.9 (benchmarks/marks.py). What a hand is off is not in it.
_PENCIL_MM = 1.0

Source = Literal["marked", "mark", "computed", "estimated"]


@dataclass(frozen=True, eq=False)
class RawLandmark:
    """A landmark as the case gives it, in the capture's axes, mm.

    Parameters
    ----------
    points : (k, 3)
        One point, or the points of a line; none where the landmark is absent.
    absent : bool
        The limb has no such place (a short limb has no fibular shaft): nothing is invented for it.
    beyond_capture : bool
        It lies past the capture's edge, so it need not be on the surface.
    line : int, optional
        Where the file says it.
    source : marked, or mark where it was read from a pencil mark
    """

    points: Points
    absent: bool = False
    beyond_capture: bool = False
    line: int | None = None
    source: Source = "marked"


@dataclass(frozen=True, eq=False)
class Landmark:
    """A landmark on the chart.

    Parameters
    ----------
    name : str
    points : (k, 3) mm, limb frame; one, or the points of a line; empty where absent
    spots : as many places
    source : marked (by a person), mark (read from a pencil mark), computed (from marked ones or the whole
        shape, by definition), estimated (from proportions: not to be trusted like a mark)
    uncertainty_mm : float
    off_surface_mm : float
        How far the farthest point lies from the skin, as given.
    """

    name: str
    points: Points
    spots: tuple[Spot, ...]
    source: Source = "marked"
    uncertainty_mm: float = 0.0
    absent: bool = False
    beyond_capture: bool = False
    off_surface_mm: float = 0.0
    note: str = field(default="")

    @property
    def level_mm(self) -> float:
        """Level of the first point; NaN where absent."""
        return float(-self.points[0, 2]) if len(self.points) else float("nan")

    @property
    def angle_deg(self) -> float:
        """Angle of the first point in [0, 360); NaN where absent."""
        return self.spots[0].angle_deg % 360.0 if self.spots else float("nan")


def on_chart(name: str, raw: RawLandmark, chart: Chart, frame: Floats) -> Landmark:
    """Carry a landmark into the limb frame and onto the chart; it keeps its own xyz."""
    if raw.absent:
        return Landmark(name, np.zeros((0, 3)), (), raw.source, absent=True)
    points = raw.points @ frame[:3, :3].T + frame[:3, 3]
    stations, angles = chart.locate(points)
    off = 0.0 if raw.beyond_capture else float(np.linalg.norm(chart.point(stations, angles) - points, axis=1).max())
    spots = tuple(Spot(float(s), float(a)) for s, a in zip(stations, angles, strict=True))
    unsure = _PENCIL_MM if raw.source == "mark" else 0.0
    return Landmark(name, points, spots, raw.source, unsure, beyond_capture=raw.beyond_capture, off_surface_mm=off)


def computed(
    name: str, spot: Spot, chart: Chart, uncertainty_mm: float, source: Source = "computed", note: str = ""
) -> Landmark:
    """A landmark placed on the chart by the program."""
    point = chart.point(np.array([spot.station_mm]), np.array([spot.angle_deg]))
    return Landmark(name, point, (spot,), source, uncertainty_mm, note=note)


def raw_landmarks(points: Mapping[str, Points]) -> dict[str, RawLandmark]:
    """Plain arrays (3,) or (k, 3) as raw landmarks."""
    return {name: RawLandmark(np.atleast_2d(np.asarray(p, dtype=np.float64))) for name, p in points.items()}
