"""What a ball-ended cutter cannot reach on a model: hollows tighter than the ball, and how deep it misses them.

At every vertex the ball is laid against the surface from outside. Where the surface is in its way elsewhere the ball
moves off, the shortest way found, and what is left between it and the vertex is missed. An upper bound of the least
possible miss: another way off might be shorter by a little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from rectify.geometry.mesh import Floats, Ints, Mesh
from rectify.geometry.nearest import Tree
from rectify.geometry.normals import face_areas, unit, vertex_normals

__all__ = ["Missed", "missed_depths", "missed_places"]

_TIGHT_MM = 0.02  # a ball that is held off by less lies on facets, not in a hollow
_WORTH_MM = 0.2  # a miss worth telling
_ROUNDS = 30


@dataclass(frozen=True)
class Missed:
    """One hollow that a cutter misses.

    Parameters
    ----------
    depth_mm : at its deepest
    xyz : (3,) mm, limb frame
        Where that is.
    area_mm2 : of the surface missed by 0.2 mm or more
    vertices : how many
    """

    depth_mm: float
    xyz: tuple[float, float, float]
    area_mm2: float
    vertices: int


def missed_depths(surface: Mesh, body: Mesh, radius_mm: float) -> Floats:
    """How deep a ball of a radius misses each vertex of a surface: (n,) mm, 0 where it touches.

    Parameters
    ----------
    surface : Mesh
        What is to be carved exactly.
    body : Mesh
        Everything the ball must not cut into; the surface is part of it.
    radius_mm : float
    """
    v = surface.vertices
    normals = vertex_normals(surface)
    tree = Tree(body.vertices, body.faces)
    centre = v + radius_mm * normals
    todo = np.arange(len(v))
    for _ in range(_ROUNDS):
        at = centre[todo]
        far, _, foot = tree.nearest(at)
        lack = radius_mm - far
        held = lack > _TIGHT_MM / 2
        todo, at, foot, lack = todo[held], at[held], foot[held], lack[held]
        if not len(todo):
            break
        centre[todo] = at + lack[:, None] * unit(at - foot)
    depth = np.linalg.norm(centre - v, axis=1) - radius_mm
    return np.where(depth > _TIGHT_MM, depth, 0.0)


def missed_places(surface: Mesh, depth: Floats) -> list[Missed]:
    """Hollows that are missed by 0.2 mm or more, the deepest first."""
    marked = depth >= _WORTH_MM
    if not marked.any():
        return []
    f = surface.faces
    area = np.bincount(f.ravel(), weights=np.repeat(face_areas(surface.vertices, f) / 3, 3), minlength=len(depth))
    one, two = f.ravel(), f[:, [1, 2, 0]].ravel()
    both = marked[one] & marked[two]
    size = (len(depth), len(depth))
    graph = coo_matrix((np.ones(int(both.sum()), dtype=np.int8), (one[both], two[both])), shape=size)
    label: Ints = connected_components(graph.tocsr(), directed=False)[1].astype(np.int64)
    places = []
    for piece in np.unique(label[marked]):
        own = np.flatnonzero((label == piece) & marked)
        worst = int(own[np.argmax(depth[own])])
        x, y, z = surface.vertices[worst].tolist()
        places.append(Missed(float(depth[worst]), (x, y, z), float(area[own].sum()), len(own)))
    return sorted(places, key=lambda place: -place.depth_mm)
