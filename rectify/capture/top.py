"""The top of a capture: which opening it is, opening one that the scanner closed, and trimming a ragged one.

A ragged edge is trimmed just below its bites: by a plane where the edge follows one, else (above the groin) by a smooth
curve that follows the edge, so that no more skin is lost than must be.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d

from rectify.capture.sheets import keep_limb
from rectify.capture.step import Step, place_text
from rectify.errors import MeshError
from rectify.geometry.clip import clip, without_unused
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Floats, Ints, Mesh, Points
from rectify.geometry.normals import face_areas, face_cross, unit

__all__ = ["edge_length", "open_top", "top_loop", "trim_top"]

_RAGGED = 1.25  # the edge's length over that of its smoothed course: clean edges stay below 1.1
_PLANE_WITHIN_MM = 8.0  # of a plane: then a plane trims it
_BINS = 180
_BIN_MIDDLES = np.linspace(-np.pi, np.pi, _BINS, endpoint=False) + np.pi / _BINS
_BITE_DEG = 12.0  # bites are taken to be no wider than this
_MARGIN_MM = 0.3  # below the deepest bite
_FLAT_DEG = 1.0


def edge_length(mesh: Mesh, loop: Ints) -> float:
    """Length of a border ring, mm."""
    points = mesh.vertices[loop]
    return float(np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1).sum())


def top_loop(mesh: Mesh, loops: list[Ints]) -> Ints:
    """The opening at the top: the one that spans most."""
    return max(loops, key=lambda loop: float(np.ptp(mesh.vertices[loop], axis=0).max()))


def open_top(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    """Take a flat lid off a scan that was closed at the top.

    Raises
    ------
    MeshError
        If it is closed and has no flat lid.
    """
    loops = border_loops(mesh)
    span = float(np.ptp(mesh.vertices, axis=0).max())
    if loops and float(np.ptp(mesh.vertices[top_loop(mesh, loops)], axis=0).max()) > 0.2 * span:
        return mesh, []
    lid = _flat_lid(mesh)
    if lid is None:
        raise MeshError(
            "the scan is closed at the top",
            wanted="one opening at the top, or a flat lid that can be taken off",
            found="neither",
            hint="cut the top open where the capture ended, or say `trim` in the case: {at: LANDMARK, proximal: 60 mm}",
        )
    area = float(face_areas(mesh.vertices, mesh.faces[lid]).sum())
    kept = np.ones(len(mesh.faces), dtype=bool)
    kept[lid] = False
    out = without_unused(Mesh(mesh.vertices, mesh.faces[kept], mesh.colours))[0]
    out, more = keep_limb(out)
    place = mesh.vertices[np.unique(mesh.faces[lid])].mean(axis=0)
    step = Step(
        "lid-removed",
        f"the flat lid that closed the top, {area:.0f} mm² near {place_text(place)}, was taken off",
        area_mm2=area,
        place=(float(place[0]), float(place[1]), float(place[2])),
    )
    return out, [step, *more]


def _flat_lid(mesh: Mesh) -> Ints | None:
    """Faces of the largest plane that the whole body lies on one side of, if it is as large as a section may be."""
    cross = face_cross(mesh.vertices, mesh.faces)
    area = np.linalg.norm(cross, axis=1) / 2
    normal = unit(cross)
    centre = mesh.vertices[mesh.faces].mean(axis=1)
    best: Ints | None = None
    best_area = 0.05 * float(area.sum()) / 2
    # try the planes of the largest faces and of faces at the ends of the body
    axis = np.linalg.svd(mesh.vertices - mesh.vertices.mean(axis=0), full_matrices=False)[2][0]
    along = centre @ axis
    tried = np.unique(np.concatenate([np.argsort(area)[-20:], np.argsort(along)[:20], np.argsort(along)[-20:]]))
    for seed in tried:
        on = (normal @ normal[seed] > np.cos(np.radians(_FLAT_DEG))) & (
            np.abs((centre - centre[seed]) @ normal[seed]) < 0.3
        )
        support = ((mesh.vertices - centre[seed]) @ normal[seed]).max() < 0.5
        if support and area[on].sum() > best_area:
            best, best_area = np.flatnonzero(on), float(area[on].sum())
    return best


def trim_top(mesh: Mesh, *, always: bool = False) -> tuple[Mesh, list[Step]]:
    """Trim a ragged top; a clean edge stays as it is unless `always`.

    The edge is laid out by its direction and height about the plane that fits it best. The cut runs through a smoothed
    envelope of its deepest points.
    """
    loop = top_loop(mesh, border_loops(mesh))
    points = mesh.vertices[loop]
    centre = points.mean(axis=0)
    axes = _loop_axes(points - centre, mesh.vertices.mean(axis=0) - centre)
    turn, depth = _turn_and_depth(points, centre, axes)
    ragged = edge_length(mesh, loop) / _smoothed_course(points)
    if not always and ragged < _RAGGED:
        return mesh, []
    course = _envelope(turn, depth)
    by_plane = float(np.ptp(course)) <= 2 * _PLANE_WITHIN_MM
    all_turn, all_depth = _turn_and_depth(mesh.vertices, centre, axes)
    line = float(depth.max()) + _MARGIN_MM if by_plane else np.interp(all_turn, _BIN_MIDDLES, course, period=2 * np.pi)
    before = float(face_areas(mesh.vertices, mesh.faces).sum())
    out, _ = clip(mesh, all_depth - line)
    out, more = keep_limb(out)
    lost = before - float(face_areas(out.vertices, out.faces).sum())
    how = "by a plane" if by_plane else "along a smooth curve just below its bites"
    step = Step(
        "top-trimmed",
        f"the ragged top was trimmed {how}; {lost:.0f} mm² of skin went with it",
        area_mm2=lost,
        place=(float(centre[0]), float(centre[1]), float(centre[2])),
    )
    return out, [step, *more]


def _loop_axes(centred: Points, into: Floats) -> Points:
    """Rows: two directions in the plane that fits the edge best, and the one across it, pointing into the limb."""
    axes = np.linalg.svd(centred, full_matrices=False)[2]
    across = axes[2] * (1.0 if axes[2] @ into >= 0 else -1.0)
    return np.stack([axes[0], np.cross(across, axes[0]), across])


def _turn_and_depth(points: Points, centre: Floats, axes: Points) -> tuple[Floats, Floats]:
    """Direction about the edge's middle (radians) and depth below its plane (mm, into the limb)."""
    local = (points - centre) @ axes.T
    return np.arctan2(local[:, 1], local[:, 0]), local[:, 2]


def _smoothed_course(points: Points) -> float:
    """Length of the edge after its bites are smoothed away, mm."""
    step = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    at = np.cumsum(step) - step
    even = np.linspace(0.0, step.sum(), 720, endpoint=False)
    course = np.stack([np.interp(even, at, points[:, i], period=step.sum()) for i in range(3)], axis=1)
    course = gaussian_filter1d(course, 720 * _BITE_DEG / 360 / 2, axis=0, mode="wrap")
    return float(np.linalg.norm(np.roll(course, -1, axis=0) - course, axis=1).sum())


def _envelope(turn: Floats, depth: Floats) -> NDArray[np.float64]:
    """A smooth course just below the edge's deepest points, one depth for each of the bins of direction."""
    deepest = np.full(_BINS, -np.inf)
    np.maximum.at(deepest, ((turn + np.pi) / (2 * np.pi) * _BINS).astype(np.int64) % _BINS, depth)
    there = np.isfinite(deepest)
    deepest = np.interp(_BIN_MIDDLES, _BIN_MIDDLES[there], deepest[there], period=2 * np.pi)
    width = round(_BINS * _BITE_DEG / 360)
    course = gaussian_filter1d(maximum_filter1d(deepest, 2 * width + 1, mode="wrap"), width / 2, mode="wrap")
    return np.asarray(course + max(0.0, float((deepest - course).max())) + _MARGIN_MM)
