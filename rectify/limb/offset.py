"""A true offset of a limb: every point of the new surface at one distance from the old.

For what lies between the captured surface and what will be worn: a liner to add, a plaster wall to take off.
Each vertex stays on its own ray of the chart, from the axis on the wall and from the end's centre on the cap, and
goes to where the ball-dilated (or ball-eroded) limb meets that ray. Such a surface cannot fold, however tight a
crease is; a crease narrower than the ball simply fills.

The distance is found on the chart's grid (nearest point of the surface), interpolated, and made exact at each vertex.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rectify.errors import MeshError
from rectify.geometry.grid_spline import GridSpline
from rectify.geometry.mesh import Floats, Points
from rectify.geometry.nearest import Tree
from rectify.geometry.normals import dots
from rectify.limb.chart import Chart, build_chart, carried_on
from rectify.limb.landmarks import Landmark
from rectify.limb.limb import Limb, profile_of
from rectify.limb.spot import Spot

__all__ = ["offset_limb"]

_STEPS = 12
_EXACT_STEPS = 4
_CLOSE_MM = 1e-3  # the step that finds that much or less mends it to the second order


def offset_limb(limb: Limb, mm: float) -> Limb:
    """The limb with its surface `mm` further out (positive) or in (negative), landmarks with it.

    Raises
    ------
    MeshError
        If so much is taken off that nothing is left somewhere.
    """
    if mm == 0.0:
        return limb
    tree = Tree(limb.mesh.vertices, limb.mesh.faces)
    gain = GridSpline.of(_radial_gain(limb, mm, tree), around=True)
    vertices = _exactly(limb, mm, tree, _carry(limb.chart, gain, limb.mesh.vertices))
    mesh = limb.mesh.with_vertices(vertices)
    chart = build_chart(mesh, limb.side, smooth_mm=limb.chart.smooth_mm)
    landmarks = {name: _moved(mark, limb.chart, gain, chart) for name, mark in limb.landmarks.items()}
    return replace(limb, mesh=mesh, chart=chart, profile=profile_of(mesh), landmarks=landmarks)


def _radial_gain(limb: Limb, mm: float, tree: Tree) -> NDArray[np.float64]:
    """How much farther out along its ray each cell of the chart meets the offset surface: (k, c) mm."""
    chart = limb.chart
    stations, angles = (g.ravel() for g in np.broadcast_arrays(chart.stations[:, None], chart.angles[None, :]))
    ray = _rays(chart, stations, angles)
    start = chart.point(stations, angles)
    lean = np.clip(np.einsum("ij,ij->i", chart.normal(stations, angles), ray), 0.3, 1.0)
    gain = mm / lean
    skin = chart.captured.ravel()
    at = np.flatnonzero(skin)
    for _ in range(_STEPS):
        more, off = _to_go(tree, start[at] + gain[at, None] * ray[at], ray[at], mm)
        gain[at] += more
        at = at[off >= _CLOSE_MM]
        if not len(at):
            break
    if mm < 0 and float((chart.radius.ravel() + gain)[skin].min()) <= 1.0:
        raise MeshError(
            f"taking {-mm:g} mm off leaves nothing of the limb somewhere", hint="are the layers of the scan right?"
        )
    # beyond the edge there is no skin to keep a distance from: the gain at the edge carries on
    return carried_on(np.where(chart.captured, gain.reshape(chart.radius.shape), np.nan))


def _exactly(limb: Limb, mm: float, tree: Tree, vertices: Points) -> Points:
    """Vertices brought to the very distance along their rays; those by the open edge, past which there is no skin to
    keep a distance from, stay as they are."""
    from scipy.spatial import cKDTree

    out = vertices.copy()
    inner = np.flatnonzero(cKDTree(limb.edge).query(limb.mesh.vertices)[0] > 2.0 * abs(mm) + 2.0 * limb.edge_mm)
    ray = _rays(limb.chart, *limb.chart.locate(limb.mesh.vertices[inner]))
    for _ in range(_EXACT_STEPS):
        more, off = _to_go(tree, out[inner], ray, mm)
        out[inner] += more[:, None] * ray
        going_on = off >= _CLOSE_MM
        inner, ray = inner[going_on], ray[going_on]
        if not len(inner):
            break
    return out


def _to_go(tree: Tree, points: Points, ray: Points, mm: float) -> tuple[Floats, Floats]:
    """How much farther along their rays (k, 3) points (k, 3) lie `mm` from the skin, by Newton's step, and how much
    they are off now: (k,) and (k,) mm."""
    distance, _, place = tree.nearest(points)
    slope = np.abs(dots(points - place, ray)) / np.maximum(distance, 1e-9)
    short = abs(mm) - distance
    return np.sign(mm) * short / np.clip(slope, 0.3, 1.0), np.abs(short)


def _rays(chart: Chart, stations: Floats, angles: Floats) -> Points:
    """Unit directions of the chart's rays at places."""
    polar = np.clip((stations - chart.centre_mm) / chart.centre_radius_mm, 0.0, np.pi / 2)
    turn = np.radians(angles)
    across = np.cos(polar)
    return np.stack([chart.lateral * across * np.sin(turn), across * np.cos(turn), -np.sin(polar)], axis=1)


def _carry(chart: Chart, gain: GridSpline, points: Points) -> Points:
    stations, angles = chart.locate(points)
    return np.asarray(points + chart.reading(stations, angles).of(gain)[:, None] * _rays(chart, stations, angles))


def _moved(mark: Landmark, old: Chart, gain: GridSpline, new: Chart) -> Landmark:
    if not len(mark.points) or mark.beyond_capture:
        return mark
    points = _carry(old, gain, mark.points)
    spots = tuple(Spot(float(s), float(a)) for s, a in zip(*new.locate(points), strict=True))
    return replace(mark, points=points, spots=spots)
