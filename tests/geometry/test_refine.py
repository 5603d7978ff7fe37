"""Finer where it is wanted, and the surface stays where it is."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.geometry.edges import survey
from rectify.geometry.mesh import Mesh
from rectify.geometry.nearest import nearest
from rectify.geometry.normals import face_areas
from rectify.geometry.refine import refine
from rectify.geometry.volume import volume
from rectify.synthetic.shapes import sphere


def edge_lengths(mesh: Mesh) -> np.ndarray:
    f = mesh.faces
    both = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])
    return np.linalg.norm(mesh.vertices[both[:, 0]] - mesh.vertices[both[:, 1]], axis=1)


def test_a_refined_sphere_is_the_same_closed_body_with_short_edges() -> None:
    ball = sphere(50.0, 8.0)
    fine = refine(ball, lambda middles, _: np.full(len(middles), True), 2.0)
    assert edge_lengths(fine).max() <= 2.0 < edge_lengths(ball).max()
    assert survey(fine).watertight and survey(fine).euler == 2
    # only rounding is between them: midpoints of edges lie on the faces
    assert volume(fine) == pytest.approx(volume(ball), rel=1e-12)
    assert face_areas(fine.vertices, fine.faces).sum() == pytest.approx(
        face_areas(ball.vertices, ball.faces).sum(), rel=1e-12
    )
    assert nearest(fine.vertices, ball.vertices, ball.faces)[0].max() < 1e-9  # mm
    assert np.array_equal(fine.vertices[: len(ball.vertices)], ball.vertices)


def test_only_what_is_near_is_divided_and_the_rest_keeps_its_faces() -> None:
    ball = sphere(50.0, 8.0)
    fine = refine(ball, lambda middles, lengths: middles[:, 2] > 40.0 - lengths, 2.0)
    low = (ball.vertices[ball.faces][:, :, 2] < 20.0).all(axis=1)
    have = {tuple(face) for face in fine.faces.tolist()}
    assert all(tuple(face) in have for face in ball.faces[low].tolist())
    assert survey(fine).watertight
    high = (fine.vertices[fine.faces][:, :, 2] > 42.0).all(axis=1)
    assert edge_lengths(Mesh(fine.vertices, fine.faces[high])).max() <= 2.0


@pytest.mark.parametrize("long", [(0,), (1,), (2,), (0, 1), (1, 2), (0, 2), (0, 1, 2)])
def test_a_face_is_divided_alike_whichever_of_its_edges_are_long(long: tuple[int, ...]) -> None:
    corners = np.array([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [4.0, 7.0, 0.0]])
    middles = (corners + np.roll(corners, -1, axis=0)) / 2
    wanted = middles[list(long)]

    def near(places: np.ndarray, _: np.ndarray) -> np.ndarray:
        return np.array([bool((np.abs(wanted - place).max(axis=1) < 1e-9).any()) for place in places])

    fine = refine(Mesh(corners, np.array([[0, 1, 2]])), near, 1.0)
    assert len(fine.faces) == 1 + len(long) and len(fine.vertices) == 3 + len(long)
    cross = np.cross(*(fine.vertices[fine.faces[:, i]] - fine.vertices[fine.faces[:, 0]] for i in (1, 2)))[:, 2]
    assert (cross > 0).all() and cross.sum() == pytest.approx(70.0)  # twice the area, mm²
