"""Fill a hole so that the surface carries on across it: its curvature, not only its edge.

The hole is laid flat, new vertices are set inside about an edge length apart, and they take the height of a
thin-plate spline bent over the surface around the hole, which need not touch a rough surface everywhere. The
hole's own edge is kept to the bit. A hole so wide that it bends round the limb is not for this: the caller refuses it.
A crack without area is sewn up along its two sides. The mirrored hole gets the mirrored filling.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from rectify.errors import MeshError
from rectify.geometry.corners import all_corners, any_corner
from rectify.geometry.mesh import Faces, Floats, Ints, Mesh, Points
from rectify.geometry.normals import face_areas
from rectify.geometry.patch import patch

__all__ = ["Filled", "fill_hole", "hole_widths"]

_BAND = 1.2  # of the hole's radius: how far around it the plate looks
_LEAST_RINGS, _MOST_RINGS = 4, 25
_REACH = 8.0  # of the hole's radius: nothing farther is looked at, and 4 rings about the smallest hole lie within
_MOST_SAMPLES = 500
_SMOOTHING = 1e-3  # of the plate, its places scaled to the hole's radius
_STIFF, _STIFFEST = 1.0, 1e3
_NEIGHBOURS = 10  # counted once for each face: five neighbours
_CRACK_MM = 2e-3  # a hole whose mean width is less has no inside


@dataclass(frozen=True, eq=False)
class Filled:
    """A surface with one hole less.

    Parameters
    ----------
    mesh : Mesh
        The old vertices first and to the bit, then the new ones.
    new_vertices, new_faces : (k,), (j,) int64
    area_mm2 : float
    centre : (3,) mm
    width_mm : float
        Across the hole, the longer way.
    """

    mesh: Mesh
    new_vertices: Ints
    new_faces: Ints
    area_mm2: float
    centre: Floats
    width_mm: float


def hole_widths(points: Points) -> tuple[float, float]:
    """The longest and the shortest way across a hole's edge (k, 3) laid flat, mm."""
    _, _, flat = _laid_flat(points)
    box = shapely.minimum_rotated_rectangle(shapely.MultiPoint(flat[:, :2]))
    corner = shapely.get_coordinates(box)
    if len(corner) < 4:
        return float(np.ptp(flat, axis=0).max()), 0.0
    sides = np.linalg.norm(np.diff(corner[:3], axis=0), axis=1)
    return float(sides.max()), float(sides.min())


def fill_hole(mesh: Mesh, loop: Ints, edge_mm: float) -> Filled:
    """Fill the hole round which `loop` (k,) runs.

    Parameters
    ----------
    mesh : Mesh
    loop : (k,) int64
        A border ring, in the direction in which the border runs.
    edge_mm : float
        About how far apart new vertices are to lie.

    Raises
    ------
    MeshError
        If the hole's edge crosses itself when laid flat.
    """
    along, with_border = _in_own_order(loop)
    ring = mesh.vertices[along]
    origin, basis, flat = _laid_flat(ring)
    points, triangles = np.zeros((0, 3)), _sewn(ring)
    if triangles is None:
        flat2 = np.ascontiguousarray(flat[:, :2])
        if not shapely.LinearRing(flat2).is_simple:
            where = ", ".join(f"{x:.0f}" for x in origin)
            raise MeshError("the edge of a hole crosses itself", found=f"near ({where}) mm", hint="mend the scan there")
        inner, triangles = patch(flat2, edge_mm)
        points = origin + np.column_stack([inner, _plate(mesh, along, origin, basis, inner)]) @ basis
    index = np.concatenate([along, len(mesh.vertices) + np.arange(len(points))])
    # the triangles run the way `along` does: the filling must run against the border
    faces = index[triangles][:, ::-1] if with_border else index[triangles]
    colours = mesh.colours
    if colours is not None:
        from scipy.spatial import cKDTree

        nearest = cKDTree(ring).query(points)[1] if len(points) else np.zeros(0, dtype=np.int64)
        colours = np.concatenate([colours, colours[along[nearest]]])
    out = Mesh(np.concatenate([mesh.vertices, points]), np.concatenate([mesh.faces, faces]), colours)
    return Filled(
        out,
        len(mesh.vertices) + np.arange(len(points)),
        len(mesh.faces) + np.arange(len(faces)),
        float(face_areas(out.vertices, faces).sum()),
        origin,
        hole_widths(ring)[0],
    )


def _in_own_order(loop: Ints) -> tuple[Ints, bool]:
    """The ring from its lowest vertex toward the lower of that vertex's neighbours; whether that is the border's way.

    An order that does not ask which way the faces run is the same for the mirrored surface.
    """
    loop = np.roll(loop, -int(np.argmin(loop)))
    with_border = bool(loop[1] < loop[-1])
    return (loop if with_border else np.roll(loop[::-1], 1)), with_border


def _laid_flat(ring: Points) -> tuple[Floats, Points, Points]:
    """Middle (3,), axes (3, 3) as rows, and coordinates (k, 3) of a ring; in its plane it runs counter-clockwise.

    The first axis points from the middle at the ring's first point.
    """
    origin = ring.mean(axis=0)
    away = ring - origin
    normal = np.cross(away, np.roll(away, -1, axis=0)).sum(axis=0)
    size = float(np.linalg.norm(normal))
    normal = normal / size if size > 1e-12 else np.linalg.svd(away)[2][2]
    first = away[0] - (away[0] @ normal) * normal
    length = float(np.linalg.norm(first))
    first = first / length if length > 1e-9 else np.linalg.svd(away - np.outer(away @ normal, normal))[2][0]
    basis = np.stack([first, np.cross(normal, first), normal])
    return origin, basis, away @ basis.T


def _sewn(ring: Points) -> Faces | None:
    """Triangles between the sides of a crack, or the one triangle of a ring of three; None for a hole with an inside.

    They run the way the ring does.
    """
    k = len(ring)
    if k == 3:
        return np.array([[0, 1, 2]], dtype=np.int64)
    step = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    away = ring - ring.mean(axis=0)
    area = float(np.linalg.norm(np.cross(away, np.roll(away, -1, axis=0)).sum(axis=0)) / 2)
    if area > _CRACK_MM * step.sum():
        return None
    one = int(np.argmax(np.linalg.norm(away, axis=1)))
    other = int(np.argmax(np.linalg.norm(ring - ring[one], axis=1)))
    there = (one + np.arange((other - one) % k + 1)) % k
    back = (one - np.arange((one - other) % k + 1)) % k
    far = [np.linalg.norm(ring[side] - ring[one], axis=1) for side in (there, back)]
    i = j = 0
    faces = []
    while i < len(there) - 1 or j < len(back) - 1:
        on_there = j == len(back) - 1 or (i < len(there) - 1 and far[0][i + 1] <= far[1][j + 1])
        if i == 0 and j == 0:  # both sides begin in one point: the first triangle takes a step on each
            faces.append([there[0], there[1], back[1]])
            i = j = 1
        elif on_there:
            if there[i + 1] != back[j]:
                faces.append([there[i], there[i + 1], back[j]])
            i += 1
        else:
            if back[j + 1] != there[i]:
                faces.append([there[i], back[j + 1], back[j]])
            j += 1
    return np.array(faces, dtype=np.int64)


def _plate(mesh: Mesh, loop: Ints, origin: Floats, basis: Points, inner: NDArray[np.float64]) -> Floats:
    """Heights (q,) of a thin plate over places (q, 2) of the hole's plane, bent over the surface around it.

    The plate is as stiff as the surface's noise asks for, beside what the surface has of its own that no paraboloid
    has: a smooth wall with noise gets a paraboloid through the middle of the noise, a crest is followed.
    """
    if not len(inner):
        return np.zeros(0)
    around = _around(mesh, loop)
    local = (mesh.vertices[around] - origin) @ basis.T
    radius = float(np.linalg.norm(local[np.isin(around, loop), :2], axis=1).max())
    near = np.linalg.norm(local[:, :2], axis=1) < radius * (1.0 + _BAND)
    noise = _noise(mesh, around, basis[2])
    place, height, count = _gathered(local[near] / np.array([radius, radius, 1.0]))
    degree = 2 if len(place) >= 12 else 1
    own = _beyond_paraboloid(place, height)
    stiff = max(_SMOOTHING, _STIFF * (noise / max(own, 1e-9)) ** 2) if noise > 0 else _SMOOTHING
    from scipy.interpolate import RBFInterpolator

    plate = RBFInterpolator(
        place, height, kernel="thin_plate_spline", smoothing=np.minimum(stiff, _STIFFEST) / count, degree=degree
    )
    return np.asarray(plate(inner / radius))


def _gathered(local: Points) -> tuple[NDArray[np.float64], Floats, Floats]:
    """Samples (k, 2), (k,) and how many vertices each stands for: where there are many, the means of small squares."""
    if len(local) <= _MOST_SAMPLES:
        return local[:, :2], local[:, 2], np.ones(len(local))
    width = np.ptp(local[:, :2], axis=0)
    side = float(np.sqrt(width[0] * width[1] / _MOST_SAMPLES))
    cell = np.floor(local[:, :2] / side + 0.5).astype(np.int64)
    _, index, count = np.unique(cell, axis=0, return_inverse=True, return_counts=True)
    mean = np.stack([np.bincount(index.ravel(), weights=local[:, i]) for i in range(3)], axis=1) / count[:, None]
    return mean[:, :2], mean[:, 2], count.astype(np.float64)


def _noise(mesh: Mesh, around: Ints, up: Floats) -> float:
    """Standard deviation of the vertices' noise, mm: from how far each lies off the middle of its neighbours."""
    n = len(mesh.vertices)
    inside = np.zeros(n, dtype=bool)
    inside[around] = True
    faces = mesh.faces[all_corners(inside, mesh.faces)]
    height = mesh.vertices @ up
    total, count = np.zeros(n), np.zeros(n)
    for i in range(3):
        for j in (1, 2):
            total += np.bincount(faces[:, i], weights=height[faces[:, (i + j) % 3]], minlength=n)
            count += np.bincount(faces[:, i], minlength=n)
    there = around[count[around] >= _NEIGHBOURS]
    if len(there) < _NEIGHBOURS:
        return 0.0
    off = height[there] - total[there] / count[there]
    # of a normal distribution; a mean of six neighbours has a sixth of the variance
    return float(1.4826 * np.median(np.abs(off - np.median(off))) / np.sqrt(7.0 / 6.0))


def _beyond_paraboloid(place: NDArray[np.float64], height: Floats) -> float:
    """Root mean square of what a paraboloid leaves of the heights, mm."""
    x, y = place.T
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    left = height - terms @ np.linalg.lstsq(terms, height, rcond=None)[0]
    return float(np.sqrt(np.mean(left**2)))


def _around(mesh: Mesh, loop: Ints) -> Ints:
    """The vertices of the hole's edge and of the rings around it, ascending."""
    ring = mesh.vertices[loop]
    origin = ring.mean(axis=0)
    reach = float(np.linalg.norm(ring - origin, axis=1).max())
    near = np.linalg.norm(mesh.vertices - origin, axis=1) < _REACH * reach
    faces = mesh.faces[all_corners(near, mesh.faces)]
    seen = np.zeros(len(mesh.vertices), dtype=bool)
    seen[loop] = True
    rings = int(np.clip(len(loop) / np.pi / 2 * _BAND, _LEAST_RINGS, _MOST_RINGS))
    for _ in range(rings):
        seen[faces[any_corner(seen, faces)]] = True
    return np.flatnonzero(seen)
