"""A limb as a scanner gives it, beside the limb as it is; and what the faults of scans are made with.

In the limb frame (z proximal) until a pose is put on it. While faults of the skin are made, vertex i of the scan is
vertex i of the truth; what a fault takes away is a face, and what it adds comes after.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from rectify.geometry.mesh import Faces, Floats, Ints, Mesh, Points
from rectify.geometry.normals import vertex_normals

__all__ = ["Done", "Scan", "border_ring", "border_vertices", "disc", "in_ball", "inner_vertex", "sheet_of"]


@dataclass(frozen=True)
class Done:
    """One fault that was put on a scan.

    Parameters
    ----------
    kind : str
    says : what was done, with its numbers
    mendable : bool
        False: an honest intake refuses this.
    refusal : words one of which the refusal must contain; empty for a mendable fault
    reach_mm : how far a right mending may lie off the truth where skin was lost, mm
    noise_mm : standard deviation of the noise put on, mm
    """

    kind: str
    says: str
    mendable: bool = True
    refusal: tuple[str, ...] = ()
    reach_mm: float = 0.0
    noise_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class Scan:
    """A limb on its way to becoming a raw scan.

    Parameters
    ----------
    mesh : Mesh
        As the scanner has it so far.
    truth : Mesh
        The limb as it is, in the same axes.
    landmarks : name -> (3,) or (k, 3), mm
    done : tuple of Done
    """

    mesh: Mesh
    truth: Mesh
    landmarks: dict[str, Points]
    done: tuple[Done, ...] = field(default=())

    def without(self, gone: NDArray[np.bool_]) -> Scan:
        """Less some faces (m,)."""
        return replace(self, mesh=Mesh(self.mesh.vertices, self.mesh.faces[~gone]))

    def with_vertices(self, vertices: Points) -> Scan:
        """The same faces on other positions."""
        return replace(self, mesh=self.mesh.with_vertices(vertices))

    def plus(self, vertices: Points, faces: Faces) -> Scan:
        """More vertices and faces; index 0 of `faces` is the first vertex of the scan, the new ones come last."""
        return replace(
            self, mesh=Mesh(np.concatenate([self.mesh.vertices, vertices]), np.concatenate([self.mesh.faces, faces]))
        )

    def plus_piece(self, piece: Mesh) -> Scan:
        """A piece of its own beside what there is."""
        return self.plus(piece.vertices, piece.faces + len(self.mesh.vertices))

    def centres(self) -> Points:
        """(m, 3) middles of the scan's faces."""
        return np.asarray(self.mesh.vertices[self.mesh.faces].mean(axis=1))


def border_vertices(mesh: Mesh) -> Ints:
    """Vertices at edges with one face, by the plain count."""
    f = mesh.faces
    pairs = np.sort(np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]]), axis=1)
    edges, counts = np.unique(pairs, axis=0, return_counts=True)
    return np.unique(edges[counts == 1])


def border_ring(mesh: Mesh) -> Ints:
    """The longest border of a mesh, in the direction in which its faces run it, by walking along it."""
    f = mesh.faces
    half = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])
    there = {(int(a), int(b)) for a, b in half}
    ahead = {a: b for a, b in sorted(there) if (b, a) not in there}
    rings: list[list[int]] = []
    while ahead:
        start, step = ahead.popitem()
        ring = [start]
        while step != start and step in ahead:
            ring.append(step)
            step = ahead.pop(step)
        rings.append(ring)
    return np.array(max(rings, key=len), dtype=np.int64)


def inner_vertex(scan: Scan, rng: np.random.Generator, from_edge_mm: float) -> int:
    """A vertex of the skin at least so far from every border, or the farthest there is."""
    v = scan.mesh.vertices
    used = np.unique(scan.mesh.faces)
    used = used[used < len(scan.truth.vertices)]
    edge = border_vertices(scan.mesh)
    distance = cKDTree(v[edge]).query(v[used])[0] if len(edge) else np.full(len(used), np.inf)
    free = used[distance > from_edge_mm]
    return int(rng.choice(free)) if len(free) else int(used[np.argmax(distance)])


def in_ball(mesh: Mesh, vertex: int, radius: Floats | float, normals: Points) -> NDArray[np.bool_]:
    """Faces (m,) whose middle lies within a radius of a vertex, on its side of the limb.

    A radius of shape (d,) is read by the direction about the vertex's normal, its first value at some direction.
    """
    middle = mesh.vertices[mesh.faces].mean(axis=1) - mesh.vertices[vertex]
    normal = normals[vertex]
    facing = normals[mesh.faces].mean(axis=1) @ normal > 0
    if np.ndim(radius) == 0:
        return np.asarray((np.linalg.norm(middle, axis=1) < radius) & facing)
    first = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
    first /= np.linalg.norm(first)
    turn = np.arctan2(middle @ np.cross(normal, first), middle @ first)
    by_turn = np.asarray(radius)
    reach = np.interp(turn, np.linspace(-np.pi, np.pi, len(by_turn) + 1), np.append(by_turn, by_turn[0]))
    return np.asarray((np.linalg.norm(middle, axis=1) < reach) & facing)


def disc(centre: Points, normal: Points, radius: float, edge_mm: float) -> Mesh:
    """A flat disc of triangles."""
    first = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
    first /= np.linalg.norm(first)
    second = np.cross(normal, first)
    rings = max(1, round(radius / edge_mm))
    count = max(6, round(2 * np.pi * radius / edge_mm))
    angle = np.arange(count) * 2 * np.pi / count
    around = np.cos(angle)[:, None] * first + np.sin(angle)[:, None] * second
    points = [centre[None]] + [centre + around * radius * (i + 1) / rings for i in range(rings)]
    here, there = np.arange(count), (np.arange(count) + 1) % count
    faces = [np.stack([np.zeros(count, dtype=np.int64), 1 + here, 1 + there], axis=1)]
    for i in range(rings - 1):
        low, high = 1 + i * count, 1 + (i + 1) * count
        faces.append(np.stack([low + here, high + here, low + there], axis=1))
        faces.append(np.stack([low + there, high + here, high + there], axis=1))
    return Mesh(np.concatenate(points), np.concatenate(faces).astype(np.int64))


def sheet_of(scan: Scan, faces: NDArray[np.bool_], offset_mm: float) -> Mesh:
    """Some of the skin's faces again, as a piece of its own that lies so far off along the truth's normals."""
    faces = np.asarray(faces & (scan.mesh.faces < len(scan.truth.vertices)).all(axis=1))
    normals = vertex_normals(scan.truth)
    used = np.unique(scan.mesh.faces[faces])
    index = np.full(len(scan.mesh.vertices), -1, dtype=np.int64)
    index[used] = np.arange(len(used))
    return Mesh(scan.mesh.vertices[used] + offset_mm * normals[used], index[scan.mesh.faces[faces]])
