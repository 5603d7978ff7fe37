"""How steep a feather is, and how long it must be: the quintic blend's steepest slope is 15/8 of amount over feather.

The blend is s(t) = 10 t^3 - 15 t^4 + 6 t^5; its slope 30 t^2 (1 - t)^2 is greatest at t = 1/2, where it is 15/8. The
raised cosine's is pi/2 there; that of t^3 (4 - 3 t), which runs out thin, is 16/9 at t = 2/3.
"""

from __future__ import annotations

import math

from rectify.rulebook.plan import Fall

__all__ = [
    "FLARE_MOST_DEG",
    "FLARE_WARN_DEG",
    "STEEPNESS",
    "WARN_DEG",
    "amount_for",
    "feather_for",
    "flare_deg",
    "flare_over",
    "slope_deg",
]

STEEPNESS: dict[Fall, float] = {"smooth": 15 / 8, "cosine": math.pi / 2, "run-out": 16 / 9}
# A flare is a parabola, steepest at the trimline; how far plastic will follow is a working value, no source.
FLARE_WARN_DEG, FLARE_MOST_DEG = 50.0, 65.0
WARN_DEG = 35.0  # a working value: a 45 degree edge is felt; common practice, no source


def slope_deg(amount_mm: float, feather_mm: float, fall: Fall = "smooth") -> float:
    """Steepest slope of a feather, degrees; 90 where there is an amount and no feather.

    Examples
    --------
    >>> round(slope_deg(8.0, 15.0), 6), slope_deg(0.0, 0.0)
    (45.0, 0.0)
    """
    return 0.0 if amount_mm == 0.0 else math.degrees(math.atan2(STEEPNESS[fall] * amount_mm, feather_mm))


def feather_for(amount_mm: float, limit_deg: float, fall: Fall = "smooth") -> float:
    """The shortest feather that carries an amount at a slope, mm.

    Examples
    --------
    >>> round(feather_for(8.0, 45.0), 6)
    15.0
    """
    return STEEPNESS[fall] * amount_mm / math.tan(math.radians(limit_deg))


def amount_for(feather_mm: float, limit_deg: float, fall: Fall = "smooth") -> float:
    """The most that a feather carries at a slope, mm.

    Examples
    --------
    >>> round(amount_for(15.0, 45.0), 6)
    8.0
    """
    return feather_mm * math.tan(math.radians(limit_deg)) / STEEPNESS[fall]


def flare_deg(out_mm: float, over_mm: float) -> float:
    """How steep a flare is at the trimline, degrees: a parabola of `out` over `over` ends at twice its mean slope.

    Examples
    --------
    >>> flare_deg(6.0, 12.0)
    45.0
    """
    return math.degrees(math.atan2(2.0 * out_mm, over_mm))


def flare_over(out_mm: float, limit_deg: float) -> float:
    """The shortest way over which a flare goes out so far at a slope, mm."""
    return 2.0 * out_mm / math.tan(math.radians(limit_deg))
