"""One sheet out of many: flaps, pinches, stray pieces, the skin twice, sides."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.capture.crowds import clear_crowds
from rectify.capture.sheets import agree_sides, keep_limb, unpinch
from rectify.errors import MeshError
from rectify.geometry.mesh import Mesh
from rectify.geometry.normals import face_areas, vertex_normals
from rectify.synthetic import capsule
from rectify.synthetic.scanned import disc
from tests.capture.verdict import unsound


@pytest.fixture(scope="module")
def ball() -> Mesh:
    return capsule(50.0, 100.0, 6.0, 40.0)


def beside(mesh, piece):
    """Another piece in the same scan."""
    return Mesh(
        np.concatenate([mesh.vertices, piece.vertices]), np.concatenate([mesh.faces, piece.faces + len(mesh.vertices)])
    )


def area(mesh):
    return float(face_areas(mesh.vertices, mesh.faces).sum())


def sheet(mesh, share, offset):
    """The lower part of the skin again, so far off."""
    z = mesh.vertices[mesh.faces].mean(axis=1)[:, 2]
    faces = mesh.faces[z < np.quantile(z, share)]
    return Mesh(mesh.vertices + offset * vertex_normals(mesh), faces)


def test_stray_pieces_go_and_are_counted_with_their_area(ball):
    up = np.array([0.0, 0.0, 1.0])
    scan = beside(ball, disc(np.array([90.0, 0, 0]), up, 10.0, 3.0))
    scan = beside(scan, disc(np.array([0, 300.0, 0]), up, 4.0, 2.0))
    out, steps = keep_limb(scan)
    assert np.array_equal(out.vertices, ball.vertices) and np.array_equal(out.faces, ball.faces)
    assert steps[0].count == 2
    # mm²; the discs are polygons of 21 and 13 sides
    assert steps[0].area_mm2 == pytest.approx(np.pi * 116.0, rel=0.03)


def test_a_part_of_the_skin_captured_again_goes_and_is_to_be_looked_at(ball):
    out, steps = keep_limb(beside(ball, sheet(ball, 0.3, 1.5)))
    assert np.array_equal(out.faces, ball.faces)
    assert [step.code for step in steps] == ["second-sheet-dropped"] and steps[0].look
    assert "1.5 mm off" in steps[0].message


@pytest.mark.parametrize("offset", [0.5, 2.0, -1.0])
def test_most_of_the_skin_captured_again_is_refused(ball, offset):
    with pytest.raises(MeshError, match="twice") as caught:
        keep_limb(beside(ball, sheet(ball, 0.8, offset)))
    assert f"{abs(offset):.1f} mm off" in str(caught.value)


def test_another_body_as_large_as_a_limb_is_refused_with_its_share_and_place(ball):
    with pytest.raises(MeshError, match="two bodies") as caught:
        keep_limb(beside(ball, Mesh(ball.vertices * 0.6 + np.array([200.0, 0.0, 0.0]), ball.faces)))
    assert "36% of the limb's area, near (200," in str(caught.value)


def test_a_stray_piece_may_be_a_fifth_of_the_limb_and_no_more(ball):
    up = np.array([0.0, 0.0, 1.0])

    def scan(share):
        return beside(ball, disc(np.array([0.0, 0, -250.0]), up, float(np.sqrt(share * area(ball) / np.pi)), 4.0))

    assert np.array_equal(keep_limb(scan(0.19))[0].faces, ball.faces)
    with pytest.raises(MeshError, match="two bodies"):
        keep_limb(scan(0.21))


def test_a_flap_on_an_edge_goes_without_leaving_a_hole(ball):
    a, b, _ = ball.faces[300]
    n = len(ball.vertices)
    tip = ball.vertices[a] * 1.1
    scan = Mesh(np.vstack([ball.vertices, tip, tip + 3.0]), np.vstack([ball.faces, [[a, b, n], [n, b, n + 1]]]))
    out, steps = clear_crowds(scan)
    assert np.array_equal(out.vertices, ball.vertices) and np.array_equal(out.faces, ball.faces)
    assert steps[0].count == 2 and steps[0].look


def test_a_second_sheet_grown_on_all_round_is_the_one_that_stands_off(ball):
    # a bubble: the skin runs on below it, flush at its rim, and the bubble rises at a corner
    middle = ball.vertices[ball.faces].mean(axis=1)
    under = np.linalg.norm(middle - np.array([50.0, 0.0, -30.0]), axis=1) < 16.0
    faces = ball.faces[under]
    half = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    edges, counts = np.unique(half, axis=0, return_counts=True)
    inner = np.setdiff1d(faces, edges[counts == 1])
    index = np.arange(len(ball.vertices))
    index[inner] = len(ball.vertices) + np.arange(len(inner))
    # a face with all its corners on the rim would be told twice
    bubble = index[faces][(index[faces] != faces).any(axis=1)]
    points = ball.vertices[inner] + 2.5 * vertex_normals(ball)[inner]
    out, _ = clear_crowds(Mesh(np.vstack([ball.vertices, points]), np.vstack([ball.faces, bubble])))
    assert np.array_equal(np.unique(np.sort(out.faces, axis=1), axis=0), np.unique(np.sort(ball.faces, axis=1), axis=0))


def test_edges_crowded_beyond_telling_lose_their_faces(ball):
    # the same two triangles three times over, each with a vertex of its own: none carries the skin on
    a, b, _ = ball.faces[300]
    n = len(ball.vertices)
    tips = np.stack([ball.vertices[a] * (1.05 + 0.05 * i) for i in range(3)])
    fan = [[a, b, n + i] for i in range(3)] + [[n + i, b, n + (i + 1) % 3] for i in range(3)]
    out, _ = clear_crowds(Mesh(np.vstack([ball.vertices, tips]), np.vstack([ball.faces, fan])))
    assert unsound(keep_limb(out)[0]) == []


def test_where_parts_are_too_many_to_weigh_the_faces_at_crowded_edges_go(ball, monkeypatch):
    monkeypatch.setattr("rectify.capture.crowds._MOST_PARTS", 0)
    a, b, _ = ball.faces[300]
    scan = Mesh(
        np.vstack([ball.vertices, ball.vertices[a] * 1.1]), np.vstack([ball.faces, [[a, b, len(ball.vertices)]]])
    )
    out, steps = clear_crowds(scan)
    at_edge = np.isin(ball.faces, [a, b]).sum(axis=1) == 2
    assert len(out.faces) == len(ball.faces) - int(at_edge.sum())
    assert steps[0].count == int(at_edge.sum()) + 1


def test_a_mesh_without_crowds_is_the_same_object(ball):
    out, steps = clear_crowds(ball)
    assert out is ball and steps == []


def test_where_two_holes_touch_the_lesser_piece_is_cut_loose(ball):
    vertex = int(np.argmin(np.linalg.norm(ball.vertices - np.array([50.0, 0.0, -20.0]), axis=1)))
    about = np.flatnonzero((ball.faces == vertex).any(axis=1))
    middle = ball.vertices[ball.faces[about]].mean(axis=1) - ball.vertices[vertex]
    first = int(np.argmax(middle[:, 2]))
    other = int(np.argmin(middle @ middle[first]))
    scan = Mesh(ball.vertices, np.delete(ball.faces, about[[first, other]], axis=0))
    out, count = unpinch(scan)
    assert count == 1
    assert len(scan.faces) - len(out.faces) <= len(about) // 2
    border = np.concatenate([out.faces[:, [0, 1]], out.faces[:, [1, 2]], out.faces[:, [2, 0]]])
    edges, counts = np.unique(np.sort(border, axis=1), axis=0, return_counts=True)
    assert (np.bincount(edges[counts == 1].ravel()) <= 2).all()


def test_sides_are_agreed_by_turning_the_fewer(ball):
    faces = ball.faces.copy()
    turned = np.random.default_rng(3).random(len(faces)) < 0.2
    faces[turned] = faces[turned][:, ::-1]
    out, steps = agree_sides(Mesh(ball.vertices, faces))
    assert np.array_equal(np.sort(out.faces, axis=1), np.sort(ball.faces, axis=1))
    assert unsound(out) == []
    assert steps[0].count == int(turned.sum())


def test_a_surface_with_one_side_is_refused_with_a_place():
    # a strip with half a twist
    turn = np.arange(40) * 2 * np.pi / 40
    across = np.stack([np.cos(turn / 2) * np.cos(turn), np.cos(turn / 2) * np.sin(turn), np.sin(turn / 2)], axis=1)
    circle = 60.0 * np.stack([np.cos(turn), np.sin(turn), np.zeros(40)], axis=1)
    v = np.concatenate([circle + 15.0 * across, circle - 15.0 * across])
    i = np.arange(39)
    faces = np.concatenate([np.stack([i, i + 1, i + 40], axis=1), np.stack([i + 1, i + 41, i + 40], axis=1)])
    faces = np.concatenate([faces, [[39, 40, 79], [40, 0, 79]]])
    with pytest.raises(MeshError, match="only one side") as caught:
        agree_sides(Mesh(v, faces))
    assert "near (" in str(caught.value)
