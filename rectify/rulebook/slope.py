"""How steep a feather is, and how long it must be: the quintic blend's steepest slope is 15/8 of amount over feather.

The blend is s(t) = 10 t^3 - 15 t^4 + 6 t^5; its slope 30 t^2 (1 - t)^2 is greatest at t = 1/2, where it is 15/8.
"""

from __future__ import annotations

import math

__all__ = ["QUINTIC", "WARN_DEG", "feather_for", "slope_deg"]

QUINTIC = 1.875
WARN_DEG = 35.0  # a working value: a 45 degree edge is felt; common practice, no source


def slope_deg(amount_mm: float, feather_mm: float) -> float:
    """Steepest slope of a feather, degrees; 90 where there is an amount and no feather.

    Examples
    --------
    >>> round(slope_deg(8.0, 15.0), 6), slope_deg(0.0, 0.0)
    (45.0, 0.0)
    """
    return 0.0 if amount_mm == 0.0 else math.degrees(math.atan2(QUINTIC * amount_mm, feather_mm))


def feather_for(amount_mm: float, limit_deg: float) -> float:
    """The shortest feather that carries an amount at a slope, mm.

    Examples
    --------
    >>> round(feather_for(8.0, 45.0), 6)
    15.0
    """
    return QUINTIC * amount_mm / math.tan(math.radians(limit_deg))
