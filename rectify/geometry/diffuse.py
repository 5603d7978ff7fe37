"""Values on a surface smoothed over a length in mm, whatever the mesh: one implicit step of diffusion.

Solves (M + L s²/2) w = M u with lumped areas M and cotangent weights L (held positive), which spreads a value about as
a Gaussian of standard deviation s does. The open edge is free. By conjugate gradients with plain sums, so that the
same mesh gives the same bits whatever the number of threads.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from rectify.geometry.mesh import Floats, Mesh
from rectify.geometry.normals import face_areas

__all__ = ["diffused"]

_LEAST_COT = 0.02  # a needle's weight: never negative, so that every value stays among its neighbours'
_CLOSE = 1e-8  # of the right-hand side
_MOST_STEPS = 400


def diffused(mesh: Mesh, values: NDArray[np.float64], length_mm: float) -> NDArray[np.float64]:
    """Values per vertex (n, k) smoothed over `length_mm`; unused vertices keep theirs."""
    mass, stiff = _matrices(mesh)
    mass = np.where(mass > 0, mass, 1.0)
    matrix = (sparse.diags_array(mass) + stiff * (length_mm**2 / 2)).tocsr()
    scale = 1.0 / matrix.diagonal()
    right = mass[:, None] * values
    out = values.copy()
    rest = right - matrix @ out
    way = scale[:, None] * rest
    size = _dot(rest, way)
    goal = np.maximum(_dot(right, scale[:, None] * right) * _CLOSE**2, 1e-300)
    for _ in range(_MOST_STEPS):
        if (size <= goal).all():
            break
        ahead = np.asarray(matrix @ way)
        along = _dot(way, ahead)
        share = np.divide(size, along, out=np.zeros_like(size), where=along > 0)
        out += share * way
        rest -= share * ahead
        next_way = scale[:, None] * rest
        new = _dot(rest, next_way)
        way = next_way + np.divide(new, size, out=np.zeros_like(size), where=size > 0) * way
        size = new
    return np.asarray(out)


def _dot(a: NDArray[np.float64], b: NDArray[np.float64]) -> Floats:
    return np.asarray((a * b).sum(axis=0))  # not BLAS: its sums depend on the number of threads


def _matrices(mesh: Mesh) -> tuple[Floats, sparse.csr_array[np.float64]]:
    """A third of the area about each vertex (n,) mm², and the matrix of cotangent weights (n, n)."""
    v, f = mesh.vertices, mesh.faces
    n = len(v)
    area = face_areas(v, f)
    mass = np.bincount(f.ravel(), weights=np.repeat(area / 3, 3), minlength=n)
    rows, columns, weights = [], [], []
    for i in range(3):
        a, b, c = f[:, i], f[:, (i + 1) % 3], f[:, (i + 2) % 3]
        facing = np.einsum("ij,ij->i", v[b] - v[a], v[c] - v[a])
        cot = np.maximum(facing / np.maximum(2 * area, 1e-12), _LEAST_COT) / 2
        rows += [b, c]
        columns += [c, b]
        weights += [cot, cot]
    at = (np.concatenate(rows), np.concatenate(columns))
    near = sparse.coo_array((np.concatenate(weights), at), shape=(n, n)).tocsr()
    stiff = sparse.csr_array(sparse.diags_array(np.asarray(near.sum(axis=1)).ravel()) - near)
    return np.asarray(mass, dtype=np.float64), stiff
