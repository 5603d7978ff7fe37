"""Nearest points against closed forms and against a look at every face."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.geometry.nearest import Surface, _by_tree, faces_near, nearest
from rectify.synthetic import capsule, sphere


def closest_on_triangle(p, a, b, c):
    """Closest point by trying the inside, the three sides and the three corners."""
    places = [a, b, c]
    for s, t in ((a, b), (b, c), (c, a)):
        share = np.clip((p - s) @ (t - s) / ((t - s) @ (t - s)), 0, 1)
        places.append(s + share * (t - s))
    n = np.cross(b - a, c - a)
    q = p - ((p - a) @ n) / (n @ n) * n
    sides = [np.cross(t - s, q - s) @ n for s, t in ((a, b), (b, c), (c, a))]
    if min(sides) >= 0:
        places.append(q)
    return min(places, key=lambda x: np.linalg.norm(p - x))


def test_every_face_looked_at_says_the_same():
    mesh = capsule(50.0, 100.0, 14.0, 40.0)
    rng = np.random.default_rng(5)
    points = rng.uniform([-90, -90, -180], [90, 90, 70], (12, 3))
    distance, face, place = nearest(points, mesh.vertices, mesh.faces)
    for p, d, f, q in zip(points, distance, face, place, strict=True):
        slow = min(
            (closest_on_triangle(p, *mesh.vertices[tri]) for tri in mesh.faces), key=lambda x: np.linalg.norm(p - x)
        )
        assert d == pytest.approx(np.linalg.norm(p - slow), abs=1e-9)
        assert np.linalg.norm(p - q) == pytest.approx(d, abs=1e-9)
        own = closest_on_triangle(p, *mesh.vertices[mesh.faces[f]])
        assert np.linalg.norm(own - q) < 1e-9  # the place lies on the face that is named


def test_distances_to_a_sphere_are_how_far_off_its_radius_a_point_is():
    mesh = sphere(50.0, 2.0)
    rng = np.random.default_rng(1)
    direction = rng.normal(size=(200, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    r = rng.uniform(20.0, 90.0, 200)
    distance, _, place = nearest(direction * r[:, None], mesh.vertices, mesh.faces)
    # a face whose corners lie c from its middle lies c² / (2 R) inside the sphere: 0.013 mm for equal sides of 2 mm,
    # 0.02 for the odd diagonal
    assert distance == pytest.approx(np.abs(r - 50.0), abs=0.02)
    assert np.linalg.norm(place, axis=1) == pytest.approx(50.0, abs=0.02)


def test_points_of_the_surface_are_at_no_distance():
    mesh = capsule(edge_mm=6.0)
    middle = mesh.vertices[mesh.faces].mean(axis=1)
    distance, _, _ = nearest(np.vstack([mesh.vertices, middle]), mesh.vertices, mesh.faces)
    assert distance.max() < 1e-9  # mm, rounding only


def test_no_points_give_nothing_and_no_faces_are_infinitely_far():
    mesh = sphere(edge_mm=10.0)
    assert [len(part) for part in nearest(np.zeros((0, 3)), mesh.vertices, mesh.faces)] == [0, 0, 0]
    distance, face, place = nearest(np.zeros((2, 3)), mesh.vertices, np.zeros((0, 3), dtype=np.int64))
    assert np.isinf(distance).all() and (face == -1).all() and np.isnan(place).all()


@pytest.mark.parametrize("seed", range(12))
def test_few_points_get_the_answer_that_the_whole_tree_gives(seed):
    # far and near, inside and outside, one point and some; on a surface with long thin faces too
    rng = np.random.default_rng(seed)
    mesh = capsule(edge_mm=3.0)
    vertices = mesh.vertices * (np.array([1.0, 1.0, 1.0]) if seed % 2 else np.array([1.0, 1.0, 7.0]))
    count = int(rng.choice([1, 3, 40, 90]))
    points = rng.normal(size=(count, 3)) * rng.choice([0.1, 30.0, 300.0]) + vertices[rng.integers(len(vertices))]
    assert count <= 0.02 * len(mesh.faces)  # few enough for only some faces to be looked at
    distance, face, place = nearest(points, vertices, mesh.faces)
    whole = _by_tree(points, vertices, mesh.faces)
    assert distance == pytest.approx(whole[0], abs=1e-9)  # mm, rounding only
    assert np.linalg.norm(points - place, axis=1) == pytest.approx(distance, abs=1e-9)
    for q, f in zip(place, face, strict=True):
        assert np.linalg.norm(closest_on_triangle(q, *vertices[mesh.faces[f]]) - q) < 1e-9


def test_a_bound_that_just_holds_finds_the_same():
    mesh = capsule(edge_mm=3.0)
    rng = np.random.default_rng(4)
    points = mesh.vertices[:80] + rng.normal(size=(80, 3)) * 4.0
    whole = _by_tree(points, mesh.vertices, mesh.faces)
    distance, _, place = Surface(mesh.vertices, mesh.faces).nearest(points, whole[0])
    assert distance == pytest.approx(whole[0], abs=1e-12)
    assert np.abs(place - whole[2]).max() < 1e-9


@pytest.mark.parametrize("reach", [5.0, 30.0])
def test_faces_near_leave_out_none_that_is_within_reach(reach):
    mesh = capsule(edge_mm=5.0)
    rng = np.random.default_rng(9)
    points = np.array([0.0, 50.0, -60.0]) + rng.uniform(-4.0, 4.0, (30, 3))
    near = faces_near(points, mesh.vertices, mesh.faces, reach)
    assert 0 < len(near) < len(mesh.faces)
    full, _, _ = nearest(points, mesh.vertices, mesh.faces)
    some, _, _ = nearest(points, mesh.vertices, mesh.faces[near])
    assert full.max() < reach
    assert np.array_equal(full, some)


def test_faces_near_finds_a_big_face_that_spans_the_box():
    v = np.array([[-500.0, -500.0, 0.0], [500.0, -500.0, 0.0], [0.0, 900.0, 0.0]])
    assert faces_near(np.zeros((1, 3)), v, np.array([[0, 1, 2]]), 1.0).tolist() == [0]
