"""A soft body by formula: sections stacked along an axis, a round end, and what stands out under the skin.

The trunk gives a section's radius by level and angle and closes in a pole. Features (domes over a bone or a
muscle, ridges along a tendon or a bone's edge) move the trunk's surface along rays: square to the axis on the
wall, away from the end's centre on the end. A point therefore stays on its ray, and a trunk that meets each
ray once carries features that do so too. Everything is smooth; nothing here knows anatomy.

Level is mm, positive distally (z = -level); an angle is degrees here, 0 toward +y, growing toward +x.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from rectify.geometry.mesh import Floats, Points
from rectify.geometry.normals import unit

__all__ = ["Body", "Dome", "Profile", "Ridge", "Trunk", "profile"]

Profile = Callable[[Floats], Floats]
Move = Callable[[Points], Floats]  # points of a trunk's surface -> mm along their rays

FINE_MM = 0.5  # the grid on which a profile is softened
REACH = 5.0  # widths of a ridge beyond which it is less than 4e-6 of its height
PATH_MM = 1.0  # spacing of the points that stand for a ridge's path
CLOSING = 2.2  # exponent of the end: 2 is an ellipsoid; a little more meets the wall without a step in curvature
CAP_SHARE = 0.35  # of the rise: the part that is the end


def profile(levels: Sequence[float], values: Sequence[float], soften_mm: float = 9.0) -> Profile:
    """Straight between the given levels, constant beyond, then softened by a Gaussian of that width (mm)."""
    low, high = min(levels) - 4 * soften_mm, max(levels) + 4 * soften_mm
    grid = np.arange(low, high + FINE_MM, FINE_MM)
    soft = gaussian_filter1d(np.interp(grid, levels, values), soften_mm / FINE_MM, mode="nearest")

    def value(level: Floats) -> Floats:
        return np.asarray(np.interp(level, grid, soft))

    return value


@dataclass(frozen=True)
class Trunk:
    """The body without features.

    Parameters
    ----------
    radius : level -> mm, before the end closes
    harmonics : (order, cosine part, sine part), the parts by level as a share of the radius
    centre_x, centre_y : level -> mm, where the section's centre lies
    top : angle (radians) -> level of the open edge
    shoulder, end : float, mm
        The levels where the end begins and where it closes.
    """

    radius: Profile
    harmonics: tuple[tuple[int, Profile, Profile], ...]
    centre_x: Profile
    centre_y: Profile
    top: Callable[[Floats], Floats]
    shoulder: float
    end: float

    def level(self, rise: Floats, angle: Floats) -> Floats:
        """The level at a rise: the end takes the first CAP_SHARE of it, the wall the rest."""
        turn = np.clip(rise / CAP_SHARE, 0.0, 1.0) * np.pi / 2.0
        cap = self.shoulder + (self.end - self.shoulder) * np.cos(turn)
        wall = np.clip((rise - CAP_SHARE) / (1.0 - CAP_SHARE), 0.0, 1.0)
        return np.asarray(np.where(rise < CAP_SHARE, cap, self.shoulder + (self.top(angle) - self.shoulder) * wall))

    def rise(self, level: Floats, angle: Floats) -> Floats:
        """The rise at a level: the inverse of `level`."""
        inside = np.clip((level - self.shoulder) / (self.end - self.shoulder), 0.0, 1.0)
        cap = np.arccos(inside) * 2.0 / np.pi * CAP_SHARE
        wall = (level - self.shoulder) / (self.top(angle) - self.shoulder)
        return np.asarray(np.where(level > self.shoulder, cap, CAP_SHARE + (1.0 - CAP_SHARE) * wall))

    def middle(self, level: Floats) -> Points:
        """The section's centre (…, 3)."""
        return np.stack([self.centre_x(level), self.centre_y(level), -level], axis=-1)

    def surface(self, rise: Floats, angle: Floats) -> Points:
        """Points of the trunk, shape of the arguments + (3,)."""
        level = self.level(rise, angle)
        shape = np.ones_like(level)
        for order, cosine, sine in self.harmonics:
            shape += cosine(level) * np.cos(order * angle) + sine(level) * np.sin(order * angle)
        turn = np.clip(rise / CAP_SHARE, 0.0, 1.0) * np.pi / 2.0
        reach = self.radius(level) * shape * np.sqrt(1.0 - np.cos(turn) ** CLOSING)
        out = np.stack([np.sin(angle), np.cos(angle), np.zeros_like(angle)], axis=-1)
        return np.asarray(self.middle(level) + reach[..., None] * out)

    def ray(self, points: Points) -> Points:
        """The unit direction in which features move each point."""
        level = -points[..., 2]
        return unit(points - self.middle(np.minimum(level, self.shoulder)))


@dataclass(frozen=True)
class Dome:
    """A rounded rise (or hollow) about one place.

    Parameters
    ----------
    level, angle : float, mm and degrees
    along, around : float, mm
        Half widths to about 0.6 of the height, along the axis and across it.
    height : float, mm, negative for a hollow
    blunt : float, from 1
        1 is a Gaussian; more is flatter on top with steeper sides.
    turned : float, degrees
        Turns the long side from the axis toward a growing angle.
    """

    level: float
    angle: float
    along: float
    around: float
    height: float
    blunt: float = 1.0
    turned: float = 0.0

    def on(self, trunk: Trunk) -> Move:
        """Laid on a trunk: how far points of its surface move, mm."""
        centre = _place(trunk, self.level, self.angle)
        out = trunk.ray(centre[None])[0]
        down, across = _frame(out)
        c, s = np.cos(np.radians(self.turned)), np.sin(np.radians(self.turned))
        axes = np.stack(
            [
                (c * down + s * across) / self.along,
                (c * across - s * down) / self.around,
                out / max(self.along, self.around),
            ],
            axis=1,
        )

        def amount(points: Points) -> Floats:
            square = (((points - centre) @ axes) ** 2).sum(axis=-1)
            return np.asarray(self.height * np.exp(-((square / 2.0) ** self.blunt)))

        return amount


@dataclass(frozen=True)
class Ridge:
    """A ridge (or groove) along a path.

    Parameters
    ----------
    path : (level, angle, height) rows, mm, degrees, mm
        Smoothed between; a height of 0 at an end lets the ridge run out.
    width : float, mm
        Half width to about 0.6 of the height.
    """

    path: tuple[tuple[float, float, float], ...]
    width: float

    def on(self, trunk: Trunk) -> Move:
        """Laid on a trunk: how far points of its surface move, mm."""
        rows = self._rows()
        angle = np.radians(rows[:, 1])
        places = trunk.surface(trunk.rise(rows[:, 0], angle), angle)
        tree, step = cKDTree(places), np.diff(places, axis=0)
        length = (step**2).sum(axis=1)

        def amount(points: Points) -> Floats:
            flat = points.reshape(-1, 3)
            found = tree.query(flat, distance_upper_bound=REACH * self.width)[1]
            nearest = np.asarray(found, dtype=np.int64)  # one past the last where nothing is near
            near = np.flatnonzero(nearest < len(places))
            square, height = np.full(len(near), np.inf), np.zeros(len(near))
            for piece in (
                nearest[near] - 1,
                nearest[near],
            ):  # the pieces on either side of the nearest corner
                i = np.clip(piece, 0, len(step) - 1)
                away = flat[near] - places[i]
                part = np.clip((away * step[i]).sum(axis=1) / length[i], 0.0, 1.0)
                distance = ((away - part[:, None] * step[i]) ** 2).sum(axis=1)
                better = distance < square
                square = np.where(better, distance, square)
                height = np.where(better, rows[i, 2] + part * (rows[i + 1, 2] - rows[i, 2]), height)
            moved = np.zeros(len(flat))
            moved[near] = height * np.exp(-square / (2.0 * self.width**2))
            return moved.reshape(points.shape[:-1])

        return amount

    def spot(self, level: float) -> tuple[float, float]:
        """(level, angle) of the path at a level, as laid."""
        rows = self._rows()
        order = np.argsort(rows[:, 0])
        return level, float(np.interp(level, rows[order, 0], rows[order, 1]))

    def across(self, angle: float) -> tuple[float, float]:
        """(level, angle) of the path at an angle, as laid; for a path that runs round the limb."""
        rows = self._rows()
        order = np.argsort(rows[:, 1])
        return float(np.interp(angle, rows[order, 1], rows[order, 0])), angle

    def _rows(self) -> Floats:
        """The path's rows, closely spaced and softened."""
        rows = np.array(self.path)
        far = np.hypot(np.diff(rows[:, 0]), np.diff(rows[:, 1]))
        gone = np.concatenate([[0.0], np.cumsum(far)])
        fine = np.linspace(0.0, gone[-1], max(8, int(gone[-1] / PATH_MM)))
        columns = [np.interp(fine, gone, rows[:, k]) for k in range(3)]
        soft = [gaussian_filter1d(column, 5.0 / PATH_MM, mode="nearest") for column in columns]
        return np.stack(soft, axis=1)


@dataclass(frozen=True)
class Body:
    """A trunk with features, swayed: `sway` (level -> mm along y) leans it without tilting its sections."""

    trunk: Trunk
    features: tuple[Dome | Ridge, ...]
    sway: Profile = field(default=np.zeros_like)

    def surface(self, rise: Floats, angle: Floats) -> Points:
        """Points of the finished body: shape of the arguments + (3,)."""
        bare = self.trunk.surface(rise, angle)
        amount = np.zeros(bare.shape[:-1])
        for move in self._moves:
            amount += move(bare)
        points = bare + amount[..., None] * self.trunk.ray(bare)
        points[..., 1] += self.sway(-points[..., 2])
        return points

    @cached_property
    def _moves(self) -> tuple[Move, ...]:
        return tuple(feature.on(self.trunk) for feature in self.features)

    def at(self, level: float, angle: float) -> Points:
        """(3,) the skin over a place of the trunk (mm, degrees). On the end the level is the trunk's."""
        turned = np.radians(np.array([angle]))
        return np.asarray(self.surface(self.trunk.rise(np.array([level]), turned), turned)[0])

    def section(self, level: float, samples: int = 720) -> Points:
        """(samples, 3) the outline at a level of the wall, which lies in the level plane."""
        angle = np.asarray(np.arange(samples, dtype=np.float64) * (2.0 * np.pi / samples) - np.pi)
        return self.surface(self.trunk.rise(np.full(samples, level), angle), angle)


def _place(trunk: Trunk, level: float, angle: float) -> Points:
    turned = np.radians(np.array([angle]))
    return np.asarray(trunk.surface(trunk.rise(np.array([level]), turned), turned)[0])


def _frame(out: Points) -> tuple[Points, Points]:
    """Distal and growing-angle directions square to a ray; at the pole, posterior and +x."""
    upright = np.array([0.0, 0.0, -1.0])
    down = upright - (upright @ out) * out
    if np.linalg.norm(down) < 1e-6:
        down = np.array([0.0, -1.0, 0.0])
    down = down / np.linalg.norm(down)
    return down, np.cross(down, out)
