"""Pictures of the rectified limb from four sides and from the end, coloured by displacement.

Drawn from the rectified surface itself, pixel by pixel, with the region outlines in pencil and thin lines every
50 mm of level. Same outcome, same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import unit, vertex_normals
from rectify.report.png import png_bytes
from rectify.report.raster import Seen, rasterise
from rectify.viewer.colours import PENCIL, displacement_colours, scale_top
from rectify.viewer.outlines import rings_of

if TYPE_CHECKING:
    from rectify.report.shown import Shown

__all__ = ["VIEWS", "Picture", "four_sides"]

VIEWS = ("anterior", "lateral", "posterior", "medial", "distal")
_TALLEST_PX = 440
_PX_PER_MM = 1.7
_FINER = 2  # drawn so many times larger, then averaged
_MARGIN_MM = 3.0
_MOST_BYTES, _STEPS = 80_000, (3, 6, 12)
_LEVELS_MM = 50.0
_AMBIENT, _DIFFUSE, _GAMMA = 0.58, 0.46, 1.15
_BEHIND_MM = 9.0  # how far below the surface a pencil line may lie and still show: a build-up covers its line


@dataclass(frozen=True)
class Picture:
    """One view.

    Parameters
    ----------
    view : one of VIEWS
    png : bytes
    width, height : pixels
    right_is : what lies to the right of the picture
    """

    view: str
    png: bytes
    width: int
    height: int
    right_is: str


def four_sides(outcome: Shown) -> tuple[Picture, ...]:
    """The rectified limb from the front, outside, back, inside, and from the end."""
    v = outcome.mesh.vertices
    lateral = outcome.limb.chart.lateral
    tall = float(np.ptp(v[:, 2])) + 2 * _MARGIN_MM
    scale = min(_PX_PER_MM, _TALLEST_PX / tall) * _FINER
    colours = displacement_colours(outcome.move, scale_top(outcome.worked))
    normals = vertex_normals(Mesh(v, outcome.mesh.faces))
    lines = _outline_points(outcome, 0.4 / scale * _FINER)
    return tuple(_picture(outcome, name, scale, lateral, colours, normals, lines) for name in VIEWS)


def _small_png(picture: NDArray[np.float64]) -> bytes:
    """As PNG; a noisy scan's picture takes coarser steps of brightness until it is small enough."""
    for step in _STEPS:
        png = png_bytes(np.clip(np.round(picture / step) * step, 0, 255).astype(np.uint8))
        if len(png) <= _MOST_BYTES:
            break
    return png


@dataclass(frozen=True, eq=False)
class _View:
    """Right, up and toward the eye, unit vectors in the limb frame."""

    right: Floats
    up: Floats
    toward: Floats


def _view(name: str, lateral: float) -> _View:
    toward = {
        "anterior": (0.0, 1.0, 0.0),
        "posterior": (0.0, -1.0, 0.0),
        "lateral": (lateral, 0.0, 0.0),
        "medial": (-lateral, 0.0, 0.0),
        "distal": (0.0, 0.0, -1.0),
    }[name]
    up = np.array([0.0, 1.0, 0.0] if name == "distal" else [0.0, 0.0, 1.0])
    eye = np.array(toward)
    return _View(np.cross(-eye, up), up, eye)


def _right_is(name: str, lateral: float) -> str:
    x = {"anterior": -lateral, "posterior": lateral, "distal": -lateral}.get(name)
    if x is not None:
        return "lateral" if x > 0 else "medial"
    return "anterior" if (name == "lateral") == (lateral > 0) else "posterior"


def _picture(
    outcome: Shown,
    name: str,
    scale: float,
    lateral: float,
    colours: NDArray[np.float64],
    normals: Points,
    lines: _Lines,
) -> Picture:
    view = _view(name, lateral)
    v, faces = outcome.mesh.vertices, outcome.mesh.faces
    flat = np.stack([v @ view.right, -(v @ view.up)], axis=1)
    corner = flat.min(axis=0) - _MARGIN_MM
    size = np.ceil((np.ptp(flat, axis=0) + 2 * _MARGIN_MM) * scale / _FINER).astype(int) * _FINER
    width, height = int(size[0]), int(size[1])
    a, b, c = (flat[faces[:, i]] for i in range(3))
    facing = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) < (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    nearness = v @ view.toward
    seen = rasterise((flat - corner) * scale, faces[facing], (width, height), nearness)
    carried = seen.carry(np.concatenate([colours, normals, -v[:, 2:], nearness[:, None]], axis=1))
    canvas = _shaded(seen, carried[..., :3], carried[..., 3:6], view)
    if name != "distal":
        _level_lines(canvas, seen, carried[..., 6])
    _pencil(canvas, carried[..., 7], lines, view, corner, scale)
    small = canvas.reshape(height // _FINER, _FINER, width // _FINER, _FINER, 3).mean(axis=(1, 3))
    return Picture(name, _small_png(small), width // _FINER, height // _FINER, _right_is(name, lateral))


def _shaded(seen: Seen, colours: Floats, normals: Floats, view: _View) -> NDArray[np.float64]:
    """(h, w, 3): the surface's colours under a lamp over the left shoulder, on white."""
    lamp = unit(view.toward + 0.45 * view.up - 0.35 * view.right)
    there = seen.there
    light = np.clip(unit(normals[there]) @ lamp, 0.0, None)
    out = np.full(colours.shape, 255.0)
    out[there] = colours[there] * (_AMBIENT + _DIFFUSE * light**_GAMMA)[:, None]
    return out


def _level_lines(canvas: NDArray[np.float64], seen: Seen, levels_mm: Floats) -> None:
    """Darken where the level passes a multiple of 50 mm, level 0 more than the others."""
    level = levels_mm / _LEVELS_MM
    step = np.floor(level)
    crossing = np.zeros(step.shape, dtype=bool)
    crossing[:-1] = (step[:-1] != step[1:]) & seen.there[:-1] & seen.there[1:]
    zero = crossing & (np.abs(level) < 0.1)
    canvas[crossing] *= 0.86
    canvas[zero] *= 0.6


_Lines = tuple[Points, Points, NDArray[np.bool_]]


def _outline_points(outcome: Shown, step_mm: float) -> _Lines:
    """Points along every region's outline on the captured surface, the normals there, and whether they are drawn:
    the outline of a reduction is dashed."""
    chart = outcome.limb.chart
    points, normals, drawn = [np.zeros((0, 3))], [np.zeros((0, 3))], [np.zeros(0, dtype=bool)]
    for r in outcome.regions:
        for ring in rings_of(r.outline):
            corners = chart.point(ring[:, 0], ring[:, 1])
            way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(corners, axis=0), axis=1))])
            at = np.arange(0.0, way[-1], step_mm)
            place = np.stack([np.interp(at, way, ring[:, i]) for i in (0, 1)], axis=1)
            skin = chart.is_captured(place[:, 0], place[:, 1])
            points.append(chart.point(place[:, 0], place[:, 1]))
            normals.append(chart.normal(place[:, 0], place[:, 1]))
            drawn.append(skin & ((r.region.action == "build-up") | (at % 6.0 < 3.6)))
    return np.concatenate(points), np.concatenate(normals), np.concatenate(drawn)


def _pencil(
    canvas: NDArray[np.float64], nearness: Floats, lines: _Lines, view: _View, corner: Floats, scale: float
) -> None:
    """Draw the outlines that face the eye; `nearness` (h, w) is the surface's."""
    points, normals, drawn = lines
    front = drawn & (normals @ view.toward > 0.08)
    p = points[front]
    flat = (np.stack([p @ view.right, -(p @ view.up)], axis=1) - corner) * scale
    x, y = np.floor(flat).astype(np.int64).T
    height, width = nearness.shape
    inside = (x >= 0) & (y >= 0) & (x < width - 1) & (y < height - 1)
    x, y, p = x[inside], y[inside], p[inside]
    shown = (p @ view.toward) > nearness[y, x] - _BEHIND_MM
    x, y = x[shown], y[shown]
    ink = np.array([int(PENCIL[i : i + 2], 16) for i in (1, 3, 5)], dtype=np.float64)
    for dx, dy in ((0, 0), (1, 0), (0, 1), (1, 1)):
        canvas[y + dy, x + dx] = ink
