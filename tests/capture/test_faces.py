"""Vertices with places and faces with area: counted before and after."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.capture.faces import (
    HAIR_MM,
    check_numbers,
    check_size,
    close_cracks,
    close_gaps,
    drop_bad_faces,
    unfold_flat,
)
from rectify.errors import MeshError
from rectify.geometry.mesh import Mesh
from rectify.synthetic import capsule
from tests.capture.verdict import unsound


@pytest.fixture(scope="module")
def ball() -> Mesh:
    return capsule(50.0, 100.0, 6.0, 40.0)


def soup(mesh, apart, seed=1):
    """Every face with corners of its own, so far apart."""
    points = mesh.vertices[mesh.faces].reshape(-1, 3)
    shift = np.random.default_rng(seed).uniform(-apart / 4, apart / 4, points.shape)
    return Mesh(points + shift, np.arange(len(points)).reshape(-1, 3))


def test_corners_within_a_hair_are_joined_and_the_first_keeps_its_bits(ball):
    loose = soup(ball, HAIR_MM)
    out, steps = close_gaps(loose)
    assert unsound(out) == []
    assert len(out.vertices) == len(ball.vertices) and len(out.faces) == len(ball.faces)
    first = np.unique(loose.faces.ravel()[_first_of_each(ball)])
    assert np.array_equal(out.vertices, loose.vertices[first])
    assert steps[0].count == len(loose.vertices) - len(ball.vertices)


def _first_of_each(mesh):
    return np.unique(mesh.faces.ravel(), return_index=True)[1]


def test_corners_farther_apart_than_a_hair_are_not_joined(ball):
    out, steps = close_gaps(soup(ball, 0.0))
    assert len(out.vertices) == len(ball.vertices) and len(steps) == 1
    wide = soup(ball, 40 * HAIR_MM, seed=2)
    assert len(close_gaps(wide)[0].vertices) > 2 * len(ball.vertices)


def test_a_scan_without_gaps_is_the_same_object(ball):
    out, steps = close_gaps(ball)
    assert out is ball and steps == []


def test_faces_told_twice_and_faces_with_a_corner_twice_go(ball):
    extra = np.concatenate([ball.faces[:7], ball.faces[7:9, ::-1], ball.faces[:3, [0, 0, 1]]])
    out, steps = drop_bad_faces(Mesh(ball.vertices, np.concatenate([ball.faces, extra])))
    assert np.array_equal(out.faces, ball.faces)
    assert steps[0].message == "3 faces without area and 9 told twice were dropped"


def split(mesh, face, at):
    """A vertex more on the first edge of a face; the other side of the edge keeps its face, with a flat one between."""
    a, b, c = (int(x) for x in mesh.faces[face])
    m = len(mesh.vertices)
    point = mesh.vertices[a] + at * (mesh.vertices[b] - mesh.vertices[a])
    faces = np.concatenate([np.delete(mesh.faces, face, axis=0), [[a, m, c], [m, b, c], [a, b, m]]])
    return Mesh(np.vstack([mesh.vertices, point]), faces)


@pytest.mark.parametrize("at", [0.5, 0.2])
def test_a_flat_face_is_unfolded_and_the_surface_stays_where_it_was(ball, at):
    flat = split(ball, 400, at)
    faces, count = unfold_flat(flat)
    assert count == 1
    out = Mesh(flat.vertices, faces)
    assert unsound(out) == []
    corner = out.vertices[out.faces]
    area = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1) / 2
    old = ball.vertices[ball.faces]
    before = np.linalg.norm(np.cross(old[:, 1] - old[:, 0], old[:, 2] - old[:, 0]), axis=1).sum() / 2
    assert area.min() > 1.0
    assert area.sum() == pytest.approx(before, abs=1e-9)  # mm²: the new vertex lies on the old edge


def test_flat_faces_side_by_side_are_unfolded_in_turns(ball):
    mesh = ball
    for face in (300, 301, 302, 303, 500):
        mesh = split(mesh, face, 0.4)
    faces, count = unfold_flat(mesh)
    assert count == 5 and unsound(Mesh(mesh.vertices, faces)) == []


def test_a_flat_face_along_the_open_edge_goes(ball):
    top = ball.vertices[:, 2] > 39.9
    face = int(np.flatnonzero(top[ball.faces].sum(axis=1) == 2)[0])
    start = next(i for i in range(3) if top[ball.faces[face, [i, (i + 1) % 3]]].all())
    faces = ball.faces.copy()
    faces[face] = np.roll(faces[face], -start)
    flat = split(Mesh(ball.vertices, faces), face, 0.5)
    out, count = unfold_flat(flat)
    assert count == 1 and np.array_equal(out, flat.faces[:-1])


@pytest.mark.parametrize("at", [(0.5,), (0.3, 0.6, 0.9)])
def test_a_vertex_on_its_neighbours_open_edge_is_taken_into_it_and_nothing_moves(ball, at):
    cracked = ball
    for part in at:
        cracked = split(cracked, 400, part)
        cracked = Mesh(cracked.vertices, cracked.faces[:-1])  # without the flat face: a crack
    out, steps = close_cracks(cracked)
    assert unsound(out) == []
    assert out.vertices is cracked.vertices
    assert steps[0].count == len(at)


def test_cracks_that_meet_in_a_vertex_are_closed_too(ball):
    vertex = int(ball.faces[400, 0])
    cracked = ball
    for _ in range(3):
        face = next(
            i
            for i, corners in enumerate(cracked.faces.tolist())
            if vertex in corners and max(corners) < len(ball.vertices)
        )
        start = cracked.faces[face].tolist().index(vertex)
        faces = cracked.faces.copy()
        faces[face] = np.roll(faces[face], -start)
        cracked = split(Mesh(cracked.vertices, faces), face, 0.4)
        cracked = Mesh(cracked.vertices, cracked.faces[:-1])
    out, steps = close_cracks(cracked)
    assert unsound(out) == [] and steps[0].count == 3


def test_open_edges_that_only_come_near_are_left(ball):
    out, steps = close_cracks(ball)
    assert out is ball and steps == []


def test_vertices_that_are_not_numbers_are_refused_if_a_face_uses_them(ball):
    v = ball.vertices.copy()
    v[17] = np.nan
    with pytest.raises(MeshError) as caught:
        check_numbers(Mesh(v, ball.faces))
    assert "1 such vertices, the first is number 17" in str(caught.value)
    unused = Mesh(np.vstack([ball.vertices, [np.inf, 0.0, 0.0]]), ball.faces)
    assert np.array_equal(check_numbers(unused).vertices, ball.vertices)


def test_a_scan_without_faces_is_refused():
    with pytest.raises(MeshError, match="no faces"):
        check_numbers(Mesh(np.zeros((3, 3)), np.zeros((0, 3), dtype=np.int64)))


@pytest.mark.parametrize(("scale", "text"), [(0.1, "19 mm long"), (10.0, "1.9 m long"), (0.001, "0.19 mm long")])
def test_a_size_that_no_limb_has_is_refused_with_the_units(ball, scale, text):
    mesh = ball.with_vertices(ball.vertices * scale)
    with pytest.raises(MeshError, match="units") as caught:
        check_size(mesh)
    assert "60 to 900 mm" in str(caught.value)
    assert text in str(caught.value)


def test_the_bounds_of_size_are_the_limbs_own(ball):
    longest = float(np.ptp(ball.vertices, axis=0).max())
    check_size(ball.with_vertices(ball.vertices * (60.001 / longest)))
    check_size(ball.with_vertices(ball.vertices * (899.999 / longest)))
    with pytest.raises(MeshError):
        check_size(ball.with_vertices(ball.vertices * (59.999 / longest)))
    with pytest.raises(MeshError):
        check_size(ball.with_vertices(ball.vertices * (900.001 / longest)))
