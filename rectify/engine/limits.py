"""The rulebook's limits, held against the finished shape."""

from __future__ import annotations

import numpy as np

from rectify.geometry.mesh import Floats
from rectify.limb.measure import Profile
from rectify.rulebook.plan import Plan, Warn

__all__ = ["breaches", "judged_levels"]

_ROUNDING_MM = 1e-6
_SAID = {"ap": "AP", "ml": "ML", "circumference": "the circumference"}


def judged_levels(levels: Floats, plan: Plan, wall_to: float) -> Floats:
    """The levels at which limits of widths and girth are held, of those of a capture's profile, every 2 mm: the wall's,
    down to where it turns in to the end; none where the plan says no such limit."""
    limits = plan.limits
    said = (limits.ap_percent, limits.ml_percent, limits.circumference_percent)
    return levels[levels <= wall_to] if any(allowed is not None for allowed in said) else levels[:0]


def breaches(move: Floats, plan: Plan, volume_percent: float, before: Profile, after: Profile) -> tuple[Warn, ...]:
    """Every limit that does not hold, as warnings of severity stop.

    Parameters
    ----------
    move : (n,) mm
        From the captured surface, outward positive.
    plan : Plan
    volume_percent : float
        Change of volume below the plane.
    before, after : Profile
        At the levels at which widths and circumferences are held: see `judged_levels`.
    """
    limits = plan.limits
    out: list[Warn] = []

    def stop(code: str, message: str, where: str) -> None:
        out.append(Warn(code, "stop", message, f"limits.{where}"))

    if limits.volume_percent is not None and not limits.volume_percent[0] <= volume_percent <= limits.volume_percent[1]:
        low, high = limits.volume_percent
        stop(
            "limit-volume",
            f"the volume changes by {volume_percent:+.1f} %; the rulebook allows {low:+g} to {high:+g} %",
            "volume",
        )
    if limits.reduction_mm is not None and -move.min() > limits.reduction_mm + _ROUNDING_MM:
        stop(
            "limit-reduction",
            f"the deepest reduction is {-move.min():.1f} mm; the rulebook allows {limits.reduction_mm:g} mm",
            "reduction",
        )
    if limits.build_up_mm is not None and move.max() > limits.build_up_mm + _ROUNDING_MM:
        stop(
            "limit-build-up",
            f"the highest build-up is {move.max():.1f} mm; the rulebook allows {limits.build_up_mm:g} mm",
            "build-up",
        )
    for name, allowed in (
        ("ap", limits.ap_percent),
        ("ml", limits.ml_percent),
        ("circumference", limits.circumference_percent),
    ):
        if allowed is None:
            continue
        was, now = getattr(before, name), getattr(after, name)
        there = np.isfinite(was) & np.isfinite(now)
        percent = 100.0 * (now[there] / was[there] - 1.0)
        for worst in (percent.argmin(), percent.argmax()) if len(percent) else ():
            if not allowed[0] <= percent[worst] <= allowed[1]:
                level = before.levels[there][worst]
                stop(
                    f"limit-{name}",
                    f"{_SAID[name]} at level {level:.0f} mm changes by {percent[worst]:+.1f} %; "
                    f"the rulebook allows {allowed[0]:+g} to {allowed[1]:+g} %",
                    name,
                )
    return tuple(out)
