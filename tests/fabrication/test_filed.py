"""A surface with the numbers of its file, and every fault that is found in one."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.errors import RectifyError
from rectify.fabrication.filed import check_sound, faults_of, filed
from rectify.geometry.mesh import Mesh
from rectify.synthetic.shapes import sphere


def test_a_sound_surface_keeps_its_faces_and_takes_the_numbers_of_a_file() -> None:
    ball = sphere(50.0, 6.0)
    made = filed(ball)
    assert np.array_equal(made.faces, ball.faces)
    assert np.array_equal(made.vertices, ball.vertices.astype(np.float32).astype(float))
    assert faults_of(made) == [] and check_sound(made, "ball") is None


def test_vertices_that_a_file_cannot_tell_apart_are_one_and_their_faces_go() -> None:
    ball = sphere(50.0, 6.0)
    ball = ball.with_vertices(ball.vertices + np.array([70.0, 80.0, 90.0]))  # float32 is at its finest near 0
    a, b, _ = ball.faces[0]
    new = len(ball.vertices)
    faces = []
    for face in ball.faces.tolist():  # both faces at the edge from a to b are divided a hair from a
        if a in face and b in face:
            faces += [[new if i == a else i for i in face], [new if i == b else i for i in face]]
        else:
            faces.append(face)
    hair = ball.vertices[a] + 1e-9 * (ball.vertices[b] - ball.vertices[a])
    mesh = Mesh(np.concatenate([ball.vertices, hair[None]]), np.array(faces))
    assert faults_of(mesh) == [] and len(mesh.faces) == len(ball.faces) + 2
    made = filed(mesh)
    assert len(made.faces) == len(ball.faces) and len(made.vertices) == len(ball.vertices)
    assert faults_of(made) == []


def test_every_fault_is_named() -> None:
    ball = sphere(50.0, 8.0)
    v, f = ball.vertices, ball.faces
    assert "3 open and 0 crowded edges" in faults_of(Mesh(v, f[1:]))[0]
    turned = f.copy()
    turned[3] = turned[3][::-1]
    assert "3 edges with faces turned against each other" in faults_of(Mesh(v, turned))[0]
    assert any("1 faces twice" in fault for fault in faults_of(Mesh(v, np.concatenate([f, f[:1]]))))
    two = Mesh(np.concatenate([v, v + 200.0]), np.concatenate([f, f + len(v)]))
    assert faults_of(two) == ["2 bodies"]
    assert faults_of(Mesh(v, f[:, ::-1])) == ["inside out"]
    pushed = v.copy()
    pushed[int(np.argmax(v[:, 2]))] -= [0.0, 0.0, 130.0]
    (fault,) = faults_of(Mesh(pushed, f))
    assert "faces that pass through others, the first at level " in fault
    with pytest.raises(RectifyError, match="no sound test body was found") as caught:
        check_sound(two, "test body")
    assert caught.value.found == "2 bodies" and caught.value.exit_code == 1
