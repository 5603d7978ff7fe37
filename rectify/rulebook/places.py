"""From words to places: landmarks, moves, lines and levels of a rulebook, on one limb's chart.

What is needed of a limb is said as protocols, so that a closed form will do. Moves go along the surface;
levels go along the axis. Which way round "lateral" or "posterior" is follows from where the landmark lies.
Not promised: a place where the chart itself is not to be trusted (a deep fold).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from rectify.limb.spot import Spot
from rectify.limb.vocabulary import VOCABULARY
from rectify.rulebook.parts import LevelPlace, Moves, Place, RingPlace
from rectify.rulebook.plan import Anchor, Shape
from rectify.rulebook.quantity import Quantity
from rectify.rulebook.words import Wrong

if TYPE_CHECKING:
    from shapely import Geometry

__all__ = ["ChartLike", "LandmarkLike", "LimbLike", "Line", "Places", "wrap"]

Floats = NDArray[np.float64]
SIDE_DEG = {"anterior": 0.0, "lateral": 90.0, "posterior": 180.0, "medial": -90.0}
AMBIGUOUS_DEG = 10.0  # so near to a side, or to the opposite one, "towards it" could be either way
DOUBLE_MM = 0.5  # a point of a line this close to its neighbour's level is the same place twice
CLIPPED_MM = 0.1  # a step that falls short by more has met the edge; the chart's own steps are good to 0.01
SHARPEST = 2.0  # a corner of a shifted path reaches at most this many times as far as its sides


class ChartLike(Protocol):
    """What is asked of a chart; see `rectify.limb.chart`."""

    @property
    def pole_mm(self) -> float: ...
    @property
    def top_mm(self) -> float: ...
    @property
    def centre_mm(self) -> float: ...
    def point(self, stations: Floats, angles: Floats) -> Floats: ...
    def apart(self, spot: Any, stations: Floats, angles: Floats) -> tuple[Floats, Floats]: ...
    def step(self, spot: Any, along_mm: float, around_mm: float) -> Any: ...
    def mean_radius(self, station: float) -> float: ...
    def is_captured(self, stations: Floats, angles: Floats) -> NDArray[np.bool_]: ...


class LandmarkLike(Protocol):
    """What is asked of a landmark; see `rectify.limb.landmarks`."""

    @property
    def spots(self) -> Sequence[Any]: ...
    @property
    def level_mm(self) -> float: ...
    @property
    def source(self) -> str: ...
    @property
    def uncertainty_mm(self) -> float: ...
    @property
    def absent(self) -> bool: ...
    @property
    def beyond_capture(self) -> bool: ...


class LimbLike(Protocol):
    """What is asked of a limb."""

    @property
    def amputation(self) -> str: ...
    @property
    def landmarks(self) -> Mapping[str, LandmarkLike]: ...
    @property
    def chart(self) -> ChartLike: ...
    @property
    def edge_mm(self) -> float: ...


def wrap(angle: float) -> float:
    """An angle in (-180, 180]."""
    return -((180.0 - angle) % 360.0 - 180.0)


@dataclass(frozen=True)
class Line:
    """A line of spots on the surface, straight between them, and how far along it each lies (mm)."""

    spots: tuple[Spot, ...]
    at_mm: tuple[float, ...]

    @property
    def length_mm(self) -> float:
        return self.at_mm[-1]

    def spot(self, way_mm: float) -> Spot:
        """The spot so far along; held at the ends."""
        way = min(max(way_mm, 0.0), self.length_mm)
        k = int(np.searchsorted(self.at_mm, way, side="right")) - 1
        k = min(k, len(self.spots) - 2)
        a, b, span = self.spots[k], self.spots[k + 1], self.at_mm[k + 1] - self.at_mm[k]
        t = 0.0 if span == 0.0 else (way - self.at_mm[k]) / span
        turn = wrap(b.angle_deg - a.angle_deg)
        return Spot(a.station_mm + t * (b.station_mm - a.station_mm), wrap(a.angle_deg + t * turn))

    def cut(self, start_mm: float, stop_mm: float, knots_mm: Sequence[float] = ()) -> tuple[Spot, ...]:
        """The spots between two ways, both ends and any further knots included."""
        inner = {way for way in (*self.at_mm, *knots_mm) if start_mm + 1e-6 < way < stop_mm - 1e-6}
        return tuple(self.spot(way) for way in (start_mm, *sorted(inner), stop_mm))


class Places:
    """Places on one limb. Raises Wrong where a place cannot be meant; the caller adds file and line.

    Ways that were measured and outlines that were drawn are kept: a rulebook asks for the same ones many times over.
    """

    def __init__(self, limb: LimbLike) -> None:
        self.limb, self.chart = limb, limb.chart
        self.footprints: dict[tuple[Spot, Shape], Geometry] = {}  # of `rectify.rulebook.footprint`
        self._ways: dict[tuple[Spot, Spot], tuple[float, float]] = {}
        self._steps: dict[tuple[Spot, float, float], Spot] = {}

    # -- landmarks ---------------------------------------------------------------------------------

    def landmark(self, name: str) -> LandmarkLike:
        """A landmark that is there; KeyError and absent ones are the caller's to look for first."""
        return self.limb.landmarks[name]

    def spots_of(self, name: str) -> tuple[Spot, ...]:
        return tuple(Spot(float(s.station_mm), float(s.angle_deg)) for s in self.landmark(name).spots)

    def anchor(self, spot: Spot, names: Sequence[str]) -> Anchor:
        """An anchor that came from these landmarks; the least sure of them counts."""
        marks = [self.landmark(name) for name in names]
        if not marks:
            return Anchor(spot, None)
        worst = max(range(len(marks)), key=lambda i: (marks[i].source == "estimated", marks[i].uncertainty_mm))
        return Anchor(spot, names[0], marks[worst].source, max(mark.uncertainty_mm for mark in marks))

    def one_spot(self, name: str, part: Quantity | None) -> Spot:
        """The point of a landmark; of a line, the point `part` along it from its proximal end."""
        spots = self.spots_of(name)
        if len(spots) == 1:
            return spots[0]
        if part is None:
            raise Wrong(f"{name} is a line on this limb", hint="say where along it: part: 50 %")
        line = self.line(sorted(spots, key=lambda spot: spot.station_mm))
        return line.spot(line.length_mm * part.value / 100.0)

    # -- moves -------------------------------------------------------------------------------------

    def spot(self, place: RingPlace, at: str | None = None) -> Spot:
        """A place on the surface: its landmark (or `at`), turned to `angle`, moved."""
        name = place.at or at
        assert name is not None
        spot = self.one_spot(name, place.part)
        if place.angle is not None:
            spot = Spot(spot.station_mm, wrap(place.angle.value))
        return self.moved(spot, place, name)

    def moved(self, spot: Spot, moves: Moves, name: str = "it") -> Spot:
        """A spot moved in words, along the surface."""
        side = moves.sideways()
        along = self.mm(moves.distal, spot) if moves.distal else 0.0
        along -= self.mm(moves.proximal, spot) if moves.proximal else 0.0
        around = 0.0 if side is None else self.towards(spot.angle_deg, side[0], name) * self.mm(side[1], spot)
        return self.step(spot, along, around)

    def step(self, spot: Spot, along_mm: float, around_mm: float) -> Spot:
        """So far along (distal) and around (increasing angle); a move of nothing keeps the exact spot."""
        if along_mm == 0.0 and around_mm == 0.0:
            return spot
        key = spot, along_mm, around_mm
        if key not in self._steps:
            self._steps[key] = self._stepped(spot, along_mm, around_mm)
        return self._steps[key]

    def _stepped(self, spot: Spot, along_mm: float, around_mm: float) -> Spot:
        moved = self.chart.step(spot, along_mm, around_mm)
        to = Spot(float(moved.station_mm), wrap(float(moved.angle_deg)))
        # a chart ends where the skin does: what is missing is carried on straight, so that it shows as beyond it
        missing = along_mm - self.apart(spot, Spot(to.station_mm, spot.angle_deg))[1] if along_mm < 0.0 else 0.0
        return Spot(to.station_mm + missing, to.angle_deg) if missing < -CLIPPED_MM else to

    def towards(self, angle_deg: float, side: str, name: str = "it") -> float:
        """+1 where a side lies in the direction of increasing angle, else -1; Wrong where it may be either."""
        turn = wrap(SIDE_DEG[side] - angle_deg)
        if abs(turn) < AMBIGUOUS_DEG or abs(turn) > 180.0 - AMBIGUOUS_DEG:
            where = "already" if abs(turn) < AMBIGUOUS_DEG else "opposite, so either way round"
            raise Wrong(
                f"{name} lies at {angle_deg % 360.0:.0f} deg: {side} is {where}",
                keys=(side,),
                hint="move it towards a side next to it, or say angle: .. deg",
            )
        return 1.0 if turn > 0 else -1.0

    def radius(self, station_mm: float) -> float:
        """Local mean radius, mm; of an open section that of the next closed one distally."""
        for down in range(0, 200, 2):
            radius = self.chart.mean_radius(station_mm + down)
            if np.isfinite(radius):
                return float(radius)
        raise Wrong("there is no closed section from there on to take a radius from")

    def _points(self, spots: Sequence[Spot]) -> Floats:
        stations = np.array([spot.station_mm for spot in spots])
        return self.chart.point(stations, np.array([spot.angle_deg for spot in spots]))

    def mm(self, quantity: Quantity, spot: Spot) -> float:
        """A quantity as a length at a spot, shares included."""
        limb_mm = self.limb_mm() if quantity.kind == "limb" else float("nan")
        return quantity.mm(self.radius_for(spot, quantity), limb_mm)

    def radius_for(self, spot: Spot, *quantities: Quantity) -> float:
        """The radius at a spot, where one of the quantities is a share of it; else NaN, which nobody reads."""
        return self.radius(spot.station_mm) if any(q.kind == "radius" for q in quantities) else float("nan")

    # -- lines -------------------------------------------------------------------------------------

    def line(self, spots: Sequence[Spot]) -> Line:
        """A line through spots, its way measured on the surface."""
        at = [0.0]
        for a, b in pairwise(spots):
            x, y = self.apart(a, b)
            at.append(at[-1] + float(np.hypot(x, y)))
        return Line(tuple(spots), tuple(at))

    def apart(self, a: Spot, b: Spot) -> tuple[float, float]:
        """How far b lies from a: around (increasing angle), along (distal), mm."""
        if (a, b) not in self._ways:
            around, along = self.chart.apart(a, np.array([b.station_mm]), np.array([b.angle_deg]))
            self._ways[a, b] = float(around[0]), float(along[0])
        return self._ways[a, b]

    def path(self, places: Sequence[Place]) -> Line:
        """The line a path takes, before its ends are cut back.

        Of a landmark that is a line, the points between the neighbours in the path are taken, in
        the path's own order; where it stands first or last, all on the far side of its neighbour.
        """
        ends = [self._end(place) for place in places]
        spots: list[Spot] = []
        for index, place in enumerate(places):
            end = ends[index]
            if end is not None:
                spots.append(end)
                continue
            before = next((spot for spot in reversed(ends[:index]) if spot), None)
            after = next((spot for spot in ends[index + 1 :] if spot), None)
            spots.extend(self._between(place, before, after))
        if len(spots) < 2:
            raise Wrong("has fewer than two different places on this limb")
        return self.line(spots)

    def _end(self, place: Place) -> Spot | None:
        """The spot of a place; None where it is a line, to be taken as a whole."""
        whole = len(self.spots_of(place.at)) > 1 and place.part is None
        return None if whole else self.spot(place)

    def _between(self, place: Place, before: Spot | None, after: Spot | None) -> list[Spot]:
        down = before is None or after is None or before.station_mm <= after.station_mm
        spots = sorted(self.spots_of(place.at), key=lambda spot: spot.station_mm, reverse=not down)
        low, high = (before, after) if down else (after, before)
        floor = low.station_mm + DOUBLE_MM if low else -np.inf
        ceiling = high.station_mm - DOUBLE_MM if high else np.inf
        inside = [spot for spot in spots if floor < spot.station_mm < ceiling]
        return [self.moved(spot, place, place.at) for spot in inside]

    def shifted(self, line: Line, side: str, by_mm: float) -> Line:
        """The line parallel to another, so far towards a side: distances from a path stay what they are."""
        middle = line.spot(line.length_mm / 2)
        sign = self.towards(middle.angle_deg, side, "the path")
        ways = np.array([self.apart(a, b) for a, b in pairwise(line.spots)])
        ways /= np.maximum(np.linalg.norm(ways, axis=1, keepdims=True), 1e-12)
        across = np.stack([ways[:, 1], -ways[:, 0]], axis=1)  # turned a quarter: around, along
        across *= sign * (1.0 if across[:, 0].sum() >= 0 else -1.0)
        if abs(float(across[:, 0].mean())) < 0.5:
            raise Wrong("the path runs round the limb, so it has no such side", keys=(side,), hint="move its places")
        moved = []
        for k, spot in enumerate(line.spots):
            near = across[max(k - 1, 0) : k + 1]
            mean = near.mean(axis=0)
            reach = by_mm / max(float(mean @ mean), 1.0 / SHARPEST)
            moved.append(self.step(spot, float(mean[1]) * reach, float(mean[0]) * reach))
        return self.line(moved)

    # -- levels ------------------------------------------------------------------------------------

    def level(self, place: LevelPlace) -> float:
        """The level of a place, mm along the axis, distal positive."""
        spots = self.spots_of(place.at)
        level = float(self.landmark(place.at).level_mm)
        if len(spots) > 1:
            spot = self.one_spot(place.at, place.part)
            level = float(-self._points([spot])[0, 2])
        return level + (place.offset_mm(self.limb_mm()) if place.is_share() else place.offset_mm())

    def limb_mm(self) -> float:
        """The limb's length along the axis, from the origin of levels to the distal end."""
        if VOCABULARY[self.limb.amputation].segment == "above":
            raise Wrong("is a share of a length that this limb does not have: its segment lies above the origin")
        return float(self.landmark("distal-end").level_mm)

    def station(self, place: LevelPlace) -> float:
        """The station of a level: the same on the wall; on the end cap, where the surface has that level."""
        return self.station_at(self.level(place))

    def station_at(self, level_mm: float) -> float:
        """The station at which the surface has this level, on average round the limb; held to the pole."""
        chart = self.chart
        if level_mm <= chart.centre_mm:
            return level_mm
        angles = np.arange(0.0, 360.0, 45.0, dtype=np.float64)
        low, high = chart.centre_mm, chart.pole_mm
        for _ in range(40):
            middle = (low + high) / 2
            found = float(-chart.point(np.full(8, middle, dtype=np.float64), angles)[:, 2].mean())
            low, high = (middle, high) if found < level_mm else (low, middle)
        return (low + high) / 2
