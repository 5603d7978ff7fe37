"""Cutting the top of a capture: a ragged one just below its bites, or any one by a plane that was asked for.

A ragged edge is trimmed by a plane where it follows one, else (above the groin) along a smooth curve that follows the
edge, so that no more skin is lost than must be. Turning, moving or mirroring the capture changes only last digits.
"""

from __future__ import annotations

import numpy as np
import shapely

from rectify.capture.sheets import keep_limb, unpinch
from rectify.capture.step import Step, place_of, place_text
from rectify.capture.top import check_across, top_loop, vector_area
from rectify.errors import MeshError
from rectify.geometry.clip import clip
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Floats, Ints, Mesh, Points
from rectify.geometry.normals import face_areas
from rectify.geometry.smoothing import gaussian

__all__ = ["cut_by_plane", "edge_length", "trim_top"]

_RAGGED = 1.25  # the edge's length over that of its smoothed course: clean edges stay below 1.1
_PLANE_WITHIN_MM = 8.0  # of a plane: then a plane trims it
_BINS = 180
_BIN_MIDDLES = np.linspace(-np.pi, np.pi, _BINS, endpoint=False) + np.pi / _BINS
_BITE_DEG = 12.0  # bites are taken to be no wider than this
_MARGIN_MM = 0.3  # below the deepest bite
_MOST_LOST = 0.15  # of the skin: a top so ragged was not captured


def edge_length(mesh: Mesh, loop: Ints) -> float:
    """Length of a border ring, mm."""
    points = mesh.vertices[loop]
    return float(np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1).sum())


def cut_by_plane(mesh: Mesh, point: Floats, proximal: Floats) -> tuple[Mesh, list[Step]]:
    """Cut everything off that lies beyond a plane.

    Parameters
    ----------
    mesh : Mesh
    point, proximal : (3,)
        On the plane, and the direction of what is cut off.

    Raises
    ------
    MeshError
        If nothing is left, or the cut does not open the limb across.
    """
    before = float(face_areas(mesh.vertices, mesh.faces).sum())
    down = (np.asarray(point) - mesh.vertices) @ (np.asarray(proximal) / np.linalg.norm(proximal))
    if down.max() <= 0:
        raise MeshError(
            "nothing is left below the plane that the top is trimmed by",
            wanted="a plane that crosses the limb",
            found=f"all of the scan lies at least {-down.max():.0f} mm beyond it, near {place_text(mesh.vertices[0])}",
        )
    if down.min() >= 0:
        message = f"nothing lies beyond the plane asked for: the scan ends {down.min():.1f} mm below it"
        return mesh, [Step("trim-idle", message, look=True, place=place_of(np.asarray(point)))]
    out, _ = clip(mesh, down)
    out = unpinch(keep_limb(out)[0])[0]
    check_across(out)
    lost = before - float(face_areas(out.vertices, out.faces).sum())
    went = f"{lost:.0f} mm² of skin, as far as {-down.min():.1f} mm beyond it"
    message = f"the top was cut by the plane asked for; {went}, went with it"
    return out, [Step("top-cut", message, area_mm2=lost, place=place_of(np.asarray(point)))]


def trim_top(mesh: Mesh, *, always: bool = False) -> tuple[Mesh, list[Step]]:
    """Trim a ragged top; a clean edge stays as it is unless `always`.

    The edge is laid out by its direction and height about the plane that fits it best. The cut runs through a smoothed
    envelope of its deepest points.

    Raises
    ------
    MeshError
        If so much would go that the top was hardly captured.
    """
    loop = top_loop(mesh, border_loops(mesh))
    points = mesh.vertices[loop]
    ragged = edge_length(mesh, loop) / _smoothed_course(points)
    if not always and ragged < _RAGGED and _lies_flat(points):
        return mesh, []
    axes, centre = _edge_axes(mesh, loop)
    turn, depth = _turn_and_depth(points, centre, axes)
    course = _envelope(turn, depth)
    by_plane = float(np.ptp(course)) <= 2 * _PLANE_WITHIN_MM
    all_turn, all_depth = _turn_and_depth(mesh.vertices, centre, axes)
    line = float(depth.max()) + _MARGIN_MM if by_plane else np.interp(all_turn, _BIN_MIDDLES, course, period=2 * np.pi)
    before = float(face_areas(mesh.vertices, mesh.faces).sum())
    out, _ = clip(mesh, all_depth - line)
    out, more = keep_limb(out)
    out, _ = unpinch(out)
    lost = before - float(face_areas(out.vertices, out.faces).sum())
    if lost > _MOST_LOST * before:
        raise MeshError(
            "the top of the limb was captured in shreds",
            wanted=f"a ragged edge that can be trimmed with at most {_MOST_LOST:.0%} of the skin",
            found=f"bites down to {np.ptp(depth):.0f} mm, {lost / before:.0%} of the skin, near {place_text(centre)}",
            hint="scan again, or cut the top clean in the scanning software",
        )
    how = "by a plane" if by_plane else "along a smooth curve just below its bites"
    message = f"the ragged top was trimmed {how}; {lost:.0f} mm² of skin went with it"
    return out, [Step("top-trimmed", message, area_mm2=lost, place=place_of(centre)), *more]


def _lies_flat(points: Points) -> bool:
    """Whether an edge laid flat crosses itself nowhere, as it must not if it is to be closed."""
    across = vector_area(points)
    first = np.linalg.svd(np.outer(across, across))[2][1]
    second = np.cross(across / np.linalg.norm(across), first)
    return bool(shapely.LinearRing(points @ np.stack([first, second], axis=1)).is_simple)


def _edge_axes(mesh: Mesh, loop: Ints) -> tuple[Points, Floats]:
    """Rows: two directions in the plane that fits the edge best, and the one across it, into the limb; and its middle.

    The first points at the edge's first vertex, the second the way its second lies, whichever way the faces run: a
    mirrored capture has the mirrored axes.
    """
    points = mesh.vertices[loop]
    centre = points.mean(axis=0)
    across = np.linalg.svd(points - centre, full_matrices=False)[2][2]
    across = across * (1.0 if across @ (mesh.vertices.mean(axis=0) - centre) >= 0 else -1.0)
    first = points[0] - centre
    first = first - (first @ across) * across
    first = first / np.linalg.norm(first)
    second = np.cross(across, first)
    # the ring's own sense, read from the lower of the first vertex's neighbours
    sense = vector_area(points) @ across * (1.0 if loop[1] < loop[-1] else -1.0)
    return np.stack([first, second if sense >= 0 else -second, across]), centre


def _turn_and_depth(points: Points, centre: Floats, axes: Points) -> tuple[Floats, Floats]:
    """Direction about the edge's middle (radians) and depth below its plane (mm, into the limb).

    The first vertex of the edge lies in the middle of a bin, not between two, where rounding would choose.
    """
    local = (points - centre) @ axes.T
    turn = np.arctan2(local[:, 1], local[:, 0]) + np.pi / _BINS
    return (turn + np.pi) % (2 * np.pi) - np.pi, local[:, 2]


def _smoothed_course(points: Points) -> float:
    """Length of the edge after its bites are smoothed away, mm."""
    step = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    at = np.cumsum(step) - step
    even = np.linspace(0.0, step.sum(), 720, endpoint=False)
    course = np.stack([np.interp(even, at, points[:, i], period=step.sum()) for i in range(3)], axis=1)
    course = gaussian(course, 720 * _BITE_DEG / 360 / 2, around=True)
    return float(np.linalg.norm(np.roll(course, -1, axis=0) - course, axis=1).sum())


def _envelope(turn: Floats, depth: Floats) -> Floats:
    """A smooth course just below the edge's deepest points, one depth for each of the bins of direction."""
    deepest = np.full(_BINS, -np.inf)
    np.maximum.at(deepest, ((turn + np.pi) / (2 * np.pi) * _BINS).astype(np.int64) % _BINS, depth)
    there = np.isfinite(deepest)
    deepest = np.interp(_BIN_MIDDLES, _BIN_MIDDLES[there], deepest[there], period=2 * np.pi)
    width = round(_BINS * _BITE_DEG / 360)
    beside = np.lib.stride_tricks.sliding_window_view(np.pad(deepest, width, mode="wrap"), 2 * width + 1)
    course = gaussian(beside.max(axis=1), width / 2, around=True)
    return np.asarray(course + max(0.0, float((deepest - course).max())) + _MARGIN_MM)
