"""Faces that pass through others, against every pair of faces looked at."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from rectify.geometry.cap import cap_opening, closed
from rectify.geometry.crossings import Spine, crossing_faces, crossing_near, inward_faces
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


# -- only where it could be -----------------------------------------------------------------------

WALL = capsule(50.0, 150.0, 9.0, 60.0)
SPINE = Spine(np.array([0.0, 0.0, -150.0]), np.array([0.0, 0.0, 1.0]))


def bent_in(mesh, seed, dents, deepest, jitter):
    """A wall with smooth dents and bumps and with noise: most of it still faces outward, some does not."""
    rng = np.random.default_rng(seed)
    v = mesh.vertices.copy()
    for _ in range(dents):
        at = mesh.vertices[rng.integers(len(v))]
        push = rng.normal(size=3) * deepest / 2
        near = np.exp(-(np.linalg.norm(mesh.vertices - at, axis=1) ** 2) / (2 * rng.uniform(6.0, 25.0) ** 2))
        v += near[:, None] * push
    some = np.linalg.norm(mesh.vertices - mesh.vertices[rng.integers(len(v))], axis=1) < 35.0
    v[some] += rng.normal(0.0, jitter, (int(some.sum()), 3))
    return mesh.with_vertices(v)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 10**6), st.integers(0, 4), st.sampled_from([5.0, 20.0, 60.0]), st.sampled_from([0.0, 1.0, 4.0, 9.0])
)
def test_what_is_left_out_never_crosses(seed, dents, deepest, jitter):
    wall = bent_in(WALL, seed, dents, deepest, jitter)
    assert crossing_faces(wall, SPINE).tolist() == crossing_faces(wall).tolist()


@pytest.mark.parametrize("place", [[0.0, 0.0, -200.0], [0.0, -50.0, -60.0], [0.0, -50.0, 55.0], [35.0, 0.0, -185.0]])
def test_knots_are_found_at_the_pole_at_the_seam_and_at_the_edge(place):
    v = WALL.vertices.copy()
    near = np.argsort(np.linalg.norm(v - place, axis=1))[:12]
    v[near] = v[near[::-1]]
    knotted = WALL.with_vertices(v)
    expected = crossing_faces(knotted)
    assert len(expected) > 4
    assert crossing_faces(knotted, SPINE).tolist() == expected.tolist()


def test_an_edge_turned_in_through_the_wall_is_found():
    # the upper edge folded inward and down past the other side: rays leave twice through the edge
    v = WALL.vertices.copy()
    high = v[:, 2] > 40.0
    v[high & (v[:, 1] > 20.0)] += [0.0, -115.0, -30.0]
    turned_in = WALL.with_vertices(v)
    expected = crossing_faces(turned_in)
    assert len(expected) > 0
    assert crossing_faces(turned_in, SPINE).tolist() == expected.tolist()


def test_of_a_sound_wall_nothing_is_tested():
    assert not inward_faces(WALL, SPINE).any()
    assert len(crossing_faces(WALL, SPINE)) == 0
    dented = bent_in(WALL, 3, 1, 60.0, 0.0)
    assert 0 < inward_faces(dented, SPINE).sum() < len(WALL.faces) / 2


@pytest.mark.parametrize("turn_seed", [1, 2])
def test_the_spine_may_point_anywhere(turn_seed):
    turn = Rotation.random(random_state=turn_seed).as_matrix()
    wall = bent_in(WALL, 11, 3, 60.0, 4.0)
    turned = wall.with_vertices(wall.vertices @ turn.T + [50.0, -30.0, 20.0])
    spine = Spine(turn @ SPINE.end + [50.0, -30.0, 20.0], turn @ SPINE.up)
    expected = crossing_faces(wall).tolist()
    assert len(expected) > 0
    assert crossing_faces(turned, spine).tolist() == expected


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([5.0, 25.0, 60.0]))
def test_a_membrane_is_tested_against_all_that_comes_near_it(seed, deepest):
    cap = cap_opening(WALL)
    rng = np.random.default_rng(seed)
    v = WALL.vertices.copy()
    # push a part of the upper wall in, through the membrane; the wall itself stays free of crossings in most cases
    near = np.exp(-(np.linalg.norm(v - [0.0, 50.0, rng.uniform(20.0, 55.0)], axis=1) ** 2) / (2 * 15.0**2))
    v[:, 1] -= deepest * near
    v[:, 2] += rng.uniform(0.0, 1.2) * deepest * near
    wall = WALL.with_vertices(v)
    model = closed(wall, cap)
    found = np.union1d(crossing_faces(wall, SPINE), crossing_near(model, len(wall.faces)))
    assert found.tolist() == crossing_faces(model).tolist()


def test_without_a_membrane_nothing_comes_near_it():
    assert len(crossing_near(WALL, len(WALL.faces))) == 0
