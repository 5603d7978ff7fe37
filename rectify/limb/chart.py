"""The chart: where everything on a limb is.

A place on the surface is (station, angle). On the wall the station is the level, mm along the axis from
the origin, positive distally, and the angle turns about the axis line. Past the end's centre the wall's
level gives way to the polar angle about that centre, so that nothing degenerates at the tip: the
station carries on by the centre's radius times that angle, down to the pole.

On a grid of stations and angles the chart holds the radius (from the axis on the wall, from the centre
on the cap), smoothed over a few mm so that scanner noise neither lengthens the way along the skin nor tilts
its normals. From it come lengths along and around, and the surface's direction. Lengths see the surface
smoothed over `smooth_mm`; normals over 1 mm on a clean capture, so that they follow a ridge, and over more
the noisier it is.

Promised: along and around each true to 0.5 %; a turned, moved or mirrored limb has the same chart but
for the last digits. Not promised: anything where a ray from the axis meets the skin twice; `folded`
says where. Above an oblique edge the grid is carried on straight so that distances near the edge stay
true; `captured` says which cells are skin.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.corners import all_corners
from rectify.geometry.grid_spline import GridSpline, Reading, Steps
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import unit
from rectify.geometry.sections import Cuts, cut
from rectify.geometry.smoothing import gaussian
from rectify.limb.spot import Spot

__all__ = ["Chart", "build_chart", "carried_on", "grid_normals", "wrap_deg"]

ROW_MM = 2.0  # between stations
COLUMNS = 240  # between angles: 1.5 degrees, 1.3 mm at a radius of 50 mm
SMOOTH_MM = 3.0  # Gaussian sigma for lengths: 0.2 mm of noise adds less than 0.1 % to a way along the skin
_NORMALS_CLEAN_MM, _NORMALS_NOISY_MM = 1.0, 3.0  # Gaussian sigma for normals, by how noisy the capture is
_NOISE_CLEAN_MM, _NOISE_NOISY_MM = 0.02, 0.10  # as `noise_mm` measures it; 0.2 mm on the vertices reads as some 0.1
_END_STEP_MM, _END_WITHIN_MM = 2.0, 200.0  # how finely, and how far up, the end's centre is looked for


def wrap_deg(angle: Floats | float) -> Floats:
    """Angles brought into [-180, 180)."""
    return np.asarray((np.asarray(angle) + 180.0) % 360.0 - 180.0)


@dataclass(frozen=True, eq=False)
class Chart:
    """A limb's coordinates. Built by `build_chart`; k rows by c columns.

    Parameters
    ----------
    lateral : float
        +1 on a right limb, -1 on a left one: which way of x is lateral.
    stations : (k,) mm, ascending; the last is the pole
    centre_mm : float
        Station at which the end cap begins: the level of the end's centre.
    centre_radius_mm : float
        Mean radius there; a radian of polar angle is this many mm of station.
    radius : (k, c) mm
        As captured, from the axis (wall) or the centre (cap); carried on where there is no skin.
    captured : (k, c) bool
    folded : (k, c) bool
        More than one crossing.
    smooth_mm : float
        Gaussian sigma over which lengths see the surface.
    """

    lateral: float
    stations: Floats
    centre_mm: float
    centre_radius_mm: float
    radius: Floats
    captured: NDArray[np.bool_]
    folded: NDArray[np.bool_]
    smooth_mm: float

    @property
    def pole_mm(self) -> float:
        """Station of the pole, where the axis leaves the distal end."""
        return float(self.stations[-1])

    @property
    def top_mm(self) -> float:
        """Station of the most proximal skin."""
        return float(self.stations[0])

    @cached_property
    def angles(self) -> Floats:
        """(c,) degrees in [-180, 180), ascending."""
        c = self.radius.shape[1]
        return np.asarray(np.arange(c) * (360.0 / c) - 180.0)

    # -- where a point is, and where a place is ------------------------------------------------

    def locate(self, points: Points) -> tuple[Floats, Floats]:
        """Stations (n,) mm and angles (n,) degrees of points (n, 3) in the limb frame."""
        x, y, z = self.lateral * points[:, 0], points[:, 1], points[:, 2]
        angle = np.degrees(np.arctan2(x, y))
        below = -z - self.centre_mm
        polar = np.arctan2(below, np.hypot(x, y))
        station = np.where(below > 0, self.centre_mm + self.centre_radius_mm * polar, -z)
        return station, angle

    def point(self, stations: Floats, angles: Floats) -> Points:
        """The captured surface at places (n,), (n,): (n, 3) mm in the limb frame."""
        r = self._read(self._radius_at, stations, angles)
        return self._placed(np.asarray(stations, dtype=np.float64), np.asarray(angles, dtype=np.float64), r)

    def smooth_point(self, stations: Floats, angles: Floats) -> Points:
        """The smoothed surface at places: (n, 3) mm in the limb frame."""
        return self._placed(stations, angles, self._read(self._smoothed_at, stations, angles))

    def _placed(self, stations: Floats, angles: Floats, r: Floats) -> Points:
        polar = np.clip((stations - self.centre_mm) / self.centre_radius_mm, 0.0, np.pi / 2)
        turn = np.radians(angles)
        across = r * np.cos(polar)
        z = np.where(stations > self.centre_mm, -self.centre_mm - r * np.sin(polar), -stations)
        return np.stack([self.lateral * across * np.sin(turn), across * np.cos(turn), z], axis=-1)

    # -- the smoothed surface and its lengths --------------------------------------------------

    @cached_property
    def smoothed(self) -> Floats:
        """(k, c) mm: the radius after a Gaussian of `smooth_mm` along and around."""
        return _smooth(self.radius, self._ring_radius, self.smooth_mm, ROW_MM)

    @cached_property
    def _ring_radius(self) -> Floats:
        """(k,) mm: how far a row's points lie from the axis, on average."""
        polar = np.clip((self.stations - self.centre_mm) / self.centre_radius_mm, 0.0, np.pi / 2)
        return np.asarray(self.radius.mean(axis=1) * np.cos(polar))

    @cached_property
    def surface(self) -> NDArray[np.float64]:
        """(k, c, 3) mm: the surface on the grid as lengths see it, in the limb frame."""
        return self._placed(*self.cells, self.smoothed)

    @cached_property
    def cells(self) -> tuple[Floats, Floats]:
        """Station and angle of every cell, each (k, c)."""
        stations, angles = np.broadcast_arrays(self.stations[:, None], self.angles[None, :])
        return stations, angles

    @cached_property
    def noise_mm(self) -> float:
        """How rough the capture is: 1.48 times the median distance of its radius from the smoothed one."""
        rough = np.abs(self.radius - self.smoothed)[self.captured]
        return float(1.4826 * np.median(rough)) if len(rough) else 0.0

    @cached_property
    def normal_smooth_mm(self) -> float:
        """Gaussian sigma over which normals see the surface."""
        share = (self.noise_mm - _NOISE_CLEAN_MM) / (_NOISE_NOISY_MM - _NOISE_CLEAN_MM)
        return float(_NORMALS_CLEAN_MM + np.clip(share, 0.0, 1.0) * (_NORMALS_NOISY_MM - _NORMALS_CLEAN_MM))

    @cached_property
    def fine_surface(self) -> NDArray[np.float64]:
        """(k, c, 3) mm: the surface on the grid as normals see it."""
        return self._placed(*self.cells, _smooth(self.radius, self._ring_radius, self.normal_smooth_mm, ROW_MM))

    @cached_property
    def normals(self) -> NDArray[np.float64]:
        """(k, c, 3) unit, outward."""
        return grid_normals(self.fine_surface, self.lateral)

    @cached_property
    def _way(self) -> Floats:
        """(k, c) mm along the surface from the first row."""
        step = np.linalg.norm(np.diff(self.surface, axis=0), axis=2)
        return np.concatenate([np.zeros((1, step.shape[1])), np.cumsum(step, axis=0)])

    @cached_property
    def _turn(self) -> tuple[Floats, Floats]:
        """Perimeter (k,) of each row, and (k, c) how far the arc from the seam is ahead of the angle's share."""
        step = np.linalg.norm(np.roll(self.surface, -1, axis=1) - self.surface, axis=2)
        arc = np.cumsum(step, axis=1)
        perimeter = arc[:, -1]
        ahead = np.concatenate([np.zeros((len(arc), 1)), arc[:, :-1]], axis=1)
        ahead -= perimeter[:, None] * np.arange(arc.shape[1]) / arc.shape[1]
        return perimeter, ahead - ahead.mean(axis=1, keepdims=True)

    @property
    def perimeters(self) -> Floats:
        """(k,) mm: length of each row, hollows followed."""
        return self._turn[0]

    def apart(self, spot: Spot, stations: Floats, angles: Floats) -> tuple[Floats, Floats]:
        """`around` and `along` from a place, (n,) and (n,) mm, at once."""
        shape, down, along = self.radius.shape, self._down(stations), self._along(angles)
        there = Reading(down, along, shape)
        same_angle = Reading(down, self._along(np.array([spot.angle_deg])), shape)
        same_level = Reading(self._down(np.array([spot.station_mm])), along, shape)
        ahead = there.of(self._ahead_at) - same_angle.of(self._ahead_at)
        way = there.of(self._way_at) - same_level.of(self._way_at)
        own = np.interp(stations, self.stations, self._turn[0])
        return own * wrap_deg(angles - spot.angle_deg) / 360.0 + ahead, way

    def along(self, station: float, stations: Floats, angles: Floats) -> Floats:
        """How far places lie from the level of `station`, along the surface, distally positive: (n,) mm."""
        start = self._read(self._way_at, np.array([station]), angles)
        return self._read(self._way_at, stations, angles) - start

    def around(self, angle: float, stations: Floats, angles: Floats) -> Floats:
        """Arc length at each place's own level from `angle`, towards lateral, the shorter way round: (n,) mm."""
        own = np.interp(stations, self.stations, self._turn[0])
        start = self._read(self._ahead_at, stations, np.array([angle]))
        ahead = self._read(self._ahead_at, stations, angles) - start
        return own * wrap_deg(angles - angle) / 360.0 + ahead

    def to_pole(self, stations: Floats, angles: Floats) -> Floats:
        """Distance to the pole along the surface: (n,) mm."""
        return -self.along(self.pole_mm, stations, angles)

    def normal(self, stations: Floats, angles: Floats) -> Points:
        """The surface's outward direction at places: (n, 3) unit."""
        there = self.reading(stations, angles)
        return unit(np.stack([there.of(part) for part in self._normal_at]).T)

    def normal_after(
        self, shift: NDArray[np.float64], stations: Floats, angles: Floats, smooth_mm: float = 0.0
    ) -> Points:
        """The outward direction at places once every cell has moved by `shift` (k, c, 3) mm: (n, 3) unit; the cells'
        directions smoothed by a Gaussian of `smooth_mm` along and around."""
        moved = grid_normals(self.fine_surface + shift, self.lateral)
        parts = [_smooth(moved[:, :, i], self._ring_radius, smooth_mm, ROW_MM) for i in range(3)]
        there = self.reading(stations, angles)
        return unit(np.stack([there.of(GridSpline.of(part, around=True)) for part in parts]).T)

    def step(self, spot: Spot, along_mm: float, around_mm: float) -> Spot:
        """The place that lies `along_mm` distally and `around_mm` towards lateral of another.

        The inverse of `along` and `around` from that place: the arc is measured at the new place's level.
        """
        station, angle = spot.station_mm, spot.angle_deg
        for _ in range(4):
            column = self._read(self._way_at, self.stations, np.array([angle]))
            start = float(np.interp(spot.station_mm, self.stations, column))
            station = float(np.interp(start + along_mm, column, self.stations))
            own = self.angles
            arc = self.around(spot.angle_deg, np.full(len(own), station), own)
            order = np.argsort(arc)
            turned = spot.angle_deg + wrap_deg(own - spot.angle_deg)
            angle = float(wrap_deg(float(np.interp(around_mm, arc[order], turned[order]))))
        return Spot(station, angle)

    def mean_radius(self, station: float) -> float:
        """What a tape would read there, over 2 pi: the smoothed section's hull perimeter, mm."""
        import shapely

        stations = np.full(len(self.angles), station)
        row = self._placed(stations, self.angles, self._read(self._smoothed_at, stations[:1], self.angles))
        return float(shapely.length(shapely.convex_hull(shapely.multipoints(row[:, :2])))) / (2 * np.pi)

    def is_captured(self, stations: Floats, angles: Floats) -> NDArray[np.bool_]:
        """Whether there is skin at places (n,)."""
        return np.asarray(self._read(self._captured_at, stations, angles) > 0.5)

    def read(self, grid: NDArray[np.float64], stations: Floats, angles: Floats) -> Floats:
        """Any quantity (k, c) of the chart's cells at places, by a cubic spline: (n,)."""
        return self._read(GridSpline.of(grid, around=True), stations, angles)

    # -- interpolation on the grid -------------------------------------------------------------

    def reading(self, stations: Floats, angles: Floats, order: Literal[1, 3] = 3) -> Reading:
        """The way to places (n,), (n,) on the grid, for reading several quantities there."""
        return Reading(self._down(stations, order), self._along(angles, order), self.radius.shape)

    def _down(self, stations: Floats, order: Literal[1, 3] = 3) -> Steps:
        return Steps.of(np.interp(stations, self.stations, self._rows), len(self.stations), order)

    def _along(self, angles: Floats, order: Literal[1, 3] = 3) -> Steps:
        count = self.radius.shape[1]
        return Steps.of((np.asarray(angles, dtype=np.float64) + 180.0) * (count / 360.0) % count, count, order)

    @cached_property
    def _rows(self) -> Floats:
        return np.arange(len(self.stations), dtype=np.float64)

    def _read(self, spline: GridSpline, stations: Floats, angles: Floats) -> Floats:
        return self.reading(stations, angles, 3 if spline.order == 3 else 1).of(spline)

    @cached_property
    def _radius_at(self) -> GridSpline:
        return GridSpline.of(self.radius, around=True, order=1)

    @cached_property
    def _smoothed_at(self) -> GridSpline:
        return GridSpline.of(self.smoothed, around=True)

    @cached_property
    def _way_at(self) -> GridSpline:
        return GridSpline.of(self._way, around=True)

    @cached_property
    def _ahead_at(self) -> GridSpline:
        return GridSpline.of(self._turn[1], around=True)

    @cached_property
    def _captured_at(self) -> GridSpline:
        return GridSpline.of(self.captured.astype(np.float64), around=True, order=1)

    @cached_property
    def _normal_at(self) -> tuple[GridSpline, ...]:
        return tuple(GridSpline.of(self.normals[:, :, i], around=True) for i in range(3))


def build_chart(mesh: Mesh, side: str, *, smooth_mm: float = SMOOTH_MM) -> Chart:
    """Lay the chart over a limb.

    Parameters
    ----------
    mesh : Mesh
        The captured wall in the limb frame, open at the top.
    side : "left" or "right"
    smooth_mm : float
        Gaussian sigma over which lengths and normals see the surface.
    """
    lateral = 1.0 if side == "right" else -1.0
    v = mesh.vertices
    top, tip = -float(v[:, 2].max()), -float(v[:, 2].min())
    centre, centre_radius = _end_centre(mesh, top, tip)
    wall = np.linspace(top, centre, max(2, round((centre - top) / ROW_MM) + 1))
    steps = max(8, round(centre_radius * np.pi / 2 / ROW_MM))
    polar = np.linspace(0.0, np.pi / 2, steps + 1)[1:-1]
    height, angle = -v[:, 2], np.arctan2(-v[:, 2] - centre, np.hypot(v[:, 0], v[:, 1]))
    on_wall = cut(mesh, height, wall)
    on_cap = cut(mesh, angle, polar, refine=lambda p: np.arctan2(-p[:, 2] - centre, np.hypot(p[:, 0], p[:, 1])))
    middle = np.array([0.0, 0.0, -centre])
    wall_radius, wall_folded = _read_radius(on_wall, lateral, np.zeros(3), flat=True)
    cap_radius, cap_folded = _read_radius(on_cap, lateral, middle, flat=False)
    pole = np.full((1, COLUMNS), _pole_radius(mesh, middle, cap_radius))
    radius = np.concatenate([wall_radius, cap_radius, pole])
    captured = np.isfinite(radius)
    stations = np.concatenate([wall, centre + centre_radius * polar, [centre + centre_radius * np.pi / 2]])
    folded = np.concatenate([wall_folded, cap_folded, np.zeros((1, COLUMNS), dtype=bool)])
    return Chart(lateral, stations, centre, centre_radius, carried_on(radius), captured, folded, smooth_mm)


def _end_centre(mesh: Mesh, top: float, tip: float) -> tuple[float, float]:
    """Level of the end's centre and mean radius there: where the way to the tip equals the radius."""
    levels = np.arange(tip - 0.5, max(top, tip - _END_WITHIN_MM), -_END_STEP_MM)[::-1]
    cuts = cut(mesh, -mesh.vertices[:, 2], levels)
    there = np.flatnonzero(cuts.closed)
    area, _ = cuts.areas_and_centroids()
    radius = np.sqrt(np.abs(area[there]) / np.pi)
    spare = (tip - levels[there]) - radius
    enough = np.flatnonzero(spare >= 0)
    i = int(enough[-1]) if len(enough) else 0
    if i + 1 < len(there) and spare[i + 1] < 0 <= spare[i]:
        share = spare[i] / (spare[i] - spare[i + 1])
        level = levels[there[i]] + share * (levels[there[i + 1]] - levels[there[i]])
        return float(level), float(radius[i] + share * (radius[i + 1] - radius[i]))
    return float(levels[there[i]]), float(radius[i])


def _read_radius(cuts: Cuts, lateral: float, origin: Floats, *, flat: bool) -> tuple[Floats, NDArray[np.bool_]]:
    """Where each row's rays at the grid's angles meet the pieces of its section: radius (k, c), NaN where none does."""
    k = len(cuts.levels)
    a = np.stack([lateral * cuts.starts[:, 0], cuts.starts[:, 1]], axis=1)
    b = np.stack([lateral * cuts.ends[:, 0], cuts.ends[:, 1]], axis=1)
    one = np.degrees(np.arctan2(a[:, 0], a[:, 1]))
    gain = wrap_deg(np.degrees(np.arctan2(b[:, 0], b[:, 1])) - one)
    low = (np.where(gain >= 0, one, one + gain) + 180.0) * (COLUMNS / 360.0)
    first = np.ceil(low).astype(np.int64)
    count = np.maximum(np.ceil(low + np.abs(gain) * (COLUMNS / 360.0)).astype(np.int64) - first, 0)
    piece = np.repeat(np.arange(len(low)), count)
    column = np.repeat(first - np.cumsum(count) + count, count) + np.arange(count.sum())
    turn = np.radians(column * (360.0 / COLUMNS) - 180.0)
    ray = np.stack([np.sin(turn), np.cos(turn)], axis=1)
    d = b[piece] - a[piece]
    cross = d[:, 0] * ray[:, 1] - d[:, 1] * ray[:, 0]
    share = (a[piece, 1] * ray[:, 0] - a[piece, 0] * ray[:, 1]) / np.where(cross != 0, cross, 1.0)
    at = cuts.starts[piece] + np.clip(share, 0.0, 1.0)[:, None] * (cuts.ends[piece] - cuts.starts[piece])
    radius = np.hypot(at[:, 0], at[:, 1]) if flat else np.linalg.norm(at - origin, axis=1)
    cell = cuts.level_of[piece] * COLUMNS + column % COLUMNS
    out = np.full(k * COLUMNS, -np.inf)
    np.maximum.at(out, cell, radius)
    hits = np.bincount(cell, minlength=k * COLUMNS)
    out[hits == 0] = np.nan
    return out.reshape(k, COLUMNS), (hits > 1).reshape(k, COLUMNS)


def _pole_radius(mesh: Mesh, middle: Floats, cap_radius: Floats) -> float:
    """Distance from the centre to the skin along the axis: the face that the axis leaves by."""
    v = mesh.vertices
    distal = mesh.faces[all_corners(v[:, 2] < middle[2], mesh.faces)]
    p, q, r = (v[distal[:, i], :2] for i in range(3))

    def side(s: Floats, t: Floats) -> Floats:
        return np.asarray(s[:, 0] * t[:, 1] - s[:, 1] * t[:, 0])

    u, w, t = side(q, r), side(r, p), side(p, q)
    inside = ((u >= 0) & (w >= 0) & (t >= 0)) | ((u <= 0) & (w <= 0) & (t <= 0))
    inside &= (u + w + t) != 0
    if not inside.any():
        return float(np.nanmean(cap_radius[-1]))
    z = (u * v[distal[:, 0], 2] + w * v[distal[:, 1], 2] + t * v[distal[:, 2], 2])[inside] / (u + w + t)[inside]
    return float(middle[2] - z.min())


def carried_on(radius: Floats) -> Floats:
    """Cells without skin take their column's nearest row that has some, then their row's neighbours."""
    missing = ~np.isfinite(radius)
    if not missing.any():
        return radius
    rows = np.arange(len(radius))[:, None]
    below = np.where(missing, len(radius), rows)
    below = np.minimum.accumulate(below[::-1], axis=0)[::-1]
    above = np.maximum.accumulate(np.where(missing, -1, rows), axis=0)
    source = np.where(below < len(radius), below, above)
    return np.take_along_axis(radius, np.clip(source, 0, len(radius) - 1), axis=0)


def _smooth(radius: Floats, ring_radius: Floats, sigma_mm: float, row_mm: float) -> Floats:
    """Gaussian smoothing in mm: around by its transfer function, along over the pole and past the top edge."""
    if sigma_mm <= 0:
        return radius
    c = radius.shape[1]
    wave = np.arange(c // 2 + 1)[None, :] / np.maximum(ring_radius, 1e-9)[:, None]
    around = np.fft.irfft(np.fft.rfft(radius, axis=1) * np.exp(-0.5 * (wave * sigma_mm) ** 2), n=c, axis=1)
    reach = min(int(4 * sigma_mm / row_mm) + 2, len(radius) - 1)
    over = np.roll(around[-2 : -2 - reach : -1], c // 2, axis=1)
    before = 2 * around[0] - around[reach:0:-1]  # odd about the edge: a slope carries on
    long = gaussian(np.concatenate([before, around, over]), sigma_mm / row_mm, around=False)
    return long[reach : reach + len(radius)]


def grid_normals(surface: NDArray[np.float64], lateral: float) -> NDArray[np.float64]:
    """Outward directions (k, c, 3) of a surface given on the chart's cells; the last row is the pole."""
    half = surface.shape[1] // 2
    over = np.roll(surface[-2], half, axis=0)[None]
    first = 2 * surface[:1] - surface[1:2]
    along = (np.concatenate([surface[1:], over]) - np.concatenate([first, surface[:-1]])) / 2
    around = (np.roll(surface, -1, axis=1) - np.roll(surface, 1, axis=1)) / 2
    normals = unit(np.cross(around, along) * lateral)
    normals[-1] = unit(normals[-2].mean(axis=0))
    return normals
