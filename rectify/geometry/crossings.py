"""Faces that pass through others (libigl's exact predicates; its permissive part only)."""

from __future__ import annotations

import numpy as np

from rectify.geometry.mesh import Faces, Ints, Points

__all__ = ["crossing_faces"]


def crossing_faces(vertices: Points, faces: Faces) -> Ints:
    """Indices of the faces that another face passes through, ascending; neighbours that only touch do not count."""
    import igl.predicates

    _, pairs, _ = igl.predicates.find_self_intersections(
        np.ascontiguousarray(vertices), np.ascontiguousarray(faces, dtype=np.int64)
    )
    return np.unique(np.asarray(pairs, dtype=np.int64))
