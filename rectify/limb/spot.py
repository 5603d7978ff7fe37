"""A place on a limb's surface, as the chart names it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Spot"]


@dataclass(frozen=True)
class Spot:
    """Station along the limb (mm; the level, on the wall) and angle about the axis (degrees)."""

    station_mm: float
    angle_deg: float
