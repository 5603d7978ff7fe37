"""Faces that pass through others (libigl's exact predicates; its permissive part only)."""

from __future__ import annotations

import numpy as np

from rectify.geometry.mesh import Ints, Mesh

__all__ = ["crossing_faces"]


def crossing_faces(mesh: Mesh) -> Ints:
    """Indices of the faces that another face passes through, ascending; neighbours that only touch do not count."""
    import igl.predicates

    _, pairs, _ = igl.predicates.find_self_intersections(
        np.ascontiguousarray(mesh.vertices), np.ascontiguousarray(mesh.faces, dtype=np.int64)
    )
    return np.unique(np.asarray(pairs, dtype=np.int64))
