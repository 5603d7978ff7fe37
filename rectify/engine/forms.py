"""Walls that are formed, and not only built up or reduced: flat walls, a seat, a wall that goes straight up, a squeeze.

    squeeze   a width is made smaller and the other larger, level by level, so that the tape reads what it read
    flatten   the skin goes to a plane, along the plane's own normal, as far as it may
    raise     above a level the wall carries straight on, meridian by meridian, up to the capture's edge
    shelf     the skin above a line is laid out on a plane, as a sheet is folded: nothing is stretched

They are carried out in this order on the reduced surface, before any region builds up or reduces; each sees what the
ones before it did. A region's weight carries all of them: nothing moves where it is 0, and only where it is 1 is a wall
as flat as it was asked. Nothing here judges what came of it; `engine.formed` does, on the finished shape.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rectify.engine.blend import quintic
from rectify.engine.places import Places
from rectify.engine.squeeze import Squeeze
from rectify.engine.weights import Weight
from rectify.geometry.mesh import Floats, Points
from rectify.limb.chart import Chart
from rectify.limb.limb import Limb
from rectify.limb.spot import Spot
from rectify.rulebook.plan import FORMING, Form, RegionPlan

__all__ = ["Fold", "Formed", "Forming", "Plane", "Stage", "StraightUp", "free_of_bounds"]

_RIM_MM = 3.0  # a shelf's outer edge is rounded no more than this: the trimline runs there
_LEAST_FLAT = 0.3  # of a shelf's depth: on a shallow one the corners are rounded less, so that so much is flat

Cells = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Stage:
    """A forming region as it was carried out: which, the vertices before and after it, what they were to reach."""

    region: int
    before: Points
    after: Points
    to: Plane | StraightUp | Fold | None


@dataclass(frozen=True, eq=False)
class Formed:
    """What the forming regions do.

    Parameters
    ----------
    move : (n, 3) mm, of the vertices, from the reduced surface
    cells : (k, c, 3) mm, of the chart's cells
    brim : (n, 3) mm
        The part of `move` that forms the brim (raise, shelf): widths and girths are not held to it.
    stages : in the order they were carried out
    """

    move: Points
    cells: Cells
    brim: Points
    stages: tuple[Stage, ...] = ()


@dataclass(frozen=True, eq=False)
class Forming:
    """The forming regions of a plan on a limb, ready to be carried out with any amounts.

    Parameters
    ----------
    weight : for each, the weight at each vertex, (n,)
    cell_weight : for each, the weight at each cell of the chart, (k * c,)
    """

    limb: Limb
    places: Places
    order: tuple[int, ...]
    weight: dict[int, Floats]
    cell_weight: dict[int, Floats] = field(repr=False)

    @classmethod
    def of(
        cls, limb: Limb, regions: Sequence[RegionPlan], weights: Sequence[Weight], rows: Floats, places: Places
    ) -> Forming | None:
        """None where nothing is formed; `rows` (r, n) are the weights at the vertices."""
        order = sorted((i for i, r in enumerate(regions) if r.forms), key=lambda i: FORMING.index(regions[i].action))
        if not order:
            return None
        stations, angles = (g.ravel() for g in limb.chart.cells)
        cells = {i: weights[i].at(stations, angles) for i in order}
        return cls(limb, places, tuple(order), {i: rows[i] for i in order}, cells)

    def shelf(self, regions: Sequence[RegionPlan]) -> tuple[Floats, Floats] | None:
        """How much of a shelf there is at each vertex (n,) and each cell (k * c,), 0 to 1, over its whole height; None
        where there is none."""
        own = [i for i in self.order if regions[i].action == "shelf"]
        if not own:
            return None
        at = [np.max([weight[i] for i in own], axis=0) for weight in (self.weight, self.cell_weight)]
        return at[0], at[1]

    def moves(self, regions: Sequence[RegionPlan], reduced: Points, cells: Cells) -> Formed:
        """Carry them out.

        Parameters
        ----------
        regions : the plan's, with the amounts that count
        reduced : (n, 3) mm, the vertices after the overall reduction and the end
        cells : (k, c, 3) mm, what those two did to the chart's cells
        """
        chart = self.limb.chart
        skin, grid = reduced, (chart.fine_surface + cells).reshape(-1, 3)
        brim = np.zeros_like(reduced)
        start = grid
        angles = chart.cells[1].ravel()
        stages = []
        for i in self.order:
            shift = grid.reshape(cells.shape) - chart.fine_surface
            do, to = _prepared(self.limb, regions[i], skin, shift)
            move = do(skin, self.places.angles, self.weight[i])
            grid = grid + do(grid, angles, self.cell_weight[i])
            stages.append(Stage(i, skin, skin + move, to))
            skin = stages[-1].after
            if regions[i].action in ("raise", "shelf"):
                brim += move
        return Formed(skin - reduced, (grid - start).reshape(cells.shape), brim, tuple(stages))


_Do = Callable[[Points, Floats, Floats], Points]  # points (n, 3), their angles and weights (n,) -> moves (n, 3) mm


def _prepared(
    limb: Limb, region: RegionPlan, skin: Points, shift: Cells
) -> tuple[_Do, Plane | StraightUp | Fold | None]:
    """How a region moves points, and what it moves them to."""
    assert region.form is not None
    if region.action == "squeeze":
        return Squeeze.of(limb, region, skin), None
    if region.action == "flatten":
        plane = plane_of_wall(limb.chart, region, shift)
        return _where_weighed(_Flatten(plane, region.form, region.asked_mm)), plane
    if region.action == "raise":
        wall = StraightUp(limb.chart, region, shift)
        return _where_weighed(wall), wall
    fold = fold_of(limb.chart, region, shift)
    return _where_weighed(_Shelf(fold)), fold


def _where_weighed(whole: Callable[[Points, Floats], Points]) -> _Do:
    """A move at full weight, carried by the weight."""

    def do(points: Points, angles: Floats, weight: Floats) -> Points:
        out = np.zeros_like(points)
        at = np.flatnonzero(weight > 0)
        out[at] = weight[at, None] * whole(points[at], angles[at])
        return out

    return do


def _towards(chart: Chart, angle_deg: float) -> Floats:
    """The horizontal direction at an angle round the limb: (3,)."""
    turn = np.radians(angle_deg)
    return np.array([chart.lateral * np.sin(turn), np.cos(turn), 0.0])


def _skin_at(chart: Chart, spot: Spot, shift: Cells) -> Floats:
    """Where a spot of the skin has come to lie: (3,)."""
    return np.asarray(_skin(chart, np.array([spot.station_mm]), np.array([spot.angle_deg]), shift)[0])


def _skin(chart: Chart, stations: Floats, angles: Floats, shift: Cells) -> Points:
    """Where a few places of the skin have come to lie, (n, 3): the shift straight between its cells, which for a few
    places costs nothing, and over 2 mm of a smooth field is as good."""
    rows, columns = shift.shape[:2]
    row = np.interp(stations, chart.stations, np.arange(rows, dtype=np.float64))
    column = (angles + 180.0) * (columns / 360.0)
    up, left = np.floor(row).astype(np.int64), np.floor(column).astype(np.int64)
    y, x = (row - up)[:, None], (column - left)[:, None]
    down, right = np.minimum(up + 1, rows - 1), (left + 1) % columns
    left = left % columns
    top = (1.0 - x) * shift[up, left] + x * shift[up, right]
    bottom = (1.0 - x) * shift[down, left] + x * shift[down, right]
    return np.asarray(chart.smooth_point(stations, angles) + (1.0 - y) * top + y * bottom)


def within(height: Floats, form: Form, depth: float = 0.0) -> Floats:
    """Moves (n,), outward positive, held to what a form may do, with a rounded corner where a bound begins: a parabola
    over twice `corner_mm`, a quarter of it off at the bound. Both are rounded no more than leaves a move of `depth`
    inwards be.
    """
    low = -_smooth_min(-height, form.in_mm, min(form.corner_mm, max(form.in_mm - depth, 0.0)))
    return _smooth_min(low, form.out_mm, min(form.corner_mm, form.out_mm + depth))


def free_of_bounds(height: Floats, form: Form, depth: float = 0.0) -> NDArray[np.bool_]:
    """Which moves (n,) no bound holds back, nor its rounding."""
    low, high = min(form.corner_mm, max(form.in_mm - depth, 0.0)), min(form.corner_mm, form.out_mm + depth)
    return np.asarray((height >= low - form.in_mm) & (height <= form.out_mm - high))


def _smooth_min(x: Floats, bound: float, width: float) -> Floats:
    least = np.minimum(x, bound)
    if width <= 0:
        return np.asarray(least)
    return np.asarray(least - np.maximum(width - np.abs(x - bound), 0.0) ** 2 / (4.0 * width))


# -- a flat wall -----------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Plane:
    """Points p with normal · p = offset; the normal looks outwards."""

    normal: Floats
    offset: float

    def below(self, points: Points) -> Floats:
        """How far points lie inside of it: (n,) mm."""
        return np.asarray(self.offset - points @ self.normal)


def plane_of_wall(chart: Chart, region: RegionPlan, shift: Cells) -> Plane:
    """The plane that a region flattens its wall to; `shift` (k, c, 3) is what the chart's cells have moved so far."""
    form = region.form
    assert form is not None
    out, lean = _towards(chart, form.faces_deg), np.radians(form.tilt_deg)
    normal = np.cos(lean) * out - np.sin(lean) * np.array([0.0, 0.0, 1.0])
    anchor = _skin_at(chart, region.anchor.spot, shift)
    return Plane(normal, float(anchor @ normal) - region.asked_mm)


@dataclass(frozen=True, eq=False)
class _Flatten:
    plane: Plane
    form: Form
    depth: float

    def __call__(self, points: Points, angles: Floats) -> Points:  # noqa: ARG002 - the same all round
        return np.asarray(within(self.plane.below(points), self.form, self.depth)[:, None] * self.plane.normal)


# -- a wall that goes straight up ------------------------------------------------------------------


class StraightUp:
    """The wall carried straight on above the level of a region's place, meridian by meridian."""

    def __init__(self, chart: Chart, region: RegionPlan, shift: Cells) -> None:
        assert region.form is not None
        self.form, self.chart = region.form, chart
        self.blend = max(region.feather_mm, 1e-9)
        station = np.full(len(chart.angles), region.anchor.spot.station_mm)
        foot = _skin(chart, station, chart.angles, shift)
        self.foot = np.stack([np.hypot(foot[:, 0], foot[:, 1]), foot[:, 2]], axis=1)

    def at_foot(self, angles: Floats) -> tuple[Floats, Floats]:
        """Radius and height of the wall at the level where it begins, (n,) each."""
        from scipy.interpolate import CubicSpline

        turn = np.append(self.chart.angles, self.chart.angles[0] + 360.0)
        both = CubicSpline(turn, np.vstack([self.foot, self.foot[:1]]), bc_type="periodic")(angles)
        return both[:, 0], both[:, 1]

    def above(self, points: Points, angles: Floats) -> tuple[Floats, Floats]:
        """How high above the foot points are, and how far inside of the straight wall: (n,) mm each."""
        radius, level = self.at_foot(angles)
        high = points[:, 2] - level
        lean = np.tan(np.radians(self.form.tilt_deg))
        return high, radius + lean * np.maximum(high, 0.0) - np.hypot(points[:, 0], points[:, 1])

    def __call__(self, points: Points, angles: Floats) -> Points:
        high, inside = self.above(points, angles)
        move = within(inside, self.form, 0.0) * quintic(high / self.blend)
        across = np.hypot(points[:, 0], points[:, 1])[:, None]
        out = np.column_stack([points[:, :2] / np.maximum(across, 1e-9), np.zeros(len(points))])
        return np.asarray(move[:, None] * out)


# -- a shelf ---------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Fold:
    """How the skin above a line is laid out on a shelf.

    Seen from the side, straight up becomes: an arc of `corner` into the shelf's plane, along it, an arc of `rim` back,
    straight up again; `depth` is measured along the plane, between the two corners as if they were sharp.
    """

    out: Floats  # (3,) horizontal
    tilt: float  # radians, the outer edge higher
    depth: float
    corner: float
    rim: float
    anchor: Floats  # (3,) on the line

    @property
    def turn(self) -> float:
        """By how much the skin is turned at each corner, radians."""
        return float(np.pi / 2 - self.tilt)

    @property
    def lead(self) -> float:
        """How far below the line the skin begins to turn, mm."""
        return float(self.corner * np.tan(self.turn / 2))

    @property
    def flat(self) -> tuple[float, float]:
        """From where to where above the line the skin is laid on the plane itself, mm."""
        start = self.corner * self.turn - self.lead
        return start, start + self.depth - self.lead - float(self.rim * np.tan(self.turn / 2))

    @property
    def skin_mm(self) -> float:
        """How high above the line the skin must reach to be laid out over the whole depth, mm."""
        return self.flat[1] + self.rim * self.turn

    @property
    def plane(self) -> Plane:
        """The shelf's own; its normal looks down and outwards."""
        normal = np.sin(self.tilt) * self.out - np.cos(self.tilt) * np.array([0.0, 0.0, 1.0])
        return Plane(normal, float(normal @ self.anchor))

    def above(self, points: Points) -> Floats:
        """How high points are above the shelf's plane, straight up: (n,) mm."""
        ahead = (points - self.anchor) @ self.out
        return np.asarray(points[:, 2] - self.anchor[2] - np.tan(self.tilt) * ahead)

    def laid(self, high: Floats) -> tuple[Floats, Floats]:
        """Where what was so high above the plane comes to lie: out and up from the line, (n,) mm each."""
        first, last = self.flat
        below = np.minimum(high + self.lead, 0.0)
        turned = np.clip(high + self.lead, 0.0, self.corner * self.turn) / max(self.corner, 1e-9)
        along = np.clip(high - first, 0.0, last - first)
        back = np.clip(high - last, 0.0, self.rim * self.turn) / max(self.rim, 1e-9)
        rest = np.maximum(high - self.skin_mm, 0.0)
        sine, cosine = np.sin(self.tilt), np.cos(self.tilt)
        out = self.corner * (1.0 - np.cos(turned)) + along * cosine + self.rim * (np.sin(self.tilt + back) - sine)
        up = self.corner * np.sin(turned) + along * sine + self.rim * (cosine - np.cos(self.tilt + back))
        return out, below - self.lead + up + rest


def fold_of(chart: Chart, region: RegionPlan, shift: Cells) -> Fold:
    """How a region lays its shelf; `shift` as in `plane_of_wall`."""
    form = region.form
    assert form is not None
    tilt = np.radians(form.tilt_deg)
    anchor = _skin_at(chart, region.anchor.spot, shift)
    rim = min(form.corner_mm, _RIM_MM)
    lead = (form.corner_mm + rim) * np.tan((np.pi / 2 - tilt) / 2)
    room = (1.0 - _LEAST_FLAT) * region.asked_mm
    less = room / lead if lead > room else 1.0
    out = _towards(chart, form.faces_deg)
    return Fold(out, float(tilt), region.asked_mm, float(form.corner_mm * less), float(rim * less), anchor)


@dataclass(frozen=True, eq=False)
class _Shelf:
    fold: Fold

    def __call__(self, points: Points, angles: Floats) -> Points:  # noqa: ARG002 - the same all round
        high = self.fold.above(points)
        out, up = self.fold.laid(high)
        move = out[:, None] * self.fold.out
        move[:, 2] = up - high
        move[high <= -self.fold.lead] = 0.0
        return move
