"""The waste above the trimline of a model to be carved: a skirt along the mandrel, a flat base, a bore, a mark.

From the edge of the surface that must be exact the skirt goes straight up along the mandrel, so that nothing of it
hangs over. Its section is that edge seen along the mandrel; it must turn once about it without turning back. The
mark is pressed in towards the mandrel, which keeps one radius at every height and angle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from rectify.errors import MeshError
from rectify.fabrication.lettering import distance_to_strokes, lettered, strokes_of
from rectify.fabrication.mandrel import Mandrel
from rectify.geometry.mesh import Faces, Ints, Mesh, Points
from rectify.geometry.nearest import Tree
from rectify.geometry.patch import triangles_between
from rectify.geometry.ring import evenly, smoothed_ring, strip_between

__all__ = ["Skirt", "with_skirt"]

_COLUMN_MM = 1.0
_SMOOTH_MM = 2.5  # of the skirt's section
_FIRST_ROW_MM = 1.0  # above the edge
_BAND_ROW_MM, _ROW_MM = 0.8, 4.0  # rows of the mark's band, and of the rest
_CLEAR_MM = 2.0  # between the highest edge and the band
_LETTER_MM, _LEAST_LETTER_MM = 16.0, 5.0
_STROKE_MM, _DEEP_MM = 1.5, 1.0  # half the width of a stroke, and its depth
_ROUND_SHARE = 0.6  # of the way round that a mark may take
_BORE_SIDES = 72
_BORE_WALL_MM = 6.0  # common practice, no source: less breaks out


@dataclass(frozen=True)
class Skirt:
    """Measures of the waste, mm.

    Parameters
    ----------
    height_mm : from the highest point of the edge up to the base
    bore_mm, bore_depth_mm : of a round bore for the mandrel; 0 for a flat base without one
    mark : letters on the side where the waste is tallest; empty for none
    """

    height_mm: float = 40.0
    bore_mm: float = 0.0
    bore_depth_mm: float = 0.0
    mark: str = ""


def with_skirt(surface: Mesh, loop: Ints, mandrel: Mandrel, skirt: Skirt) -> tuple[Mesh, float]:
    """A surface open at the top closed by its skirt and base.

    Parameters
    ----------
    surface : Mesh
        Limb frame, faces away from the limb. Its vertices and faces come first in the result.
    loop : (k,) int64
        Its open edge; seen from outside the surface is on the left.

    Returns
    -------
    Mesh
        Closed, limb frame.
    float, mm
        Height of the letters; 0 where there is no mark.

    Raises
    ------
    MeshError
        The edge turns back on itself as seen along the mandrel, or the bore has not enough model about it.
    """
    local = mandrel.local(surface.vertices)
    edge = local[loop]
    _check_round(edge, mandrel)
    floor, top = float(edge[:, 2].max()) + _CLEAR_MM, float(edge[:, 2].max()) + skirt.height_mm
    even = evenly(edge, _COLUMN_MM)
    even = smoothed_ring(even, even, _SMOOTH_MM)
    rows = _rows(even, floor, top, bool(skirt.mark))
    letters = 0.0
    if skirt.mark:
        rows, letters = _marked(rows, even, floor, top, skirt.mark)
    n, k = len(local), len(even)
    index = n + np.arange(len(rows) * k).reshape(-1, k)
    step = np.linalg.norm(np.roll(edge, -1, axis=0) - edge, axis=1)
    way = np.concatenate([[0.0], np.cumsum(step)[:-1]]) / step.sum()
    side = np.concatenate([strip_between(loop, way, index[0], np.arange(k) / k), _strip(index)])
    base_points, base_faces = _base(rows[-1], index[-1], top, n + len(rows) * k, skirt)
    points = np.concatenate([local, rows.reshape(-1, 3), base_points])
    body = Mesh(points, np.concatenate([surface.faces, side, base_faces]))
    if skirt.bore_mm:
        _check_bore(base_points, Mesh(points, body.faces[: len(surface.faces) + len(side)]), skirt)
    made = mandrel.limb(points)
    made[:n] = surface.vertices  # the very bits
    return Mesh(made, body.faces), letters


def _check_round(edge: Points, mandrel: Mandrel) -> None:
    angle = np.unwrap(np.arctan2(edge[:, 1], edge[:, 0]))
    steps = np.diff(np.append(angle, angle[0] - 2 * np.pi))  # seen from above the edge runs clockwise
    back = np.flatnonzero(steps >= 0)
    if abs(angle[-1] - angle[0] + 2 * np.pi) > np.pi or len(back):
        where = mandrel.limb(edge[back[:1]] if len(back) else edge[:1])[0]
        raise MeshError(
            "no skirt goes straight up from this trimline",
            wanted="a trimline that goes once round the mandrel without turning back",
            found=f"{len(back)} steps back, the first near level {-where[2]:.0f} mm",
            hint="tilt the mandrel less, or round the trimline's corners more",
        )


def _rows(edge: Points, floor: float, top: float, fine: bool) -> NDArray[np.float64]:
    """Rows (r, k, 3) of the skirt above its edge, the last one on the base."""
    start = edge[:, 2] + _FIRST_ROW_MM
    low = max(1, round((floor - float(start.min())) / _ROW_MM))
    heights = [start + (floor - start) * (i / low) for i in range(low + 1)]
    count = max(1, round((top - floor) / (_BAND_ROW_MM if fine else _ROW_MM)))
    heights += [np.full(len(edge), floor + (top - floor) * i / count) for i in range(1, count + 1)]
    return np.stack([np.column_stack([edge[:, :2], z]) for z in heights])


def _marked(
    rows: NDArray[np.float64], edge: Points, floor: float, top: float, mark: str
) -> tuple[NDArray[np.float64], float]:
    """The rows with a mark pressed in, in the middle of the band, over the lowest place of the edge."""
    step = np.linalg.norm(np.roll(edge[:, :2], -1, axis=0) - edge[:, :2], axis=1)
    way = np.concatenate([[0.0], np.cumsum(step)])
    round_mm = float(way[-1])
    # seen from outside with the base up, the edge's own direction runs to the left
    place = way[int(np.argmin(edge[:, 2]))] - way[:-1]
    place = (place + round_mm / 2) % round_mm - round_mm / 2
    wide, _ = lettered(mark)
    high = min(_LETTER_MM, (top - floor) - 4.0 * _STROKE_MM, _ROUND_SHARE * round_mm / wide)
    if high < _LEAST_LETTER_MM:
        return rows, 0.0
    strokes = [high * stroke for stroke in strokes_of(mark)]
    out = rows.copy()
    near = np.flatnonzero(np.abs(place) < wide * high / 2 + 2 * _STROKE_MM)
    spots = np.stack([np.broadcast_to(place[near], (len(rows), len(near))), rows[:, near, 2] - (floor + top) / 2], -1)
    far = distance_to_strokes(spots.reshape(-1, 2), strokes).reshape(len(rows), len(near))
    deep = _DEEP_MM * np.clip(1.0 - (far / _STROKE_MM) ** 2, 0.0, None)
    deep[rows[:, near, 2] < floor] = 0.0
    radius = np.linalg.norm(rows[:, near, :2], axis=2)
    out[:, near, :2] *= (1.0 - deep / radius)[:, :, None]
    return out, high


def _strip(index: Ints) -> Faces:
    a, b = index[:-1], index[1:]
    a_next, b_next = np.roll(a, -1, axis=1), np.roll(b, -1, axis=1)
    # the edge runs with the surface on its left: faces above it run the other way
    one, two = np.stack([a_next, a, b], axis=-1), np.stack([a_next, b, b_next], axis=-1)
    return np.concatenate([one.reshape(-1, 3), two.reshape(-1, 3)])


def _base(ring: Points, index: Ints, top: float, first: int, skirt: Skirt) -> tuple[Points, Faces]:
    """New points and faces of the flat base, and of the bore from it."""
    outer = ring[::-1, :2]  # counter-clockwise from above
    rings, numbers = [outer], [index[::-1]]
    if not skirt.bore_mm:
        return np.zeros((0, 3)), triangles_between(rings, np.concatenate(numbers))
    turn = 2 * np.pi * np.arange(_BORE_SIDES) / _BORE_SIDES
    circle = skirt.bore_mm / 2 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    if not shapely.Polygon(outer).contains(shapely.Polygon(circle).buffer(_BORE_WALL_MM)):
        raise _thin(skirt)
    lip, foot = first + np.arange(_BORE_SIDES), first + _BORE_SIDES + np.arange(_BORE_SIDES)
    middle = first + 2 * _BORE_SIDES
    depth = top - skirt.bore_depth_mm
    points = np.concatenate(
        [
            np.column_stack([circle, np.full(_BORE_SIDES, top)]),
            np.column_stack([circle, np.full(_BORE_SIDES, depth)]),
            [[0.0, 0.0, depth]],
        ]
    )
    lip_next, foot_next = np.roll(lip, -1), np.roll(foot, -1)
    faces = [
        triangles_between([*rings, circle], np.concatenate([*numbers, lip])),
        np.stack([lip, lip_next, foot], axis=1),
        np.stack([lip_next, foot_next, foot], axis=1),
        np.stack([foot, foot_next, np.full(_BORE_SIDES, middle)], axis=1),
    ]
    return points, np.concatenate(faces)


def _check_bore(points: Points, outside: Mesh, skirt: Skirt) -> None:
    low = points[_BORE_SIDES:]
    far, _, _ = Tree(outside.vertices, outside.faces).nearest(low)
    if float(low[:, 2].min()) < _BORE_WALL_MM or float(far.min()) < _BORE_WALL_MM:
        raise _thin(skirt)


def _thin(skirt: Skirt) -> MeshError:
    return MeshError(
        "has not enough model about it",
        key="bore",
        wanted=f"{_BORE_WALL_MM:g} mm of model all round",
        found=f"a bore of {skirt.bore_mm:g} mm, {skirt.bore_depth_mm:g} mm deep",
        hint="take a narrower or a shallower one",
    )
