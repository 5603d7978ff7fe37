"""A limb in closed form: a cylinder with a half sphere at its end, on its own chart.

Every length on it is known by a formula: along the wall a station is a level, round it an angle is an arc,
on the end a station is an arc of the meridian. It stands in for a limb wherever only its chart is asked.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rectify.limb.spot import Spot

Floats = NDArray[np.float64]


def wrapped(angle: Floats | float) -> Floats:
    return (np.asarray(angle, dtype=np.float64) + 180.0) % 360.0 - 180.0


@dataclass(frozen=True)
class CapsuleChart:
    """A cylinder of `radius` from `top_mm` to `centre_mm`, then a half sphere of the same radius."""

    radius: float = 50.0
    top_mm: float = -60.0
    centre_mm: float = 120.0

    @property
    def pole_mm(self) -> float:
        return self.centre_mm + self.radius * np.pi / 2

    def ring(self, stations: Floats | float) -> Floats:
        """Distance from the axis."""
        polar = np.clip((np.asarray(stations, dtype=np.float64) - self.centre_mm) / self.radius, 0.0, np.pi / 2)
        return self.radius * np.cos(polar)

    def point(self, stations: Floats, angles: Floats) -> Floats:
        polar = np.clip((np.asarray(stations) - self.centre_mm) / self.radius, 0.0, np.pi / 2)
        ring, turn = self.ring(stations), np.radians(angles)
        z = np.where(np.asarray(stations) > self.centre_mm, -self.centre_mm - self.radius * np.sin(polar), -stations)
        return np.stack([ring * np.sin(turn), ring * np.cos(turn), z], axis=-1)

    def apart(self, spot: Spot, stations: Floats, angles: Floats) -> tuple[Floats, Floats]:
        around = self.ring(stations) * np.radians(wrapped(np.asarray(angles) - spot.angle_deg))
        return around, np.asarray(stations) - spot.station_mm

    def step(self, spot: Spot, along_mm: float, around_mm: float) -> Spot:
        station = float(np.clip(spot.station_mm + along_mm, self.top_mm, self.pole_mm))
        ring = max(float(self.ring(station)), 1e-9)
        return Spot(station, float(wrapped(spot.angle_deg + np.degrees(around_mm / ring))))

    def mean_radius(self, station: float) -> float:
        return float(self.ring(station))

    def is_captured(self, stations: Floats, angles: Floats) -> NDArray[np.bool_]:  # noqa: ARG002 - a straight edge
        return np.asarray(stations) >= self.top_mm


@dataclass(frozen=True)
class FakeMark:
    """A landmark by its spots."""

    spots: tuple[Spot, ...]
    level_mm: float
    source: str = "marked"
    uncertainty_mm: float = 0.0
    absent: bool = False
    beyond_capture: bool = False


@dataclass(frozen=True)
class FakeLimb:
    """What `resolve` asks of a limb."""

    landmarks: dict[str, FakeMark]
    chart: CapsuleChart = field(default_factory=CapsuleChart)
    amputation: str = "transtibial"
    edge_mm: float = 1.5


def mark(chart: CapsuleChart, *places: tuple[float, float], **known: object) -> FakeMark:
    """A landmark at (station, angle), one or several."""
    spots = tuple(Spot(float(station), float(angle)) for station, angle in places)
    level = float(-chart.point(np.array([spots[0].station_mm]), np.array([spots[0].angle_deg]))[0, 2]) if spots else 0.0
    return FakeMark(spots, level, **known)  # type: ignore[arg-type]


def absent() -> FakeMark:
    return FakeMark((), float("nan"), absent=True)


def transtibial(chart: CapsuleChart | None = None, **changes: FakeMark | None) -> FakeLimb:
    """A below-knee limb; `changes` replace landmarks (names with _ for -), None takes one away."""
    chart = chart or CapsuleChart()
    end = chart.pole_mm
    low = chart.centre_mm
    marks: dict[str, FakeMark] = {
        "patella-apex": mark(chart, (-21, 0)),
        "patella-centre": mark(chart, (-40, 0)),
        "mid-patellar-tendon": mark(chart, (0, 0)),
        "tibial-tubercle": mark(chart, (21, 5)),
        "tibial-crest": mark(chart, (35, 2), (60, -2), (90, -2)),
        "medial-joint-line": mark(chart, (-8, -80)),
        "medial-tibial-flare": mark(chart, (25, -55)),
        "fibular-head": mark(chart, (14, 115)),
        "fibular-neck": mark(chart, (34, 118)),
        "distal-tibia": mark(chart, (low - 10, 0)),
        "distal-fibula": mark(chart, (low - 18, 95)),
        "tibia-end": mark(chart, (low + 5, 0)),
        "medial-hamstring": mark(chart, (-10, -145)),
        "lateral-hamstring": mark(chart, (-15, 145)),
        "popliteal": mark(chart, (5, 180)),
        "popliteal-crease": mark(chart, (-12, 160), (-12, 180), (-12, -160)),
        "medial-condyle": mark(chart, (-25, -90)),
        "lateral-condyle": mark(chart, (-25, 90)),
        "inflection": mark(chart, (low, 0)),
        "distal-end": mark(chart, (end, 0)),
    }
    for name, changed in changes.items():
        key = name.replace("_", "-")
        if changed is None:
            marks.pop(key)
        else:
            marks[key] = changed
    return FakeLimb(marks, chart)
