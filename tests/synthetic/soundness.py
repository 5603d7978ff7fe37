"""What every made surface must be, measured apart from the code that made it."""

from __future__ import annotations

import numpy as np

from rectify.geometry.mesh import Floats, Ints, Mesh


def edge_counts(mesh: Mesh) -> tuple[Ints, Ints]:
    """Undirected edges (k, 2) and how many faces each has, by the plain way."""
    f = mesh.faces
    pairs = np.sort(np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]]), axis=1)
    return np.unique(pairs, axis=0, return_counts=True)


def border_vertices(mesh: Mesh) -> Ints:
    """Indices of the vertices on open edges."""
    edges, counts = edge_counts(mesh)
    return np.unique(edges[counts == 1])


def angles(mesh: Mesh) -> Floats:
    """(m, 3) corner angles, degrees, by the law of cosines."""
    corner = mesh.vertices[mesh.faces]
    length = np.linalg.norm(np.roll(corner, -1, axis=1) - corner, axis=2)
    out = []
    for k in range(3):
        a, b, c = length[:, k], length[:, k - 1], length[:, (k + 1) % 3]
        out.append(np.degrees(np.arccos(np.clip((a * a + b * b - c * c) / (2 * a * b), -1, 1))))
    return np.stack(out, axis=1)


def volume(mesh: Mesh) -> float:
    """Enclosed by the surface and a fan from the middle of its border, mm³, by the divergence theorem."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    total = np.einsum("ij,ij->", a, np.cross(b, c))
    edges, counts = edge_counts(mesh)
    if (counts == 1).any():
        half = np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]])
        known = {tuple(edge) for edge in edges[counts == 1].tolist()}
        border = np.array([pair for pair in half.tolist() if tuple(sorted(pair)) in known])
        middle = mesh.vertices[np.unique(border)].mean(axis=0)
        one, two = mesh.vertices[border[:, 1]], mesh.vertices[border[:, 0]]
        total += np.einsum("ij,ij->", np.broadcast_to(middle, one.shape), np.cross(one, two))
    return float(total) / 6.0


def assert_sound(mesh: Mesh, *, borders: int = 1, least_angle: float = 25.0) -> None:
    """Finite; one surface whose only open edges are `borders` rings; consistent; outward; no slivers."""
    assert np.isfinite(mesh.vertices).all()
    assert mesh.faces.dtype == np.int64 and mesh.vertices.dtype == np.float64
    half = np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]])
    assert len(np.unique(half, axis=0)) == len(half), "neighbouring faces disagree which side is out"
    edges, counts = edge_counts(mesh)
    assert counts.max() == 2
    assert len(np.unique(mesh.faces)) == len(mesh.vertices)
    # Euler: a sphere has 2, each open ring takes one away; holds only for one body without handles
    assert len(mesh.vertices) - len(edges) + len(mesh.faces) == 2 - borders
    assert angles(mesh).min() > least_angle
    assert volume(mesh) > 0


def least_facing(mesh: Mesh, centre_level: float) -> float:
    """The least cosine between a face and its ray: from the axis, below the level from the axis there.

    Positive: every ray meets the surface once, there are no folds.
    """
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    middle = (a + b + c) / 3.0
    ray = middle - np.array([0.0, 0.0, 1.0]) * np.maximum(middle[:, 2], -centre_level)[:, None]
    ray /= np.linalg.norm(ray, axis=1, keepdims=True)
    return float(np.einsum("ij,ij->i", normal, ray).min())
