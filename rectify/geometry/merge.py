"""Join corners that lie at the same place: triangles one by one in, an indexed mesh out.

Two corners are the same when their three coordinates are equal bit for bit, with −0.0 taken as 0.0; nothing
is joined within a tolerance, so no shape changes. Vertices come in the order of their first appearance, so
the same file gives the same mesh on every machine. No face is dropped: one that loses its area because two
of its corners are the same stays, and `rectify.geometry.edges.survey` counts it. Coordinates that are not
numbers are no reason to fail here, each bit pattern being its own place; refuse them before.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Ints, Mesh

__all__ = ["join", "merge"]

# Multipliers with mixed bits (fractional parts of the golden ratio, of sqrt 2 and of sqrt 3, made odd): any
# odd numbers would be right, since equality is checked afterwards; these spread neighbouring coordinates.
_MIX = tuple(np.uint64(word) for word in (0x9E3779B97F4A7C15, 0x6A09E667F3BCC909, 0xBB67AE8584CAA73B))


def merge(corners: NDArray[np.floating[Any]]) -> Mesh:
    """An indexed mesh from triangles that each bring their own corners.

    Parameters
    ----------
    corners : (m, 3, 3) float32 or float64
        Triangle, corner, coordinate.

    Returns
    -------
    Mesh
        m faces in their order; vertices float64 in order of first appearance. Empty in, empty out.

    Raises
    ------
    ValueError
        If the array has another shape or kind.

    Examples
    --------
    >>> square = np.array([[[0, 0, 0], [1, 0, 0], [1, 1, 0]], [[0, 0, 0], [1, 1, 0], [0, 1, 0]]], float)
    >>> merge(square).faces.tolist()
    [[0, 1, 2], [0, 2, 3]]
    """
    if corners.ndim != 3 or corners.shape[1:] != (3, 3):
        raise ValueError(f"corners must be (m, 3, 3), not {corners.shape}")
    points, _, number = _places(corners.reshape(-1, 3))
    return Mesh(points.astype(np.float64), number.reshape(-1, 3).astype(np.int64))


def join(mesh: Mesh) -> Mesh:
    """The same surface with vertices at the same place made one; colours from the first of them.

    For formats that list a point once per normal or texture coordinate. Vertices no face has are kept.
    """
    points, first, number = _places(mesh.vertices)
    colours = None if mesh.colours is None else mesh.colours[first]
    return Mesh(points, number.astype(np.int64)[mesh.faces], colours)


def _places(points: NDArray[Any]) -> tuple[NDArray[Any], Ints, NDArray[Any]]:
    """Distinct points by first appearance, where each first stood, and each input point's number (n,)."""
    if points.dtype not in (np.float32, np.float64):
        raise ValueError(f"coordinates must be float32 or float64, not {points.dtype}")
    points = points + points.dtype.type(0)  # −0.0 + 0.0 is 0.0; also a contiguous copy of our own
    words = points.view(np.uint32 if points.dtype == np.float32 else np.uint64)
    leader = _leaders(_hash(words))
    if not np.array_equal(words.take(leader, axis=0), words):
        # two places share a hash: some 0.2 % of meshes of 200,000 vertices by the birthday estimate
        leader = _leaders_slowly(words)
    leads = leader == np.arange(len(leader), dtype=leader.dtype)
    rank = np.cumsum(leads, dtype=leader.dtype)
    rank -= 1
    first = np.flatnonzero(leads)
    return points.take(first, axis=0), first, rank.take(leader)


def _hash(words: NDArray[Any]) -> NDArray[np.uint64]:
    """64 mixed bits of each row of three words; the upper ones are the best mixed."""
    out = words[:, 0].astype(np.uint64)
    out *= _MIX[0]
    out ^= out >> np.uint64(32)
    for column, factor in ((1, _MIX[1]), (2, _MIX[2])):
        out += words[:, column]
        out *= factor
        out ^= out >> np.uint64(32)
    out *= _MIX[0]
    return out


def _leaders(hashes: NDArray[np.uint64]) -> NDArray[Any]:
    """For each row the first row with the same leading hash bits (n,).

    The row's number is packed into the lower bits of the hash, so that one plain sort, several times quicker
    than an argsort, brings equal hashes together with the earliest row in front.
    """
    count = len(hashes)
    kind = np.dtype(np.int32 if count < 2**31 else np.int64)
    bits = np.uint64(max(count, 1).bit_length())
    low = (np.uint64(1) << bits) - np.uint64(1)
    packed = (hashes & ~low) | np.arange(count, dtype=np.uint64)
    packed.sort()
    row = (packed & low).astype(kind)
    packed >>= bits
    first = np.empty(count, dtype=np.bool_)
    first[:1] = True
    np.not_equal(packed[1:], packed[:-1], out=first[1:])
    leader = np.empty(count, dtype=kind)
    leader[row] = row[first][np.cumsum(first, dtype=kind) - 1]
    return leader


def _leaders_slowly(words: NDArray[Any]) -> NDArray[Any]:
    """The same from the whole keys, for the case that hashes collide."""
    _, first, inverse = np.unique(words, axis=0, return_index=True, return_inverse=True)
    return np.asarray(first)[inverse.reshape(-1)]
