"""The unrolled limb as a grid of pixels: how far each place moved.

Rows run from the most proximal skin to the pole, columns once round from the back to the back. The moves are the
engine's, carried from the vertices to the pixels over the mesh's own faces; where there is no skin there is NaN.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rectify.geometry.mesh import Floats
from rectify.report.raster import rasterise

if TYPE_CHECKING:
    from rectify.report.shown import Shown

__all__ = ["Field", "displacement_field"]

_COLUMNS = 720  # half a degree
_ROWS_PER_MM = 2.0
_ROUND_POLE_DEG = 120.0  # a face that spans more lies round the pole


@dataclass(frozen=True, eq=False)
class Field:
    """How far each place of the unrolled limb moved.

    Parameters
    ----------
    move : (h, w) mm, NaN where there is no skin
    filled : (h, w) bool
        Where a hole of the scan was filled: nobody captured skin there.
    stations : (h,) mm, proximal first
    angles : (w,) degrees, from -180 to 180
    """

    move: Floats
    filled: NDArray[np.bool_]
    stations: Floats
    angles: Floats


def displacement_field(outcome: Shown) -> Field:
    """The outcome's moves on a grid of stations and angles."""
    chart, places, faces = outcome.limb.chart, outcome.asked.places, outcome.limb.mesh.faces
    height = max(2, int(np.ceil((chart.pole_mm - chart.top_mm) * _ROWS_PER_MM)))
    y = (places.stations - chart.top_mm) / (chart.pole_mm - chart.top_mm) * height
    angle = places.angles[faces]
    ahead = angle - angle[:, :1]
    angle = angle[:, :1] + (ahead + 180.0) % 360.0 - 180.0
    # each face with corners of its own, so that one across the seam can be laid down on both sides of it
    corner = np.stack([(angle + 180.0) * (_COLUMNS / 360.0), y[faces]], axis=2)
    plain = np.ptp(angle, axis=1) < _ROUND_POLE_DEG
    corner, owner = corner[plain], faces[plain]
    over, under = corner[..., 0].max(axis=1) > _COLUMNS, corner[..., 0].min(axis=1) < 0
    shift = np.array([float(_COLUMNS), 0.0])
    corner = np.concatenate([corner, corner[over] - shift, corner[under] + shift])
    owner = np.concatenate([owner, owner[over], owner[under]])
    own = np.arange(3 * len(corner), dtype=np.int64).reshape(-1, 3)
    invented = np.zeros(len(outcome.move))
    invented[outcome.limb.invented] = 1.0
    values = np.stack([outcome.move, invented], axis=1)[owner].reshape(-1, 2)
    carried = rasterise(corner.reshape(-1, 2), own, (_COLUMNS, height)).carry(values)
    stations = chart.top_mm + (np.arange(height) + 0.5) / height * (chart.pole_mm - chart.top_mm)
    angles = (np.arange(_COLUMNS) + 0.5) * (360.0 / _COLUMNS) - 180.0
    move = _closed_up(carried[..., 0], stations > chart.centre_mm)
    return Field(move, carried[..., 1] > 0.5, stations, np.asarray(angles, dtype=np.float64))


def _closed_up(move: Floats, cap: NDArray[np.bool_]) -> Floats:
    """The few cells round the pole that no face was laid down on take their nearest neighbour's move."""
    hole = np.isnan(move) & cap[:, None]
    if not hole.any() or not np.isfinite(move).any():
        return move
    nearest = ndimage.distance_transform_edt(np.isnan(move), return_distances=False, return_indices=True)
    out = move.copy()
    out[hole] = move[tuple(nearest[:, hole])]
    return out
