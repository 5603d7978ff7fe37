"""Landmarks nobody marked, from the shape and from proportions.

What is marked is taken as known, give or take a hand's scatter, and moves and narrows the expectation of the rest;
then each landmark is looked for on the chart, and what is found moves and narrows those that go with it. An estimate
says how far off it may be: within `uncertainty_mm` of it the landmark lies on nine limbs of ten (of limbs of known
shape; see benchmarks). It depends on nothing but the limb: not on which names are asked for, not on the pose.

Never invented: a landmark the case calls absent, what goes with an absent one (a neck without a head), and names of
which no proportion is known. A place above the capture's edge is estimated from proportions and says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

import numpy as np

from rectify.geometry.mesh import Floats
from rectify.limb.chart import wrap_deg
from rectify.limb.estimates.anatomy import ANATOMY, Look
from rectify.limb.estimates.belief import Belief
from rectify.limb.estimates.relief import Ground
from rectify.limb.estimates.search import Found, search
from rectify.limb.landmarks import Landmark
from rectify.limb.limb import Limb
from rectify.limb.spot import Spot
from rectify.limb.vocabulary import vocabulary

__all__ = ["all_estimates", "estimate"]

# A hand's own scatter in placing a feature, standard deviation along the limb 2.8 and 4.3 mm (Convery P et al. (2003),
# Prosthet Orthot Int 27(3):207-213), less of it around: taken as 3 mm either way. No estimate is surer than a hand.
_HAND_MM = 3.0
_NINE_TENTHS = 2.146  # standard deviations of a plane's normal distribution within which nine tenths lie
_MARKED_MM = 2.0  # how far a mark is off that somebody made
_DOUBT = 0.2  # how much is kept for the shape saying nothing
_STRANGE = 3.0  # a mark that lies more standard deviations than this from where it is expected pulls no more
_TROCHANTER_DEG, _USUAL_DEG = 15.0, 4.0  # how unsure angle 0 is where the trochanter fixes it, and usually
_CLEAR, _FAINT = 0.55, 0.85  # spread left after the shape was looked at


def estimate(limb: Limb, names: Iterable[str]) -> dict[str, Landmark]:
    """Landmarks that are asked for and not on the limb, estimated.

    Parameters
    ----------
    limb : Limb
    names : landmark names
        Those already on the limb (marked, computed or absent) and those nothing is known of are passed over.

    Returns
    -------
    dict of name -> Landmark
        `source` estimated, `uncertainty_mm` (whole mm, rounded up; of a line, its least sure point's, across the line),
        `note` what it rests on; `beyond_capture` where it lies above the capture's edge. In the order asked.
    """
    asked = [name for name in dict.fromkeys(names) if name not in limb.landmarks]
    if not asked:
        return {}
    known = all_estimates(limb)
    return {name: known[name] for name in asked if name in known}


def all_estimates(limb: Limb) -> dict[str, Landmark]:
    """Every landmark that is not on the limb and of which something is known, estimated.

    Empty for an amputation of which no proportions are known.
    """
    looks = _looks(limb)
    if not looks:
        return {}
    names, exact = _zero(limb)
    ground = Ground(limb.chart, limb.landmarks[names[-1]].spots[0] if exact else None)
    belief = Belief([look.place for look in looks])
    for name, mark in sorted(limb.landmarks.items()):
        if mark.source in ("marked", "mark") and mark.spots and not (exact and name in names):
            _know(belief, ground, name, mark)
    found: dict[str, list[tuple[Look, Found]]] = {}
    for look in looks:
        if look.landmark in limb.landmarks or _gone(look, limb.landmarks):
            continue
        result = search(ground, *belief.of(look.name), look.shape, _DOUBT, look.across)
        if result is not None:
            belief.learn(look.name, result.mean, result.covariance + _scatter(ground, result.spot, _HAND_MM))
            found.setdefault(look.landmark, []).append((look, result))
    return {name: _landmark(name, parts, ground) for name, parts in found.items()}


def _looks(limb: Limb) -> tuple[Look, ...]:
    """What is known of this amputation, its levels on this limb."""
    unsure = 1.0 if _zero(limb)[1] else _TROCHANTER_DEG / _USUAL_DEG
    looks = []
    for look in ANATOMY.get(limb.amputation, ()):
        place, shares = look.place, dict(look.place.shares)
        if "zero" in shares:
            shares["zero"] = (shares["zero"][0], shares["zero"][1] * unsure)
        end = look.from_end(limb.end_level_mm) if look.from_end else 0.0
        looks.append(replace(look, place=replace(place, level=place.level + end, shares=shares)))
    return tuple(looks)


def _zero(limb: Limb) -> tuple[tuple[str, ...], bool]:
    """The names that fix angle 0, and whether they do so exactly."""
    for names in vocabulary(limb.amputation).zero:
        if all(name in limb.landmarks and limb.landmarks[name].spots for name in names):
            return names, len(names) == 1 and names[0] != "greater-trochanter"
    return (), False


def _gone(look: Look, landmarks: Mapping[str, Landmark]) -> bool:
    """Whether it goes with something the limb does not have."""
    return any(name in landmarks and landmarks[name].absent for name in look.gone_with)


# -- what is marked -------------------------------------------------------------------------------


def _know(belief: Belief, ground: Ground, name: str, mark: Landmark) -> None:
    """A mark, and what it says of the places that are believed in."""
    for place, level, direction in _seen(belief, ground, name, mark):
        mean, covariance = belief.of(place)
        along, around = np.sqrt(np.diag(_scatter(ground, mark.spots[0], _MARKED_MM)))
        off = np.array([level - mean[0], float(wrap_deg(direction - mean[1]))])
        aware = covariance + np.diag([along**2, around**2])
        strange = float(np.sqrt(off @ np.linalg.solve(aware, off))) / _STRANGE
        slack = max(1.0, strange) ** 2 - 1.0  # as much more doubt as brings it to the bound
        belief.known(
            place,
            level,
            direction,
            float(np.sqrt(along**2 + slack * aware[0, 0])),
            float(np.sqrt(around**2 + slack * aware[1, 1])),
        )


def _seen(belief: Belief, ground: Ground, name: str, mark: Landmark) -> Iterator[tuple[str, float, float]]:
    """Place, level and direction of each point a mark gives; of a line, where it passes the expected levels."""
    levels, directions = -mark.points[:, 2], ground.direction(mark.points)
    if name in belief:
        yield name, float(levels[0]), float(directions[0])
        return
    parts = [place for place in belief.names if place.split("/")[0] == name]
    if not parts:
        return
    if name != "tibial-crest" or len(levels) == 1:  # a line across the limb, or a single point: its middle
        middle = len(levels) // 2
        yield parts[1], float(levels[middle]), float(directions[middle])
        return
    order = np.argsort(levels)
    for place in parts:
        level = float(belief.of(place)[0][0])
        if levels.min() <= level <= levels.max():
            yield place, level, float(np.interp(level, levels[order], directions[order]))


def _scatter(ground: Ground, spot: Spot, mm: float) -> Floats:
    """Covariance of a scatter of so many mm at a place: level (mm) and direction (degrees)."""
    point = ground.place(np.array([spot.station_mm]), np.array([spot.angle_deg]))[0]
    radius = max(float(np.hypot(point[0], point[1])), 10.0)
    return np.diag([mm**2, np.degrees(mm / radius) ** 2])


# -- what is told ---------------------------------------------------------------------------------


def _landmark(name: str, parts: list[tuple[Look, Found]], ground: Ground) -> Landmark:
    chart = ground.chart
    spots = tuple(found.spot for _, found in parts)
    stations, angles = (np.array(c) for c in zip(*((s.station_mm, s.angle_deg) for s in spots), strict=True))
    beyond = bool((stations < chart.top_mm).any() or not chart.is_captured(stations, angles).all())
    unsure = np.ceil(max(np.hypot(found.radius_mm, _NINE_TENTHS * _HAND_MM) for _, found in parts))
    note = _note(parts) + ("; above the capture's edge" if beyond else "")
    points = chart.point(stations, angles)
    return Landmark(name, points, spots, "estimated", float(unsure), beyond_capture=beyond, note=note)


def _note(parts: list[tuple[Look, Found]]) -> str:
    left = max(found.narrowed for _, found in parts)
    if left <= _CLEAR:
        return "from the shape, where it stands out"
    return "from the shape and proportions" if left <= _FAINT else "from proportions: little stands out there"
