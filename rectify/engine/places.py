"""Where a limb's vertices are on its chart."""

from __future__ import annotations

from dataclasses import dataclass

from rectify.geometry.mesh import Floats, Points
from rectify.limb.limb import Limb

__all__ = ["Places", "places_of"]


@dataclass(frozen=True, eq=False)
class Places:
    """Where a limb's vertices are on its chart, (n,) and (n,), and the captured surface's direction there (n, 3)."""

    stations: Floats
    angles: Floats
    normals: Points


def places_of(limb: Limb) -> Places:
    """The chart places of a limb's vertices."""
    stations, angles = limb.chart.locate(limb.mesh.vertices)
    return Places(stations, angles, limb.chart.normal(stations, angles))
