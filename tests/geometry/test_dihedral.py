"""Angles between neighbouring faces, against folds of a known angle and against trimesh."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from rectify.geometry.dihedral import added_dihedral
from rectify.geometry.edges import face_pairs
from rectify.geometry.mesh import Mesh
from rectify.synthetic import capsule, sphere


def hinge(degrees):
    """Two triangles on the y axis, the second turned up by an angle."""
    turn = np.radians(degrees)
    return np.array([[0.0, -5.0, 0.0], [0.0, 5.0, 0.0], [-8.0, 0.0, 0.0], [8 * np.cos(turn), 0.0, 8 * np.sin(turn)]])


HINGE = np.array([[0, 1, 2], [1, 0, 3]])


@pytest.mark.parametrize(("before", "after", "added"), [(0, 30, 30), (10, -10, 0), (-20, 50, 30), (0, 175, 175)])
def test_a_hinge_opens_by_its_angle(before, after, added):
    # the angle between faces has no sign: a ridge that becomes as deep a groove adds nothing to it
    mesh = Mesh(hinge(before), HINGE)
    assert added_dihedral(mesh, hinge(after)) == pytest.approx(added, abs=1e-10)  # degrees


def test_a_surface_that_stays_adds_nothing():
    mesh = capsule(edge_mm=6.0)
    assert added_dihedral(mesh, mesh.vertices) == 0.0
    # and neither does turning, moving or scaling it: rounding only
    assert added_dihedral(mesh, 1.3 * mesh.vertices[:, [1, 2, 0]] + 5.0) < 1e-9


def test_pairs_of_a_closed_surface_are_three_halves_of_its_faces():
    mesh = sphere(edge_mm=7.0)
    assert len(face_pairs(mesh)[0]) == 3 * len(mesh.faces) // 2


def test_pairs_are_the_ones_that_trimesh_finds():
    mesh = capsule(edge_mm=6.0)
    other = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    mine = {tuple(sorted(pair)) for pair in np.stack(face_pairs(mesh), axis=1).tolist()}
    assert mine == {tuple(sorted(pair)) for pair in other.face_adjacency.tolist()}


def test_the_largest_change_is_the_one_that_trimesh_measures():
    mesh = capsule(edge_mm=6.0)
    rng = np.random.default_rng(2)
    moved = mesh.vertices + rng.normal(0.0, 0.3, mesh.vertices.shape)
    one, two = (trimesh.Trimesh(v, mesh.faces, process=False) for v in (mesh.vertices, moved))
    change = np.abs(two.face_adjacency_angles - one.face_adjacency_angles)
    assert added_dihedral(mesh, moved) == pytest.approx(np.degrees(change.max()), abs=1e-5)  # its arccos rounds


@pytest.mark.parametrize("seed", range(6))
def test_of_all_pairs_the_largest_change_is_found_and_not_only_of_those_looked_at_closely(seed):
    # a crumpled surface has folds of every angle, sharp ones too, where the chord hardly changes with the angle
    mesh = capsule(edge_mm=9.0)
    rng = np.random.default_rng(seed)
    crumpled = mesh.with_vertices(mesh.vertices + rng.normal(0.0, 3.0, mesh.vertices.shape))
    after = crumpled.vertices + rng.normal(0.0, 0.5, mesh.vertices.shape) * (rng.random((len(mesh.vertices), 1)) < 0.3)
    one, other = face_pairs(mesh)

    def angles(vertices):
        corner = vertices[mesh.faces]
        normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        a, b = normal[one], normal[other]
        return np.arctan2(np.linalg.norm(np.cross(a, b), axis=1), np.einsum("ij,ij->i", a, b))

    change = np.abs(angles(after) - angles(crumpled.vertices))
    assert change.max() > np.radians(20)
    assert added_dihedral(crumpled, after) == pytest.approx(np.degrees(change.max()), abs=1e-9)  # rounding only


def test_no_neighbours_no_angle():
    assert added_dihedral(Mesh(np.eye(3), np.array([[0, 1, 2]])), 2 * np.eye(3)) == 0.0
