"""Rigid motions: 4 x 4 transforms of points, and the one that lays points over others best.

A motion turns and shifts and does nothing else: it never scales, and never mirrors unless that is asked for.
"""

from __future__ import annotations

import numpy as np

from rectify.errors import MeshError
from rectify.geometry.mesh import Floats, Points

__all__ = ["carried", "fit_points", "inverse", "largest_shift", "rotation", "small_motion", "turn_deg"]

_LEAST_SPREAD_MM = 5.0  # points nearer to one line than this fix no turn about it


def carried(points: Points, frame: Floats) -> Points:
    """Points (n, 3) carried by a 4 x 4 transform."""
    return np.asarray(points @ frame[:3, :3].T + frame[:3, 3])


def inverse(frame: Floats) -> Floats:
    """The way back of a rigid motion."""
    out = np.eye(4)
    out[:3, :3] = frame[:3, :3].T
    out[:3, 3] = -frame[:3, :3].T @ frame[:3, 3]
    return out


def rotation(vector: Floats) -> Floats:
    """(3, 3): the turn about a vector's direction by its length, radians.

    Examples
    --------
    >>> np.round(rotation(np.array([0.0, 0.0, np.pi / 2])) @ [1.0, 0.0, 0.0], 12)
    array([0., 1., 0.])
    """
    from scipy.spatial.transform import Rotation

    return np.asarray(Rotation.from_rotvec(vector).as_matrix())


def small_motion(turn: Floats, shift: Floats, about: Floats) -> Floats:
    """4 x 4: a turn (3,), radians, about a point, then a shift (3,)."""
    out = np.eye(4)
    out[:3, :3] = rotation(turn)
    out[:3, 3] = about + shift - out[:3, :3] @ about
    return out


def turn_deg(frame: Floats) -> float:
    """By how much a motion turns, degrees."""
    r = frame[:3, :3]
    sine = np.linalg.norm([r[2, 1] - r[1, 2], r[0, 2] - r[2, 0], r[1, 0] - r[0, 1]]) / 2
    return float(np.degrees(np.arctan2(sine, (np.trace(r) - 1) / 2)))


def largest_shift(one: Floats, two: Floats, points: Points) -> float:
    """How far apart two motions take the same points at most, mm."""
    return float(np.linalg.norm(carried(points, one) - carried(points, two), axis=1).max())


def fit_points(points: Points, targets: Points, *, mirror: bool = False) -> Floats:
    """The rigid motion that takes points (k, 3) nearest to their targets, by least squares.

    Kabsch W (1976) Acta Cryst A32:922-923 (from memory), by singular values.

    Parameters
    ----------
    mirror : bool
        The best mirrored motion instead: how well a mirror image would fit.

    Raises
    ------
    MeshError
        Fewer than three points, or all about on one line: they fix no motion.
    """
    middle, aim = points.mean(axis=0), targets.mean(axis=0)
    for cloud in (points - middle, targets - aim):
        spread = np.linalg.svd(cloud, compute_uv=False) / np.sqrt(max(len(cloud), 1))
        if len(cloud) < 3 or spread[1] < _LEAST_SPREAD_MM:
            raise MeshError(
                "the points fix no position",
                wanted="three or more, not on one line",
                found=f"{len(cloud)} points" + (f", within {spread[1]:.1f} mm of a line" if len(cloud) > 2 else ""),
            )
    u, _, vt = np.linalg.svd((points - middle).T @ (targets - aim))
    side = np.linalg.det(u @ vt) * (-1.0 if mirror else 1.0)
    out = np.eye(4)
    out[:3, :3] = vt.T @ np.diag([1.0, 1.0, np.sign(side)]) @ u.T
    out[:3, 3] = aim - out[:3, :3] @ middle
    return out
