"""An outer surface at a wanted distance from an inner one, vertex for vertex.

Each vertex of the inner surface goes out along a direction of its own until the inner surface, all of it, is as far
away as was asked there: the distance is exact, whatever the shape, so that a hollow fills and no wall is thinner for a
ridge. Directions are the surface's normals, smoothed over a length in mm. Where two outer faces would cross, longer
lengths are tried, and then the rays of the limb itself (square to its axis on the wall, from the middle of its end
below), which never meet as long as each of them meets the inner surface once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from rectify.geometry.corners import any_corner
from rectify.geometry.diffuse import diffused
from rectify.geometry.mesh import Faces, Floats, Ints, Mesh, Points
from rectify.geometry.nearest import Tree
from rectify.geometry.normals import barycentric, unit, vertex_normals

__all__ = ["Places", "directions", "edges_between", "middles", "stood_off", "way_out"]

_LENGTHS = (1.5, 4.0, 10.0)  # of the wall: over which directions are smoothed, tried in turn
_CLOSE_MM = 0.002  # of a distance
_ROUNDS = 12
_SLOPE = 0.25  # least growth of distance along a direction that a step is divided by
_SHORT_MM = 0.01  # between vertices: a face may come so much nearer before its corners are moved out
_MORE = 1.5  # times what is lacking: moving a corner moves the middle of its face less
_MENDS = 6


def directions(inner: Mesh, around: Mesh, wall_mm: float) -> Iterator[tuple[str, Points]]:
    """Fields of unit directions (n, 3) to try, the plainest first, each with what it is.

    Parameters
    ----------
    inner : Mesh
        In the limb frame, faces away from the limb.
    around : Mesh
        The same surface carried on beyond its edge, so that directions at the edge are not those of one side alone.
    wall_mm : float
        The greatest thickness.
    """
    normals = vertex_normals(around)
    _, face, foot = Tree(around.vertices, around.faces).nearest(inner.vertices)
    corners = around.faces[face]
    shares = barycentric(foot, *(around.vertices[corners[:, i]] for i in range(3)))
    for times in _LENGTHS:
        smooth = diffused(around, normals, times * wall_mm)
        along = unit(np.einsum("ij,ijk->ik", shares, smooth[corners]))
        yield f"normals smoothed over {times * wall_mm:g} mm", along
    yield "rays of the limb", _rays(inner)


def _rays(inner: Mesh) -> Points:
    """From the axis, square to it, above the middle of the end; from that middle below."""
    v = inner.vertices
    tip = float(v[:, 2].min())
    low = v[v[:, 2] < tip + 60.0]
    wide = float(np.hypot(low[:, 0], low[:, 1]).max())
    middle = tip + wide
    out = np.column_stack([v[:, :2], np.minimum(v[:, 2] - middle, 0.0)])
    return unit(out)


def way_out(tree: Tree, points: Points, along: Points, wanted: Floats) -> Floats:
    """How far (n,) mm each point goes along its direction until the surface is `wanted` mm away.

    Newton's way on the distance, whose gradient has length one; not beyond four times what is wanted.
    """
    far = wanted.copy()
    todo = np.arange(len(points))
    for _ in range(_ROUNDS):
        at = points[todo] + far[todo, None] * along[todo]
        distance, _, foot = tree.nearest(at)
        short = wanted[todo] - distance
        slope = np.einsum("ij,ij->i", at - foot, along[todo]) / np.maximum(distance, 1e-9)
        far[todo] = np.clip(far[todo] + short / np.clip(slope, _SLOPE, 1.0), 0.0, 4.0 * wanted[todo])
        todo = todo[np.abs(short) > _CLOSE_MM]
        if not len(todo):
            break
    return far


def stood_off(inner: Mesh, along: Points, wanted: Floats, tree: Tree, far: Floats) -> Points:
    """Outer vertices (n, 3): measured either way, at vertices and between them, the wall is as thick as wanted.

    Parameters
    ----------
    inner : Mesh
    along : (n, 3) unit
    wanted : (n,) mm
    tree : Tree
        Of the inner surface.
    far : (n,) mm
        From `way_out`: right at the vertices.
    """
    v, f = inner.vertices, inner.faces
    asked, far = wanted.copy(), far.copy()
    todo = np.arange(len(f))
    for _ in range(_MENDS):
        outer = v + far[:, None] * along
        more = np.zeros(len(wanted))
        corners, lack = _lacks(outer, f, middles(f[todo]).and_(edges_between(f[todo])), wanted, tree)
        np.maximum.at(more, corners, lack)
        corners, lack = _lacks(v, f, middles(f[todo]), wanted, Tree(outer, f))
        np.maximum.at(more, corners, lack)
        moved = np.flatnonzero(more)
        if not len(moved):
            break
        asked[moved] += _MORE * more[moved]
        far[moved] = way_out(tree, v[moved], along[moved], asked[moved])
        todo = np.flatnonzero(any_corner(more > 0, f))
    return np.asarray(v + far[:, None] * along)


def _lacks(here: Points, faces: Faces, places: Places, wanted: Floats, there: Tree) -> tuple[Ints, Floats]:
    """Vertices (k,) about which the wall is too thin between the two surfaces, and by how much (k,) mm.

    Both surfaces have the same faces; the vertices are those of the place looked from and of the one it is near to.
    """
    far, near, _ = there.nearest(places.of(here))
    short = places.of(wanted) - far
    thin = np.flatnonzero(short > _SHORT_MM)
    corners = np.concatenate([places.corners[thin], faces[near[thin]]])
    return corners.ravel(), np.repeat(np.tile(short[thin] - _SHORT_MM, 2), 3)


@dataclass(frozen=True, eq=False)
class Places:
    """Places on faces: corners (p, 3) and their shares (p, 3)."""

    corners: Ints
    shares: Floats

    def of(self, values: Floats) -> Floats:
        """Values (n,) or (n, 3) of the vertices, at the places."""
        return np.asarray(np.einsum("ij,ij...->i...", self.shares, values[self.corners]))

    def and_(self, other: Places) -> Places:
        """These and others."""
        return Places(np.concatenate([self.corners, other.corners]), np.concatenate([self.shares, other.shares]))


def middles(faces: Faces) -> Places:
    """The middle of every face and every corner once."""
    used = np.unique(faces)
    corner = np.zeros((len(used), 3))
    corner[:, 0] = 1.0
    return Places(
        np.concatenate([faces, np.stack([used] * 3, axis=1)]),
        np.concatenate([np.full((len(faces), 3), 1 / 3), corner]),
    )


def edges_between(faces: Faces) -> Places:
    """The middle of every edge between two faces, once."""
    corners, shares = [], []
    for i in range(3):
        once = faces[:, i] < faces[:, (i + 1) % 3]
        share = np.full((int(once.sum()), 3), 0.5)
        share[:, (i + 2) % 3] = 0.0
        corners.append(faces[once])
        shares.append(share)
    return Places(np.concatenate(corners), np.concatenate(shares))
