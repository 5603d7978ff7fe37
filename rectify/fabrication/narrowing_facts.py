"""A narrowing and a place on a limb as reports hold them: levels, angles, mm."""

from __future__ import annotations

from typing import Any

import numpy as np

from rectify.fabrication.narrowing import Narrowing
from rectify.geometry.mesh import Floats

__all__ = ["narrowing_facts", "place_of"]


def narrowing_facts(found: Narrowing, side: str) -> dict[str, Any]:
    """What is in the way along one pull."""
    girth = None
    if found.girth_level_mm is not None:
        girth = {
            "level_mm": _mm(found.girth_level_mm),
            "circumference_mm": _mm(found.girth_mm),
            "largest_below_mm": _mm(found.girth_below_mm),
            "narrower_mm": _mm(found.girth_below_mm - found.girth_mm),
            "narrower_percent": round(found.girth_percent, 2),
        }
    return {
        "narrower_mm": _mm(found.narrower_mm),
        "at": None if found.at is None else place_of(np.array(found.at), side),
        "circumference": girth,
    }


def place_of(point: Floats, side: str) -> dict[str, Any]:
    """Level, angle and coordinates of a point (3,) in the limb frame."""
    x, y, z = point.tolist()
    angle = float(np.degrees(np.arctan2(x if side == "right" else -x, y))) % 360.0
    return {"level_mm": _mm(-z), "angle_deg": round(angle, 1) % 360.0, "xyz": [_mm(x), _mm(y), _mm(z)]}


def _mm(value: float) -> float:
    return round(float(value), 3) + 0.0
