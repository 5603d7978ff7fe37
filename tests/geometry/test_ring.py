"""Closed curves against circles, and the two sides of one on a body."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.errors import MeshError
from rectify.geometry.mesh import Mesh
from rectify.geometry.refine import refine
from rectify.geometry.ring import Ring, evenly, side_of, smoothed_ring
from rectify.synthetic.shapes import sphere
from tests.fabrication.bodies import circle


def test_distances_from_a_circle_are_those_of_the_closed_form() -> None:
    ring = Ring(circle(50.0, 10.0))
    places = np.random.default_rng(1).uniform(-90.0, 90.0, (400, 3))
    far, foot, way = ring.closest(places)
    across = np.hypot(places[:, 0], places[:, 1]) - 50.0
    # a chord of 1 mm lies 1²/(8 · 50) = 0.0025 mm inside the circle
    assert far == pytest.approx(np.hypot(across, places[:, 2] - 10.0), abs=0.003)
    assert foot[:, 2] == pytest.approx(10.0) and np.hypot(foot[:, 0], foot[:, 1]) == pytest.approx(50.0, abs=0.003)
    assert np.linalg.norm(way, axis=1) == pytest.approx(1.0)
    assert ring.length_mm == pytest.approx(2 * np.pi * 50.0, rel=1e-4)


def test_what_lies_within_reach_is_never_missed() -> None:
    ring = Ring(circle(50.0, 0.0))
    places = np.random.default_rng(2).uniform(-60.0, 60.0, (500, 3))
    assert ring.within(places, 7.0)[ring.closest(places)[0] <= 7.0].all()
    assert not ring.within(np.array([[0.0, 0.0, 0.0]]), 7.0).any()


def test_an_evenly_spaced_ring_keeps_its_length_and_first_point() -> None:
    square = np.array([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [10.0, 10.0, 0.0], [0.0, 10.0, 0.0]])
    ring = evenly(square, 1.0)
    assert len(ring) == 40 and ring[0].tolist() == [0.0, 0.0, 0.0]
    assert np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1) == pytest.approx(1.0)


def test_smoothing_a_circle_shrinks_it_by_what_a_gaussian_takes() -> None:
    points = circle(50.0, 0.0)
    # a Gaussian of s mm takes exp(-(s/r)²/2) of the first harmonic
    assert np.hypot(*smoothed_ring(points, points, 5.0)[:, :2].T) == pytest.approx(50.0 * np.exp(-0.005), abs=0.01)


def test_a_circle_round_a_ball_has_a_side_below_and_one_above() -> None:
    ring = Ring(circle(40.0, 30.0))
    ball = refine(sphere(50.0, 4.0), lambda middles, lengths: ring.within(middles, 5.0 + lengths), 1.2)
    side = side_of(ball, ring, int(np.argmin(ball.vertices[:, 2])), 2.5)
    far = ring.closest(ball.vertices)[0]
    clear = far > 0.05  # mm: chords of the ball and of the circle lie apart
    assert np.array_equal(side[clear] > 0, ball.vertices[clear, 2] < 30.0)
    assert np.abs(side) == pytest.approx(far)
    other = side_of(ball, ring, int(np.argmax(ball.vertices[:, 2])), 2.5)
    assert other[clear] == pytest.approx(-side[clear])


def test_a_curve_that_closes_beside_the_body_divides_nothing() -> None:
    ball = sphere(50.0, 4.0)
    beside = circle(20.0, 0.0)[:, [2, 0, 1]] + [80.0, 0.0, 0.0]
    with pytest.raises(MeshError, match="does not divide the surface in two"):
        side_of(ball, Ring(beside), 0, 2.5)


def test_a_body_in_two_pieces_is_not_divided_by_a_ring_round_one() -> None:
    ball = sphere(50.0, 4.0)
    both = Mesh(
        np.concatenate([ball.vertices, ball.vertices + np.array([200.0, 0.0, 0.0])]),
        np.concatenate([ball.faces, ball.faces + len(ball.vertices)]),
    )
    ring = Ring(circle(40.0, 30.0))
    both = refine(both, lambda middles, lengths: ring.within(middles, 5.0 + lengths), 1.2)
    side = side_of(both, ring, int(np.argmin(np.linalg.norm(both.vertices - [0.0, 0.0, -50.0], axis=1))), 2.5)
    near = both.vertices[:, 0] < 100.0
    assert (side[near & (both.vertices[:, 2] < 29.0)] > 0).all()
