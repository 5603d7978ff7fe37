"""A circle through points of a surface, in the plane that fits them best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Floats, Points

__all__ = ["Circle", "fit_circle"]

BRIDGED_MM = 2.5  # of a gap, from either side
_SMALLEST_MM, _LARGEST_MM = 3.0, 60.0  # radius of a ring drawn by hand


@dataclass(frozen=True, eq=False)
class Circle:
    """centre (3,), two directions (2, 3) that span its plane, radius mm, and how much of it has points (0 to 1)."""

    centre: Points
    plane: Points
    radius: float
    coverage: float

    def flat(self, points: Points) -> NDArray[np.float64]:
        """Coordinates (n, 2) in the circle's plane about its centre, mm."""
        return np.asarray((points - self.centre) @ self.plane.T)

    def off(self, points: Points) -> Floats:
        """Distance from the circle within its plane, (n,) mm, outward positive."""
        return np.asarray(np.linalg.norm(self.flat(points), axis=1) - self.radius)

    def fits(self, points: Points, half: float, *, all_of_it: bool = False) -> bool:
        """Whether most points lie within a stroke's half width and a tenth of the radius of the circle.

        With `all_of_it` every one must, and lie near the circle's plane as a ring round a limb does.
        """
        slack = half + 0.12 * self.radius
        within = np.abs(self.off(points)) < slack
        if not all_of_it:
            return bool(within.mean() > 0.85)
        height = (points - self.centre) @ np.cross(self.plane[0], self.plane[1])
        return bool(within.all() and (np.abs(height) < 0.6 * self.radius + 2.0).all())


def fit_circle(points: Points) -> Circle | None:
    """The least-squares circle (algebraic, then two steps geometric), or None where there is none to speak of."""
    if len(points) < 8:
        return None
    centre = points.mean(axis=0)
    _, spread, axes = np.linalg.svd(points - centre, full_matrices=False)
    if spread[1] < 0.05 * spread[0]:
        return None
    plane = axes[:2]
    flat = (points - centre) @ plane.T
    solved = np.linalg.lstsq(np.column_stack([2 * flat, np.ones(len(flat))]), (flat**2).sum(axis=1), rcond=None)[0]
    middle, radius = solved[:2], float(np.sqrt(max(solved[2] + solved[:2] @ solved[:2], 0.0)))
    for _ in range(8):
        way = flat - middle
        gap = np.linalg.norm(way, axis=1)
        jacobian = np.column_stack([-way / np.maximum(gap, 1e-9)[:, None], -np.ones(len(flat))])
        step = np.linalg.lstsq(jacobian, radius - gap, rcond=None)[0]
        middle, radius = middle + step[:2], radius + float(step[2])
    if not _SMALLEST_MM <= radius <= _LARGEST_MM:
        return None
    coverage = _covered((flat - middle) @ np.array([1.0, 1.0j]), radius)
    return Circle(centre + middle @ plane, plane, radius, coverage)


def _covered(places: NDArray[np.complex128], radius: float) -> float:
    """How much of the round has ink within `BRIDGED_MM` along it: dashes close by count as one."""
    turn = np.sort(np.angle(places))
    gaps = np.diff(np.append(turn, turn[0] + 2 * np.pi)) * radius
    return float(1.0 - np.maximum(gaps - 2.0 * BRIDGED_MM, 0.0).sum() / (2 * np.pi * radius))
