"""Vertices whose faces fall into several fans."""

from __future__ import annotations

import numpy as np

from rectify.geometry.fans import lesser_fans
from rectify.synthetic import capsule


def plainly(faces):
    """Vertices with more than one fan, by walking from face to face at each."""
    out = []
    for vertex in np.unique(faces):
        left = [set(face) - {vertex} for face in faces[(faces == vertex).any(axis=1)].tolist()]
        fan = left.pop()
        while True:
            more = [pair for pair in left if pair & fan]
            if not more:
                break
            for pair in more:
                fan |= pair
                left.remove(pair)
        if left:
            out.append(int(vertex))
    return out


def test_a_sound_surface_has_one_fan_everywhere():
    faces = capsule(50.0, 60.0, 9.0, 30.0).faces
    vertices, gone = lesser_fans(faces)
    assert len(vertices) == 0 and len(gone) == 0


def test_random_holes_give_the_fans_that_walking_finds():
    mesh = capsule(50.0, 60.0, 9.0, 30.0)
    for seed in range(8):
        faces = mesh.faces[np.random.default_rng(seed).random(len(mesh.faces)) > 0.25]
        vertices, gone = lesser_fans(faces)
        assert vertices.tolist() == plainly(faces)
        assert len(vertices) > 3
        assert np.isin(faces[gone], vertices).any(axis=1).all()


def test_the_largest_fan_stays_and_of_equals_the_one_with_the_lower_face():
    # two fans about vertex 0: three faces, and two
    faces = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 5, 6], [0, 6, 7]])
    vertices, gone = lesser_fans(faces)
    assert vertices.tolist() == [0] and gone.tolist() == [3, 4]
    assert lesser_fans(faces[:, [0, 2, 1]])[1].tolist() == [3, 4]
    assert lesser_fans(faces[[0, 1, 3, 4]])[1].tolist() == [2, 3]
    assert lesser_fans(faces[[3, 4, 0, 1]])[1].tolist() == [2, 3]


def test_no_faces_no_fans():
    vertices, gone = lesser_fans(np.zeros((0, 3), dtype=np.int64))
    assert len(vertices) == 0 and len(gone) == 0
