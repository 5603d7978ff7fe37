"""What was read of how much a difference matters, beside each figure: what people notice, and what people differ by.

Keys are those of the evidence list (rules/evidence.yaml). Nothing here says that a shape will fit or will not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rectify.rulebook.compare import ONE_PERSON_MM, TWO_PEOPLE_MM, spread

__all__ = ["CITATIONS", "MEAN_MM", "PLY_PERCENT", "QUARTILES_MM", "Beside", "beside"]

MEAN_MM, QUARTILES_MM = 0.25, 0.40  # Sanders, Severance, Allyn (2012) J Rehabil Res Dev 49(4):567-582
PLY_PERCENT = 1.1  # Sanders and others (2007) J Rehabil Res Dev 44(3):395-405, doi 10.1682/jrrd.2006.06.0069

CITATIONS = {
    "sanders-2012-error": (
        "Sanders JE, Severance MR, Allyn KJ (2012) J Rehabil Res Dev 49(4):567-582: of 33 sockets all 13 with a mean "
        "radial error above 0.25 mm were judged unacceptable; an interquartile range of 0.40 mm marked those too "
        "large, as a whole or over a part"
    ),
    "sanders-2007-ply": (
        "Sanders JE, and others (2007) J Rehabil Res Dev 44(3):395-405, doi 10.1682/jrrd.2006.06.0069: a volume "
        "difference of 1.1 % is taken as about one sock ply"
    ),
    "convery-2003": (
        "Convery P, and others (2003) Prosthet Orthot Int 27(3):207-213: rectifying one cast, one experienced person "
        f"repeats himself to {ONE_PERSON_MM:g} mm, two differ by {TWO_PEOPLE_MM:g} mm"
    ),
}


@dataclass(frozen=True)
class Beside:
    """A figure, what it is held against, and what that says in words."""

    figure: str
    value: float
    unit: str
    mark: float
    says: str
    evidence: str
    signed: bool = True


def beside(mean_mm: float, quartiles_mm: float, volume_percent: float | None, largest_mm: float | None) -> list[Beside]:
    """The overall figures against what was read of them.

    Parameters
    ----------
    mean_mm : signed mean distance
    quartiles_mm : between the quartiles of the distances
    volume_percent : None where no volume can be told
    largest_mm : signed, the median of the region or place that differs most; None where there is none

    Examples
    --------
    >>> [(b.figure, b.says) for b in beside(0.1, 0.1, -2.2, None)][::2]
    [('mean distance', 'less than was noticed'), ('volume', 'about 2 sock plies less')]
    """
    less = "less than was noticed"
    out = [
        Beside(
            "mean distance",
            mean_mm,
            "mm",
            MEAN_MM,
            less if abs(mean_mm) < MEAN_MM else f"over {MEAN_MM:g} mm, where it was noticed",
            "sanders-2012-error",
        ),
        Beside(
            "between quartiles",
            quartiles_mm,
            "mm",
            QUARTILES_MM,
            less if quartiles_mm < QUARTILES_MM else f"over {QUARTILES_MM:.2f} mm, where it was noticed",
            "sanders-2012-error",
            signed=False,
        ),
    ]
    if volume_percent is not None and math.isfinite(volume_percent):
        out.append(Beside("volume", volume_percent, "%", PLY_PERCENT, _plies(volume_percent), "sanders-2007-ply"))
    if largest_mm is not None and math.isfinite(largest_mm):
        says = spread(largest_mm) or "no difference"
        out.append(Beside("where it differs most", largest_mm, "mm", TWO_PEOPLE_MM, says, "convery-2003"))
    return out


def _plies(percent: float) -> str:
    plies = abs(percent) / PLY_PERCENT
    if plies < 0.5:
        return "less than half a sock ply"
    count = max(1, round(plies))
    return f"about {count} sock {'ply' if count == 1 else 'plies'} {'more' if percent > 0 else 'less'}"
