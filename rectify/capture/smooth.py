"""Smoothing that does not shrink: scanner noise out, the limb's shape and volume kept. Off unless it is asked for.

A low-pass over the surface, of fourth order in wavelength and said in mm, so that meshes of different fineness agree:

    x minimises  |x - captured|^2 + length^4 |Laplacian of x|^2   over the surface

A ripple of wavelength 2 pi * length keeps half its height, one twice as long 94 %, one half as long 6 %. A sphere of
radius R loses 4 (length / R)^4 of its radius (50 mm, 2 mm: 0.0005 mm). The Laplacian is the cotangent one, masses are
a third of the faces' areas (Meyer, Desbrun, Schroeder, Barr 2003, Discrete differential-geometry operators for
triangulated 2-manifolds; title from memory).

The open edge keeps its bits. Not promised: that a crease sharper than the length stays as sharp.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from rectify.capture.step import Step
from rectify.errors import MeshError
from rectify.geometry.edges import survey
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import face_areas

__all__ = ["smoothed"]

_CLOSE = 1e-10  # of what is left of the right side
_ROUNDS = 3000
_LEAST_MASS = 1e-3  # of the median: a sliver's weight
_MOST_COTANGENT = 100.0  # of a needle's corner


def smoothed(mesh: Mesh, length_mm: float) -> tuple[Mesh, list[Step]]:
    """Smooth a mended capture over a length.

    Parameters
    ----------
    mesh : Mesh
        Sound, in mm.
    length_mm : float
        0 changes no bit.

    Raises
    ------
    MeshError
        If the length is negative or no number, or so long that no smooth surface is found.
    """
    if not np.isfinite(length_mm) or length_mm < 0:
        raise MeshError("a length of smoothing must be 0 mm or more", found=f"{length_mm} mm")
    if length_mm == 0:
        return mesh, []
    free = np.ones(len(mesh.vertices), dtype=bool)
    free[survey(mesh).border.ravel()] = False
    inner = np.flatnonzero(free)
    laplacian, mass = _laplacian(mesh)
    rows = laplacian[inner]
    # with s = length^2 / mass * Laplacian the move is -length^2 s / (1 + s^2) of the curvature, and that is the
    # imaginary part of 1 / (1 + i s): one solve of second order instead of an ill-conditioned one of fourth
    second = length_mm**2
    system = sparse.csr_array(sparse.diags_array(mass[inner]) + 1j * second * rows[:, inner])
    moved = second * np.imag(_solved(system, rows @ mesh.vertices, length_mm))
    vertices = mesh.vertices.copy()
    vertices[inner] += moved
    size = np.linalg.norm(moved, axis=1)
    message = (
        f"smoothed over {length_mm:g} mm: half of all vertices moved less than {np.median(size):.2f} mm, the farthest "
        f"{size.max(initial=0.0):.2f} mm"
    )
    return mesh.with_vertices(vertices), [Step("smoothed", message, count=len(inner))]


def _solved(system: sparse.csr_array, wanted: Points, length_mm: float) -> NDArray[np.complex128]:
    """Solve a complex symmetric system for three right sides by conjugate orthogonal gradients.

    H. A. van der Vorst, J. B. M. Melissen (1990), A Petrov-Galerkin type method for solving Ax = b, where A is
    symmetric complex; title from memory.
    """
    diagonal = system.diagonal()[:, None]
    x = np.zeros(wanted.shape, dtype=np.complex128)
    left = wanted.astype(np.complex128)
    scaled = left / diagonal
    way = scaled
    rho = (left * scaled).sum(axis=0)
    goal = _CLOSE * np.linalg.norm(wanted, axis=0)
    for _ in range(_ROUNDS):
        if (np.linalg.norm(left, axis=0) <= goal).all():
            return x
        along = system @ way
        step = _over(rho, (way * along).sum(axis=0))
        x = x + step * way
        left = left - step * along
        scaled = left / diagonal
        last, rho = rho, (left * scaled).sum(axis=0)
        way = scaled + _over(rho, last) * way
    raise MeshError(
        "the surface could not be smoothed",
        wanted="a length of a few edges",
        found=f"{length_mm:g} mm, not settled after {_ROUNDS} rounds",
        hint="smooth over a shorter length",
    )


def _over(a: NDArray[np.complex128], b: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """a / b; 0 for a column that is solved already."""
    return np.asarray(np.divide(a, b, out=np.zeros_like(a), where=b != 0))


def _laplacian(mesh: Mesh) -> tuple[sparse.csr_array, Floats]:
    """Cotangent Laplacian (n, n), positive, and masses (n,) in mm²."""
    n, f = len(mesh.vertices), mesh.faces
    corner = mesh.vertices[f]
    rows, columns, values = [], [], []
    for i in range(3):
        u, w = corner[:, (i + 1) % 3] - corner[:, i], corner[:, (i + 2) % 3] - corner[:, i]
        cross = np.linalg.norm(np.cross(u, w), axis=1)
        cotangent = np.einsum("ij,ij->i", u, w) / np.maximum(cross, 1e-12)
        cotangent = np.clip(cotangent, -_MOST_COTANGENT, _MOST_COTANGENT)
        rows += [f[:, (i + 1) % 3], f[:, (i + 2) % 3]]
        columns += [f[:, (i + 2) % 3], f[:, (i + 1) % 3]]
        values += [cotangent / 2] * 2
    weights = sparse.coo_array((np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), (n, n))
    total = np.asarray(weights.sum(axis=1)).ravel()
    mass = np.bincount(f.ravel(), weights=np.repeat(face_areas(mesh.vertices, f) / 3, 3), minlength=n)
    return sparse.csr_array(sparse.diags_array(total) - weights.tocsr()), np.maximum(
        mass, _LEAST_MASS * np.median(mass)
    )
