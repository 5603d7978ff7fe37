"""Faces that pass through others: by exact predicates (libigl, its permissive part only), and only where it could be.

Most of a limb needs no such test. Take a half-line inside it, the spine, and let every point of space lie on the ray
that leaves the spine at its nearest point: square to it along its length, in all directions from its end. If every
face of a surface looks outward along the rays through it, the surface covers each ray once and cannot meet
itself. Where some faces look inward, a ray that meets two outward faces also meets an inward one between them (the
covering number of a ray is one below the edge and none above it, as long as the edge itself covers no ray twice),
so two faces can only meet on rays that an inward face covers. Those rays are marked on a grid of directions,
generously, and only faces on marked cells are tested; where an edge is not so simple, everything is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from rectify.geometry.corners import any_corner, columns, highest, in_parts, least
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Faces, Floats, Ints, Mesh, Points
from rectify.geometry.normals import face_cross

__all__ = ["Spine", "crossing_faces", "crossing_near", "inward_faces"]

_CELL_MM = 3.0  # along the spine, and the polar angle times _POLAR_MM
_POLAR_MM = 60.0
_COLUMNS = 180  # round the spine
_VOXEL_MM = 4.0
_FLAT_MM = 1e-9  # in one plane, and beside each other: rounding of coordinates of some 100 mm, and more


@dataclass(frozen=True, eq=False)
class Spine:
    """A half-line inside a limb: from `end` (3,) mm, near the middle of the limb's end, along `up` (3,) unit."""

    end: Floats
    up: Floats

    def axes(self) -> Points:
        """Rows: two directions across, and up."""
        first = np.cross(np.eye(3)[int(np.argmin(np.abs(self.up)))], self.up)
        first /= np.linalg.norm(first)
        return np.stack([first, np.cross(self.up, first), self.up])


def crossing_faces(mesh: Mesh, spine: Spine | None = None, edges: list[Ints] | None = None) -> Ints:
    """Indices of the faces that another face passes through, ascending; neighbours that only touch do not count.

    Parameters
    ----------
    mesh : Mesh
    spine : Spine, optional
        Of an open wall whose faces point outward: then only what could cross is tested.
    edges : list of (k,) int64, optional
        The wall's border rings, where they are known.
    """
    everything = np.arange(len(mesh.faces))
    if spine is None:
        return _exact(mesh, everything)
    local = (mesh.vertices - spine.end) @ spine.axes().T
    edges = border_loops(mesh) if edges is None else edges
    return _exact(mesh, _suspects(mesh, local) if _edges_are_simple(local, edges) else everything)


def crossing_near(mesh: Mesh, first: int) -> Ints:
    """Indices of the faces that cross, among those from `first` on and the ones that come near them, ascending.

    For a membrane over a wall that is known not to cross itself: the membrane's faces come last.
    """
    own, wall = mesh.faces[first:], mesh.faces[:first]
    if not len(own):
        return np.zeros(0, dtype=np.int64)
    places = columns(mesh.vertices)
    near = np.ones(first, dtype=np.bool_)
    for place in places:  # the box about the whole membrane
        low, high = float(place.take(own).min()), float(place.take(own).max())
        near &= any_corner(place >= low, wall) & any_corner(place <= high, wall)
    some = np.flatnonzero(near)
    boxes = [_boxes_of(places, faces) for faces in (own, wall[some])]
    base = [min(int(low[i].min(initial=0)) for low, _ in boxes) for i in range(3)]
    size = [max(int(high[i].max(initial=0)) for _, high in boxes) - b + 1 for i, b in enumerate(base)]
    (own_low, own_high), (low_of, high_of) = (
        tuple([part - b for part, b in zip(edge, base, strict=True)] for edge in box) for box in boxes
    )
    some = some[_touches(low_of, high_of, _boxes(own_low, own_high, size))]
    return _exact(mesh, np.concatenate([some, np.arange(first, len(mesh.faces))]))


def _boxes_of(places: tuple[Floats, Floats, Floats], faces: Faces) -> tuple[list[Ints], list[Ints]]:
    """The voxels from and to which each face reaches, along x, y and z."""
    low = [np.floor(least(place, faces) / _VOXEL_MM).astype(np.int64) for place in places]
    return low, [np.floor(highest(place, faces) / _VOXEL_MM).astype(np.int64) for place in places]


def _exact(mesh: Mesh, suspects: Ints) -> Ints:
    if len(suspects) < 2:
        return np.zeros(0, dtype=np.int64)
    import igl.predicates

    faces = mesh.faces if len(suspects) == len(mesh.faces) else mesh.faces[suspects]
    used, index = np.unique(faces, return_inverse=True)
    _, pairs, _ = igl.predicates.find_self_intersections(
        np.ascontiguousarray(mesh.vertices[used]), np.ascontiguousarray(index.reshape(-1, 3), dtype=np.int64)
    )
    pairs = np.asarray(pairs, dtype=np.int64).reshape(-1, 2)
    one, other = faces[pairs[:, 0]], faces[pairs[:, 1]]
    return np.unique(suspects[pairs[~_only_touch(mesh.vertices, one, other)].ravel()])


def _only_touch(vertices: Points, one: Faces, other: Faces) -> NDArray[np.bool_]:
    """(k,) pairs of faces that share a corner, lie in one plane and beside each other: where coordinates happen to put
    them exactly there, as on a wall that was made flat, the exact predicates call that a crossing."""
    shares = (one[:, :, None] == other[:, None, :]).any(axis=(1, 2))
    a, b = vertices[one], vertices[other]
    up = np.cross(a[:, 1] - a[:, 0], a[:, 2] - a[:, 0])
    up /= np.maximum(np.linalg.norm(up, axis=1, keepdims=True), 1e-300)
    flat = np.abs(np.einsum("kcx,kx->kc", b - a[:, :1], up)).max(axis=1, initial=0.0) < _FLAT_MM
    # two triangles of one plane lie beside each other where a line along a side of one has them on either hand
    sides = np.concatenate([a - np.roll(a, 1, axis=1), b - np.roll(b, 1, axis=1)], axis=1)
    across = np.cross(up[:, None, :], sides)
    across /= np.maximum(np.linalg.norm(across, axis=2, keepdims=True), 1e-300)
    of_a, of_b = (np.einsum("ksx,kcx->ksc", across, t - a[:, :1]) for t in (a, b))
    gap = np.maximum(of_b.min(axis=2) - of_a.max(axis=2), of_a.min(axis=2) - of_b.max(axis=2))
    return np.asarray(shares & flat & (gap > -_FLAT_MM).any(axis=1))


# -- along the rays of a spine ---------------------------------------------------------------------


def inward_faces(mesh: Mesh, spine: Spine) -> NDArray[np.bool_]:
    """(m,) faces that do not look outward along every ray through them.

    The face's normal against a ray is linear over the face, so its corners decide.
    """
    return _look(mesh, (mesh.vertices - spine.end) @ spine.axes().T)


def _look(mesh: Mesh, local: Points) -> NDArray[np.bool_]:
    x, y, z = columns(local)
    beside, beyond = z >= 0, z <= 0

    def look(faces: Faces) -> NDArray[np.bool_]:
        along_x, along_y, along_z = columns(face_cross(local, faces))
        inward = np.zeros(len(faces), dtype=bool)
        some_beside, some_beyond = any_corner(beside, faces), any_corner(beyond, faces)
        for i, corner in enumerate(columns(faces)):
            flat = along_x * x.take(corner) + along_y * y.take(corner)
            inward |= some_beside & (flat <= 0)
            if i == 0:  # from the spine's end the same for every point of the face
                inward |= some_beyond & (flat + along_z * z.take(corner) <= 0)
        return inward

    return in_parts(look, mesh.faces)


def _edges_are_simple(local: Points, edges: list[Ints]) -> bool:
    """Whether no ray leaves twice through the edges: the rings, unrolled about the spine, neither cross nor touch."""
    lines = []
    for ring in edges:
        points = local[np.append(ring, ring[0])]
        far = np.hypot(points[:, 0], points[:, 1])
        turn = np.unwrap(np.arctan2(points[:, 0], points[:, 1]))
        station = np.where(points[:, 2] >= 0, -points[:, 2], _POLAR_MM * np.arctan2(-points[:, 2], far)) / _POLAR_MM
        round_once = turn[-1] - turn[0]
        if abs(round_once) > 3.0 * np.pi:
            return False
        if abs(round_once) > 1.5 * np.pi:  # the top: three times round, so that it would meet its neighbours too
            turn = np.concatenate([turn[:-1] + i * round_once for i in range(3)])
            station = np.tile(station[:-1], 3)
            lines.append(shapely.LineString(np.column_stack([turn, station])))
        else:
            lines += [shapely.LineString(np.column_stack([turn + i * 2 * np.pi, station])) for i in (-1, 0, 1)]
    return all(bool(line.is_simple) for line in lines) and _apart(lines)


def _apart(lines: list[shapely.LineString]) -> bool:
    tree = shapely.STRtree(lines)
    one, two = tree.query(np.array(lines), predicate="intersects")
    return bool((one == two).all())


def _suspects(mesh: Mesh, local: Points) -> Ints:
    """Faces on rays that an inward face covers."""
    inward = _look(mesh, local)
    if not inward.any():
        return np.zeros(0, dtype=np.int64)
    row, column, wide = _cells(local, mesh.faces)
    if (inward & wide & (highest(local[:, 2], mesh.faces) >= 0)).any():
        return np.arange(len(mesh.faces))  # the surface comes to the spine itself, and rays begin inside it
    rows = int(row[1].max()) + 1
    marked = _marked(row, column, wide, inward, rows)
    return np.flatnonzero(_on_marked(row, column, wide, marked))


def _cells(local: Points, faces: Faces) -> tuple[tuple[Ints, Ints], tuple[Ints, Ints], NDArray[np.bool_]]:
    """The box of cells that each face covers: rows from and to, columns from and to (not yet wrapped), and which
    faces lie about the spine's line, so that they cover all columns."""
    far = np.hypot(local[:, 0], local[:, 1])
    station = np.where(local[:, 2] >= 0, -local[:, 2], _POLAR_MM * np.arctan2(-local[:, 2], far))
    turn = np.arctan2(local[:, 0], local[:, 1]) * (_COLUMNS / (2 * np.pi))
    a, b, c = (turn[faces[:, i]] for i in range(3))
    half = _COLUMNS / 2
    b, c = a + (b - a + half) % _COLUMNS - half, a + (c - a + half) % _COLUMNS - half
    low, high = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
    wide = (high - low > half / 2) | (least(far, faces) < _CELL_MM)
    base = float(station.min())
    row_low = np.floor((least(station, faces) - base) / _CELL_MM).astype(np.int64) - 1
    # past the spine's end the inside of a face may lie deeper than its corners: a chord comes nearer to the axis,
    # though not nearer than its corners' least distance times the cosine of half its turn
    near = np.where(wide, 0.0, least(far, faces) * np.cos(np.pi * (high - low) / _COLUMNS))
    deep = -least(local[:, 2], faces)
    top = highest(station, faces)
    top = np.where(deep > 0, np.maximum(top, _POLAR_MM * np.arctan2(deep, near)), top)
    row_high = np.floor((top - base) / _CELL_MM).astype(np.int64) + 1
    rows = np.maximum(row_low, 0), row_high
    return rows, (np.floor(low).astype(np.int64) - 1, np.floor(high).astype(np.int64) + 1), wide


def _marked(
    row: tuple[Ints, Ints], column: tuple[Ints, Ints], wide: NDArray[np.bool_], which: NDArray[np.bool_], rows: int
) -> NDArray[np.bool_]:
    grid = np.zeros((rows, _COLUMNS), dtype=bool)
    for i in np.flatnonzero(which):
        span = slice(None) if wide[i] else np.arange(column[0][i], column[1][i] + 1) % _COLUMNS
        grid[row[0][i] : row[1][i] + 1, span] = True
    return grid


def _on_marked(
    row: tuple[Ints, Ints], column: tuple[Ints, Ints], wide: NDArray[np.bool_], marked: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Faces whose box of cells holds a marked one, by sums over the grid (three times round, for the seam)."""
    sums = np.zeros((marked.shape[0] + 1, 3 * _COLUMNS + 1), dtype=np.int64)
    sums[1:, 1:] = np.cumsum(np.cumsum(np.tile(marked, (1, 3)), axis=0), axis=1)
    left = np.where(wide, _COLUMNS, column[0] % _COLUMNS + _COLUMNS)
    right = np.where(wide, 2 * _COLUMNS, left + column[1] - column[0] + 1)
    low, high = row[0], np.minimum(row[1] + 1, marked.shape[0])
    return np.asarray(sums[high, right] - sums[low, right] - sums[high, left] + sums[low, left] > 0)


# -- about a membrane ------------------------------------------------------------------------------


def _boxes(low: list[Ints], high: list[Ints], size: list[int]) -> NDArray[np.int64]:
    """Sums over a voxel grid in which the voxels of some boxes are marked."""
    steps = np.zeros([s + 1 for s in size], dtype=np.int64)
    for corner in range(8):  # a box is a sum of eight steps
        at = tuple((high[i] + 1) if corner >> i & 1 else low[i] for i in range(3))
        np.add.at(steps, at, (-1) ** bin(corner).count("1"))
    for axis in range(3):
        np.cumsum(steps, axis=axis, out=steps)
    sums = np.zeros([s + 1 for s in size], dtype=np.int64)
    sums[1:, 1:, 1:] = steps[:-1, :-1, :-1] > 0
    for axis in range(3):
        np.cumsum(sums, axis=axis, out=sums)
    return sums


def _touches(low: list[Ints], high: list[Ints], sums: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which boxes hold a marked voxel."""
    total = np.zeros(len(low[0]), dtype=np.int64)
    for corner in range(8):
        at = tuple((high[i] + 1) if corner >> i & 1 else low[i] for i in range(3))
        total += (-1) ** (3 - bin(corner).count("1")) * sums[at]
    return np.asarray(total > 0)
