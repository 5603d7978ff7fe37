"""Surfaces cut along the zero line of a field: areas by closed form, clean cuts, what stays keeps its bits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rectify.geometry.clip import clip, without_unused
from rectify.geometry.mesh import Mesh
from rectify.synthetic import capsule, mirrored
from tests.capture.verdict import unsound
from tests.made import MIRROR


@pytest.fixture(scope="module")
def ball() -> Mesh:
    return capsule(50.0, 100.0, 4.0, 50.0)


def area(mesh):
    a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def rim(mesh):
    f = mesh.faces
    half = np.sort(np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]]), axis=1)
    edges, counts = np.unique(half, axis=0, return_counts=True)
    return edges[counts == 1]


def test_a_plane_through_one_triangle():
    mesh = Mesh(np.array([[0.0, 0, 0], [4, 0, 0], [0, 4, 0]]), np.array([[0, 1, 2]]))
    below, was = clip(mesh, 1.0 - mesh.vertices[:, 1])
    # of a triangle of legs 4, the part below y = 1: 8 - 9 / 2
    assert area(below) == pytest.approx(3.5) and len(below.faces) == 2
    assert was.tolist() == [0, 1, -1, -1]
    above, _ = clip(mesh, mesh.vertices[:, 1] - 1.0)
    assert area(above) == pytest.approx(4.5) and len(above.faces) == 1


@pytest.mark.parametrize("level", [-90.0, -33.3, 0.0, 21.7])
def test_the_two_parts_make_the_whole(ball, level):
    height = ball.vertices[:, 2] - level
    low, high = clip(ball, -height)[0], clip(ball, height)[0]
    assert area(low) + area(high) == pytest.approx(area(ball), rel=1e-3)  # vertices near the line are taken to be on it
    assert unsound(low) == []
    wall = 2 * np.pi * 50.0 * (50.0 - level)
    assert area(high) == pytest.approx(wall, rel=3e-3)  # chords, and the same


@settings(max_examples=25, deadline=None)
@given(
    st.tuples(*[st.floats(-1.0, 1.0)] * 3).filter(lambda n: sum(x * x for x in n) > 0.1),
    st.floats(-40.0, 40.0),
)
def test_any_plane_leaves_clean_parts(normal, at):
    mesh = capsule(50.0, 60.0, 6.0, 30.0)
    unit = np.array(normal) / np.linalg.norm(normal)
    height = (mesh.vertices + np.array([0.0, 0.0, 30.0])) @ unit - at
    out, was = clip(mesh, height)
    if not len(out.faces):
        return
    half = np.concatenate([out.faces[:, [0, 1]], out.faces[:, [1, 2]], out.faces[:, [2, 0]]])
    assert len(np.unique(half, axis=0)) == len(half)  # sides agree, at most two faces at an edge
    length = np.linalg.norm(out.vertices[half[:, 0]] - out.vertices[half[:, 1]], axis=1)
    assert length.min() > 0.2  # mm, of 6: no slivers
    kept = was >= 0
    assert np.array_equal(out.vertices[kept], mesh.vertices[was[kept]])
    left = (out.vertices + np.array([0.0, 0.0, 30.0])) @ unit - at
    longest = np.linalg.norm(mesh.vertices[mesh.faces[:, 0]] - mesh.vertices[mesh.faces[:, 1]], axis=1).max()
    assert left.min() > -0.09 * longest  # mm; a vertex within 8 % of an edge of the line is on it
    assert np.abs(left[~kept]).max(initial=0.0) < 1e-9  # new ones lie on the line


def test_the_cut_is_one_ring_on_the_plane(ball):
    out, was = clip(ball, 10.0 - ball.vertices[:, 2])
    edges = rim(out)
    ring = np.unique(edges)
    assert len(ring) == len(edges)
    assert np.abs(out.vertices[ring, 2] - 10.0).max() < 0.08 * 4.5
    assert (was[ring] == -1).mean() > 0.5


def test_nothing_on_the_wrong_side_is_the_same_surface(ball):
    out, was = clip(ball, ball.vertices[:, 2] + 1000.0)
    assert np.array_equal(out.vertices, ball.vertices) and np.array_equal(out.faces, ball.faces)
    assert np.array_equal(was, np.arange(len(ball.vertices)))
    assert len(clip(ball, ball.vertices[:, 2] - 1000.0)[0].faces) == 0


def test_colours_of_new_vertices_are_of_the_nearer_end():
    mesh = Mesh(
        np.array([[0.0, 0, 0], [4, 0, 0], [0, 4, 0]]),
        np.array([[0, 1, 2]]),
        np.array([[10, 0, 0], [20, 0, 0], [30, 0, 0]], dtype=np.uint8),
    )
    out, was = clip(mesh, 1.0 - mesh.vertices[:, 1])
    assert out.colours[was == -1][:, 0].tolist() == [10, 20]


def test_a_mirrored_surface_is_cut_as_its_mirror(ball):
    field = 10.0 - ball.vertices[:, 2] + 0.3 * ball.vertices[:, 0]
    one, two = clip(ball, field)[0], clip(mirrored(ball), field)[0]
    assert np.array_equal(two.vertices * MIRROR, one.vertices)
    triangles = [{tuple(f) for f in np.sort(mesh.faces, axis=1).tolist()} for mesh in (one, two)]
    assert triangles[0] == triangles[1]


def test_unused_vertices_go_and_the_rest_keep_their_order():
    mesh = Mesh(np.arange(15.0).reshape(5, 3), np.array([[4, 0, 2]]))
    out, was = without_unused(mesh)
    assert was.tolist() == [0, 2, 4]
    assert np.array_equal(out.vertices[out.faces], mesh.vertices[mesh.faces])
    assert without_unused(mesh, old=3)[1].tolist() == [0, 2, -1]
