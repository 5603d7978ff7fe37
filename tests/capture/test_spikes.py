"""Spikes and faces that pass through others: taken out, and nothing that is the limb's."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.capture.spikes import clear_crossings, drop_spikes, without_faces
from rectify.errors import MeshError
from rectify.geometry.crossings import crossing_faces
from rectify.geometry.mesh import Mesh
from rectify.geometry.normals import vertex_normals
from rectify.synthetic import Transtibial, capsule, transtibial


@pytest.fixture(scope="module")
def ball() -> Mesh:
    return capsule(50.0, 100.0, 5.0, 40.0)


def near(mesh, point):
    return int(np.argmin(np.linalg.norm(mesh.vertices - np.array(point), axis=1)))


def moved(mesh, vertices, by):
    v = mesh.vertices.copy()
    v[vertices] += by
    return mesh.with_vertices(v)


def neighbours(mesh, vertex):
    return np.setdiff1d(mesh.faces[(mesh.faces == vertex).any(axis=1)], [vertex])


@pytest.mark.parametrize("height", [12.0, 40.0, -30.0])
def test_one_vertex_far_out_is_a_spike_and_only_its_faces_go(ball, height):
    tip = near(ball, [50.0, 0.0, -20.0])
    out, steps = drop_spikes(moved(ball, tip, height * vertex_normals(ball)[tip]))
    left = np.delete(np.arange(len(ball.vertices)), tip)
    assert np.array_equal(out.vertices, ball.vertices[left])
    assert len(out.faces) == len(ball.faces) - int((ball.faces == tip).any(axis=1).sum())
    assert steps[0].count == 1
    assert np.array(steps[0].place) == pytest.approx(ball.vertices[tip] + height * vertex_normals(ball)[tip])


@pytest.mark.parametrize("count", [2, 3])
def test_two_or_three_tips_side_by_side_are_one_spike(ball, count):
    tip = near(ball, [0.0, 50.0, -40.0])
    beside = neighbours(ball, tip)
    tips = [tip, int(beside[0])]
    if count == 3:
        tips.append(int(np.intersect1d(neighbours(ball, tip), neighbours(ball, tips[1]))[0]))
    out, steps = drop_spikes(moved(ball, tips, np.array([0.0, 60.0, 0.0])))
    assert steps[0].count == count
    assert out.vertices[:, 1].max() < 50.1


@pytest.mark.parametrize("noise", [0.2, 0.4])
def test_noise_is_no_spike(noise):
    mesh = capsule(50.0, 60.0, 1.0, 10.0)
    rng = np.random.default_rng(4)
    shifted = mesh.vertices + noise * rng.standard_normal((len(mesh.vertices), 1)) * vertex_normals(mesh)
    out, steps = drop_spikes(mesh.with_vertices(shifted))
    assert steps == [] and len(out.faces) == len(mesh.faces)


@pytest.mark.parametrize("edge", [2.5, 7.0])
def test_the_boniest_limb_has_no_spike(edge):
    bony = {"crest": 1.5, "tubercle": 1.5, "fibular_head": 1.5, "distal_tibia": 1.5, "scar": 1.5}
    assert drop_spikes(transtibial(Transtibial(**bony, end="redundant", edge_mm=edge)).mesh)[1] == []


def test_a_narrow_tip_on_the_open_edge_is_a_spike_too(ball):
    top = int(np.flatnonzero(ball.vertices[:, 2] > 39.9)[0])
    n = len(ball.vertices)
    inner = next(int(x) for x in neighbours(ball, top) if ball.vertices[x, 2] > 39.9)
    scan = Mesh(
        np.vstack([ball.vertices, ball.vertices[top] + np.array([0.0, 0.0, 45.0])]),
        np.vstack([ball.faces, [[top, inner, n]]]),
    )
    out, steps = drop_spikes(scan)
    assert np.array_equal(out.faces, ball.faces) and steps[0].count == 1


def test_faces_that_pass_through_others_go_and_no_crossing_is_left(ball):
    # a lump of many vertices pushed through the other side: no spike, but it crosses
    lump = np.flatnonzero(np.linalg.norm(ball.vertices - np.array([50.0, 0.0, -30.0]), axis=1) < 7.0)
    scan = moved(ball, lump, np.array([-104.0, 0.0, 0.0]))
    assert len(crossing_faces(scan)) > 4
    out, steps = clear_crossings(scan)
    assert len(crossing_faces(out)) == 0
    assert steps[0].count == len(scan.faces) - len(out.faces)
    assert steps[0].count < 0.03 * len(scan.faces)


def test_a_surface_that_passes_through_itself_all_over_is_refused(ball):
    half = ball.vertices[:, 2] < -60.0
    with pytest.raises(MeshError, match="passes through itself") as caught:
        clear_crossings(moved(ball, half, np.array([0.0, 70.0, 60.0])))
    assert "about (" in str(caught.value)


def test_a_surface_without_crossings_is_the_same_object(ball):
    out, steps = clear_crossings(ball)
    assert out is ball and steps == []


def test_taking_all_faces_out_is_refused(ball):
    with pytest.raises(MeshError, match="nothing of the surface is left"):
        without_faces(ball, np.arange(len(ball.faces)))
