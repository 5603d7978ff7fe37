"""The inked part of a surface as evenly spread samples, so that a mark's shape does not hang on the mesh.

Faces near ink are cut into equal parts no larger than `SPACING_MM`; the amount of pencil is taken along straight
from the corners and then evened out over a fraction of a stroke's width, against patchy pencil and plaster's grain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Floats, Ints, Mesh, Points
from rectify.geometry.normals import face_cross, unit
from rectify.marks.cloud import closest, pairs_within, symmetric

__all__ = ["Samples", "sample_ink"]

SPACING_MM = 0.9  # between samples, at most
MARGIN_MM = 5.0  # bare surface kept about the ink
SMOOTH_MM = 0.6  # Gaussian sigma
_MOST_PARTS = 24  # of a face's edge

Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Samples:
    """Points of the surface near ink.

    Parameters
    ----------
    points, normals : (s, 3) mm, unit
    amount : (s,)
        Of pencil, evened out.
    areas : (s,) mm²
        What each stands for.
    vertices : (s,)
        A corner of its face.
    """

    points: Points
    normals: Points
    amount: Floats
    areas: Floats
    vertices: Ints

    def __len__(self) -> int:
        return len(self.points)


def sample_ink(mesh: Mesh, amount: Floats, least: float) -> Samples:
    """Sample the surface within `MARGIN_MM` of any vertex with at least `least` of pencil.

    Parameters
    ----------
    mesh : Mesh
    amount : (n,)
    least : float
    """
    inked = amount >= least
    if not inked.any():
        none = np.zeros((0, 3))
        return Samples(none, none, np.zeros(0), np.zeros(0), np.zeros(0, dtype=np.int64))
    gap, _ = closest(mesh.vertices, mesh.vertices[inked], MARGIN_MM)
    faces = mesh.faces[np.isfinite(gap)[mesh.faces].any(axis=1)]
    corners = mesh.vertices[faces]
    longest = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2).max(axis=1)
    parts = np.clip(np.ceil(longest / SPACING_MM).astype(np.int64), 1, _MOST_PARTS)
    across = face_cross(mesh.vertices, faces)
    area, normal = np.linalg.norm(across, axis=1) / 2, unit(across)
    out: list[tuple[Points, Points, Floats, Floats, Ints]] = []
    for count in np.unique(parts):
        own = parts == count
        shares = _middles(int(count))
        points = np.einsum("qc,fcx->fqx", shares, corners[own]).reshape(-1, 3)
        amounts = np.einsum("qc,fc->fq", shares, amount[faces[own]]).ravel()
        corner = faces[own][:, np.argmax(shares, axis=1)].ravel()
        each = len(shares)
        out.append((points, np.repeat(normal[own], each, axis=0), amounts, np.repeat(area[own] / each, each), corner))
    points, normals, amounts, areas, vertices = (np.concatenate(column) for column in zip(*out, strict=True))
    return Samples(points, normals, _evened(points, amounts, areas), areas, vertices)


def _middles(count: int) -> Floats:
    """Barycentric coordinates (count², 3) of the middles of a triangle's equal parts."""
    i, j = np.divmod(np.arange(count * count), count)
    upward = i + j < count
    u, v = np.where(upward, i + 1 / 3, count - 1 - i + 2 / 3), np.where(upward, j + 1 / 3, count - 1 - j + 2 / 3)
    u, v = u / count, v / count
    return np.stack([u, v, 1.0 - u - v], axis=1)


def _evened(points: Points, amount: Floats, areas: Floats) -> Floats:
    """A Gaussian mean over the samples about each, by area."""
    pairs, gap = pairs_within(points, 2.5 * SMOOTH_MM)
    both = symmetric(pairs, np.exp(-0.5 * (gap / SMOOTH_MM) ** 2), len(points))
    return np.asarray((both @ (areas * amount) + areas * amount) / (both @ areas + areas))
