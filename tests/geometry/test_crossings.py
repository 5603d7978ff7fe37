"""Faces that pass through others, against every pair of faces looked at."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.geometry.crossings import crossing_faces
from rectify.geometry.mesh import Mesh
from rectify.synthetic import capsule, sphere


def stabs(p, q, a, b, c):
    """Whether the segment pq passes through the inside of a triangle, by signed volumes."""

    def side(u, v, w, x):
        return np.sign(np.dot(np.cross(v - u, w - u), x - u))

    if side(a, b, c, p) == side(a, b, c, q):
        return False
    return side(p, q, a, b) == side(p, q, b, c) == side(p, q, c, a)


def crossing_slowly(mesh):
    """Faces whose edges stab, or are stabbed by, a face with which they share no corner."""
    found = set()
    corners = mesh.vertices[mesh.faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    for i in range(len(mesh.faces)):
        near = np.flatnonzero((low <= high[i]).all(axis=1) & (high >= low[i]).all(axis=1))
        for j in near:
            if set(mesh.faces[i]) & set(mesh.faces[j]):
                continue
            if any(stabs(corners[i][k], corners[i][(k + 1) % 3], *corners[j]) for k in range(3)):
                found |= {i, int(j)}
    return sorted(found)


def test_sound_surfaces_have_none():
    for mesh in (sphere(edge_mm=6.0), capsule(edge_mm=6.0)):
        assert len(crossing_faces(mesh)) == 0


def test_two_triangles_through_each_other_are_both_named():
    v = np.array([[-5.0, -5, 0], [5, -5, 0], [0, 5, 0], [0, -1, -5], [0, -1, 5], [0, 9, 0]])
    assert crossing_faces(Mesh(v, np.array([[0, 1, 2], [3, 4, 5]]))).tolist() == [0, 1]


def test_neighbours_that_only_touch_do_not_count():
    v = np.array([[-5.0, 0, 0], [5, 0, 0], [0, 5, 1], [0, -5, 1], [0, 9, 9]])
    assert len(crossing_faces(Mesh(v, np.array([[0, 1, 2], [1, 0, 3], [1, 4, 2]])))) == 0


@pytest.mark.parametrize("depth", [99.0, 130.0])
def test_a_vertex_pushed_out_of_the_other_side_is_found_as_by_looking_at_every_pair(depth):
    mesh = sphere(50.0, 12.0)
    v = mesh.vertices.copy()
    i = int(np.argmax(v[:, 0]))
    v[i, 0] -= depth  # through the whole sphere, or just not
    pushed = Mesh(v, mesh.faces)
    expected = crossing_slowly(pushed)
    assert bool(expected) == (depth > 100)
    assert crossing_faces(pushed).tolist() == expected
