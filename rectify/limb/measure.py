"""What a tape and a calliper read on a limb, level by level, and its lengths, volume and shape.

A circumference is the perimeter of the section's convex hull, as a tape bridges hollows. AP and ML are
the section's extents along the limb frame's y and x, as a calliper held square reads them. An open
section has no circumference: it is NaN, never invented.

On a noisy capture a tape would ride on the noise's peaks (1 mm on 0.2 mm of noise). So circumference, perimeter and
widths of a rough section are those of its outline freed of ripples shorter than some 10 mm; of a clean one they are
exact, and between the two the way is gradual. `rough_mm` says how rough it is. Areas need no such help.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.contours import quiet_rings
from rectify.geometry.hulls import hull_extents, hull_perimeters
from rectify.geometry.mesh import Floats, Ints, Mesh
from rectify.geometry.sections import Cuts, cut

__all__ = ["Profile", "inflection_level", "length_class", "measure_levels", "shape_class"]

# our cut-offs, from memory: no published ones were read
_CONICAL_BELOW = 0.90
_BULBOUS_ABOVE = 1.05
# the outline's low-pass: four fifths of what 0.2 mm of noise add to a girth go, and about the knee 0.05 mm of the girth
_QUIET_MM = 2.0
_CLEAN_MM, _ROUGH_MM = 0.03, 0.07  # as `rough_mm` has it: facets of 5 mm edges read 0.02, 0.2 mm of noise 0.08 to 0.12
_NOISE_OF_ROUGH = 2.0  # noise that differs from vertex to vertex, over what an outline between them shows of it
_WALL_SLOPE = 0.15  # up to this the wall only tapers: 9 degrees. Our own choice.
_TURN_IN_SLOPE = 0.35  # radius lost per mm of level, 19 degrees: the wall has begun to turn in. Our own choice.


@dataclass(frozen=True, eq=False)
class Profile:
    """Measures at k levels.

    Parameters
    ----------
    levels : (k,) mm, ascending
    circumference, perimeter : (k,) mm; NaN where the section is open or missing
    area : (k,) mm²; NaN likewise
    ap, ml : (k,) mm; NaN likewise
    closed : (k,) bool
    rough_mm : (k,)
        How rough the section's outline is; NaN where it is open or missing.
    """

    levels: Floats
    circumference: Floats
    perimeter: Floats
    area: Floats
    ap: Floats
    ml: Floats
    closed: NDArray[np.bool_]
    rough_mm: Floats

    def only(self, levels: Floats) -> Profile:
        """The same at some of its levels (k,), ascending.

        Raises
        ------
        ValueError
            If one of them is not among its own.
        """
        at = np.searchsorted(self.levels, levels)
        if len(at) and (at[-1] >= len(self.levels) or not np.array_equal(self.levels[at], levels)):
            raise ValueError("a level that was not measured")
        return Profile(**{field.name: getattr(self, field.name)[at] for field in fields(self)})

    def at(self, level: float, values: Floats) -> float:
        """One of the columns at any level between closed ones; NaN outside."""
        there = self.closed
        if not there.any() or not self.levels[there][0] <= level <= self.levels[there][-1]:
            return float("nan")
        return float(np.interp(level, self.levels[there], values[there]))

    @property
    def noise_mm(self) -> float:
        """About the standard deviation of the noise on the vertices; 0 where the outlines are as smooth as facets."""
        rough = self.rough_mm[self.closed]
        middle = float(np.median(rough)) if len(rough) else 0.0
        return _NOISE_OF_ROUGH * middle if middle > _CLEAN_MM else 0.0


def measure_levels(mesh: Mesh, levels: Floats) -> Profile:
    """Measure a limb at many levels at once.

    Parameters
    ----------
    mesh : Mesh
        In the limb frame; open at the top or not.
    levels : (k,) mm, ascending
    """
    levels = np.asarray(levels, dtype=np.float64)
    cuts = cut(mesh, -mesh.vertices[:, 2], levels)
    closed = cuts.closed
    # height falls with level, so the pieces run the other way round and the area is negative
    area, _ = cuts.areas_and_centroids()
    outlines = _outlines(cuts)
    k = len(levels)
    hull = hull_perimeters(outlines.points, outlines.level_of, k)
    extents = hull_extents(outlines.points, outlines.level_of, k)

    def only_closed(values: Floats) -> Floats:
        return np.where(closed, values, np.nan)

    return Profile(
        levels,
        only_closed(hull),
        only_closed(outlines.perimeter),
        only_closed(np.abs(area)),
        only_closed(extents[:, 1]),
        only_closed(extents[:, 0]),
        closed,
        only_closed(outlines.rough_mm),
    )


@dataclass(frozen=True, eq=False)
class _Outlines:
    """Points (s, 2) with their levels (s,), and by level (k,) perimeter and roughness."""

    points: NDArray[np.float64]
    level_of: Ints
    perimeter: Floats
    rough_mm: Floats


def _outlines(cuts: Cuts) -> _Outlines:
    """Sections as a tape meets them: as cut where they are clean, quiet where they are rough."""
    rings = quiet_rings(cuts, _QUIET_MM)
    k = len(cuts.levels)
    rough, longest = np.zeros(k), np.zeros(k)
    np.maximum.at(longest, rings.level_of, rings.length_mm)
    main = rings.length_mm == longest[rings.level_of]  # of several rings in a level the longest says how rough it is
    rough[rings.level_of[main]] = rings.rough_mm[main]
    share = np.clip((rough - _CLEAN_MM) / (_ROUGH_MM - _CLEAN_MM), 0.0, 1.0)
    noisy = share[rings.level_of] > 0.0
    level = rings.level_of[noisy]
    curves = rings.blended(share[rings.level_of])[noisy]
    steps = np.linalg.norm(np.roll(curves, -1, axis=1) - curves, axis=2).sum(axis=1)
    perimeter = np.where(share > 0.0, np.bincount(level, weights=steps, minlength=k), cuts.perimeters())
    clean = share[cuts.level_of] == 0.0
    points = np.concatenate([cuts.starts[clean, :2], curves.reshape(-1, 2)])
    level_of = np.concatenate([cuts.level_of[clean], np.repeat(level, curves.shape[1])])
    return _Outlines(points, level_of, perimeter, rough)


def inflection_level(profile: Profile) -> float:
    """Where the profile starts curving in to the end (the inflection level of ISO 8548-2, in our words).

    The most proximal level of the distal run in which the mean radius falls by more than 0.35 mm per mm.
    """
    there = np.flatnonzero(profile.closed)
    radius = np.sqrt(profile.area[there] / np.pi)
    level = profile.levels[there]
    if len(level) < 3:
        return float(level[-1]) if len(level) else float("nan")
    slope = -np.gradient(radius, level)
    gentle = np.flatnonzero(slope <= _TURN_IN_SLOPE)
    return float(level[gentle[-1]]) if len(gentle) else float(level[0])


def shape_class(profile: Profile, from_level: float, to_level: float) -> tuple[str, float]:
    """conical, cylindrical or bulbous, and the distal over the proximal circumference that says so.

    Proximal: a quarter of the way from `from_level` (the origin) to `to_level` (the inflection), which is past the
    joint; distal: the last level above `to_level` at which the wall has not begun to turn in. The classes are
    ISO 8548-2's; the cut-offs 0.90 and 1.05 are ours, from memory.
    """
    proximal = profile.at(from_level + 0.25 * (to_level - from_level), profile.circumference)
    there = np.flatnonzero(profile.closed & (profile.levels > from_level) & (profile.levels <= to_level))
    distal = profile.at(to_level, profile.circumference)
    if len(there) > 2:
        slope = -np.gradient(np.sqrt(profile.area[there] / np.pi), profile.levels[there])
        wall = there[slope <= _WALL_SLOPE]
        low = from_level + 0.6 * (to_level - from_level)
        if len(wall) and profile.levels[wall[-1]] > low:
            distal = float(profile.circumference[wall[-1]])
    ratio = float(distal / proximal)
    if ratio < _CONICAL_BELOW:
        return "conical", ratio
    return ("bulbous" if ratio > _BULBOUS_ABOVE else "cylindrical"), ratio


# Shorter than the first is short, longer than the second is long, mm from the origin of levels to the distal end.
# Transtibial: under 120 mm is called short (a practitioner's note, weak); 178 mm is the upper end of a range called
# optimal (MSc project, Concordia University St Paul, 2024, abstract). Transfemoral: 151 mm, below which the thigh is
# said to be weaker (weak, secondary), and 280 mm, the mean of 62 thighs from trochanter to bone end (weak, secondary),
# taken as if from the perineum to the soft end. Working values.
_LENGTHS = {"transtibial": (120.0, 178.0), "transfemoral": (151.0, 280.0)}


def length_class(amputation: str, length_mm: float) -> str | None:
    """short, average or long; None for an amputation that has no such classes.

    Examples
    --------
    >>> length_class("transtibial", 110.0), length_class("transfemoral", 200.0), length_class("transradial", 150.0)
    ('short', 'average', None)
    """
    if amputation not in _LENGTHS:
        return None
    low, high = _LENGTHS[amputation]
    return "short" if length_mm < low else "long" if length_mm > high else "average"
