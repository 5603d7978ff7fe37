"""Joining corners: against np.unique on whole rows, and with hashes made to collide."""

from __future__ import annotations

import importlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from rectify.geometry.mesh import Mesh

module = importlib.import_module("rectify.geometry.merge")  # the function of the same name would hide it

# few values, so that equal places are common; the two zeros and two neighbours that differ in the last bit
VALUES = st.sampled_from([0.0, -0.0, 1.0, float(np.nextafter(np.float32(1), np.float32(2))), -1.0, 3e-39])
CORNERS = st.one_of(
    *[
        arrays(kind, st.tuples(st.integers(0, 12), st.just(3), st.just(3)), elements=VALUES)
        for kind in (np.float32, np.float64)
    ]
)


def counted_slowly(corners):
    """Vertices in order of first appearance and each corner's vertex, one corner after the other."""
    place, number = {}, []
    for corner in (corners.reshape(-1, 3) + 0.0).tolist():
        number.append(place.setdefault(tuple(corner), len(place)))
    return np.array(list(place), dtype=float).reshape(-1, 3), np.array(number, dtype=int).reshape(-1, 3)


def assert_merged(mesh: Mesh, corners):
    vertices, faces = counted_slowly(corners)
    assert np.array_equal(mesh.vertices, vertices) and np.array_equal(mesh.faces, faces)
    assert not np.signbit(mesh.vertices[mesh.vertices == 0]).any()
    assert (mesh.vertices.dtype, mesh.faces.dtype) == (np.float64, np.int64)


@given(CORNERS)
def test_corners_join_when_equal_bit_for_bit_and_only_then(corners):
    mesh = module.merge(corners)
    assert_merged(mesh, corners)
    assert np.array_equal(mesh.vertices[mesh.faces], corners)  # nothing moved, nothing was dropped
    assert len(mesh.vertices) == len(np.unique(corners.reshape(-1, 3) + 0.0, axis=0))


@given(CORNERS, st.integers(0, 3))
def test_colliding_hashes_change_nothing(corners, spread):
    honest = module._hash
    try:  # `spread` different hashes only, in the leading bits that count
        module._hash = lambda words: (honest(words) % np.uint64(spread + 1)) << np.uint64(60)
        assert_merged(module.merge(corners), corners)
    finally:
        module._hash = honest


def test_a_collision_is_seen_and_the_slow_way_is_taken(monkeypatch):
    taken = []
    slow = module._leaders_slowly
    monkeypatch.setattr(module, "_hash", lambda words: np.zeros(len(words), np.uint64))
    monkeypatch.setattr(module, "_leaders_slowly", lambda words: taken.append(len(words)) or slow(words))
    corners = np.random.default_rng(0).integers(0, 3, (50, 3, 3)).astype(np.float32)
    assert_merged(module.merge(corners), corners)
    assert taken == [150]


def test_honest_hashes_do_not_take_the_slow_way(monkeypatch):
    monkeypatch.setattr(module, "_leaders_slowly", lambda _: pytest.fail("collision"))
    grid = np.stack(np.meshgrid(*[np.arange(30.0)] * 3), axis=-1).reshape(-1, 3, 3)
    assert len(module.merge(grid.astype(np.float32)).vertices) == 30**3


def test_minus_zero_is_zero():
    corners = np.array([[[0.0, 0, 0], [1, 0, 0], [0, 1, 0]], [[-0.0, -0.0, 0], [0, 1, -0.0], [1, 1, 0]]])
    assert module.merge(corners).faces.tolist() == [[0, 1, 2], [0, 2, 3]]


def test_neighbours_one_bit_apart_stay_apart():
    near = np.nextafter(np.float32(200), np.float32(300))
    corners = np.array([[[200, 0, 0], [near, 0, 0], [0, 1, 0]]], dtype=np.float32)
    assert len(module.merge(corners).vertices) == 3


def test_a_face_that_loses_its_area_stays():
    corners = np.array([[[0.0, 0, 0], [0, 0, 0], [0, 1, 0]]])
    assert module.merge(corners).faces.tolist() == [[0, 0, 1]]


def test_the_corners_given_are_left_as_they_are():
    corners = np.array([[[-0.0, 0, 0], [1, 0, 0], [0, 1, 0]]])
    module.merge(corners)
    assert np.signbit(corners[0, 0, 0])


def test_no_corners_give_an_empty_mesh():
    mesh = module.merge(np.empty((0, 3, 3), dtype=np.float32))
    assert mesh.vertices.shape == (0, 3) and mesh.faces.shape == (0, 3)


@pytest.mark.parametrize("shape", [(4, 3), (4, 3, 2), (4, 4, 3)])
def test_other_shapes_are_refused(shape):
    with pytest.raises(ValueError, match=r"must be \(m, 3, 3\)"):
        module.merge(np.zeros(shape))


def test_whole_numbers_are_refused():
    with pytest.raises(ValueError, match="float32 or float64, not int64"):
        module.merge(np.zeros((1, 3, 3), dtype=np.int64))


def test_join_keeps_the_first_colour_of_a_place():
    points = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0]])
    colours = (np.arange(18).reshape(6, 3) * 10).astype(np.uint8)
    mesh = module.join(Mesh(points, np.array([[0, 1, 2], [3, 5, 4]]), colours))
    assert mesh.faces.tolist() == [[0, 1, 2], [1, 3, 2]]
    assert np.array_equal(mesh.vertices, points[[0, 1, 2, 5]])
    assert np.array_equal(mesh.colours, colours[[0, 1, 2, 5]])
