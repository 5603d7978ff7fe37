"""Directions and areas against shapes that have them in closed form, and against a loop."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from rectify.geometry.normals import face_areas, face_cross, sum_to_vertices, unit, vertex_normals
from rectify.synthetic import capsule, cone, sphere


def test_unit_vectors_have_length_one_and_nothing_stays_nothing():
    given = np.array([[3.0, 4.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, -7.0]])
    assert unit(given).tolist() == [[0.6, 0.8, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, -1.0]]


def test_nothing_gives_nothing():
    assert unit(np.zeros((0, 3))).shape == (0, 3)
    assert face_areas(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)).shape == (0,)


def test_a_triangle_by_hand():
    v = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 0.0], [0.0, 3.0, 0.0]])
    f = np.array([[0, 1, 2], [0, 2, 1]])
    assert face_cross(v, f).tolist() == [[0.0, 0.0, 12.0], [0.0, 0.0, -12.0]]
    assert face_areas(v, f).tolist() == [6.0, 6.0]


def test_areas_agree_with_trimesh():
    mesh = capsule(edge_mm=6.0)
    other = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert face_areas(mesh.vertices, mesh.faces) == pytest.approx(other.area_faces, rel=1e-12)


def test_the_faces_of_a_closed_surface_add_up_to_no_direction():
    mesh = sphere(50.0, 6.0)
    # divergence theorem: the vector area of a closed surface is nothing; mm², of 31416
    assert np.abs(face_cross(mesh.vertices, mesh.faces).sum(axis=0)).max() < 1e-8


def test_adding_to_vertices_is_what_a_loop_does():
    rng = np.random.default_rng(3)
    faces = rng.integers(0, 12, (40, 3))
    per_face = rng.normal(size=(40, 3))
    slow = np.zeros((15, 3))
    for face, value in zip(faces, per_face, strict=True):
        for corner in face:
            slow[corner] += value
    assert sum_to_vertices(per_face, faces, 15) == pytest.approx(slow, abs=1e-14)


def test_a_sphere_points_away_from_its_middle():
    mesh = sphere(50.0, 4.0)
    cosine = np.einsum("ij,ij->i", vertex_normals(mesh), mesh.vertices / 50.0)
    # faces of 4 mm on a radius of 50 lean by up to 4/50/sqrt(3) each; their mean by far less
    assert np.degrees(np.arccos(np.clip(cosine, -1, 1))).max() < 1.0


def test_a_cone_points_out_and_down_by_its_half_angle():
    mesh = cone(60.0, 40.0, 150.0, 3.0, 60.0, end="open")
    inner = np.abs(mesh.vertices[:, 2] + 45.0) < 90.0  # away from the edges, where faces lack on one side
    v, n = mesh.vertices[inner], vertex_normals(mesh)[inner]
    slope = np.arctan2(20.0, 210.0)
    level = v[:, :2] / np.hypot(v[:, 0], v[:, 1])[:, None]
    out = np.column_stack([level * np.cos(slope), np.full(len(v), -np.sin(slope))])
    # a chord of 3 mm stands 3/50/2 = 1.7 degrees off the tangent; the six faces nearly cancel
    assert np.degrees(np.arccos(np.clip(np.einsum("ij,ij->i", n, out), -1, 1))).max() < 0.7


def test_a_vertex_that_no_face_uses_has_no_direction():
    mesh = sphere(50.0, 10.0)
    extra = mesh.with_vertices(np.vstack([mesh.vertices, [1.0, 2.0, 3.0]]))
    assert vertex_normals(extra)[-1].tolist() == [0.0, 0.0, 0.0]
