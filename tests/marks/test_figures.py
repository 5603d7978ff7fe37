"""Circles, courses, clouds and samples against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from rectify.geometry.mesh import Mesh
from rectify.marks.circle import fit_circle
from rectify.marks.cloud import closest, components, linked, pairs_within
from rectify.marks.course import course_of
from rectify.marks.samples import sample_ink


@settings(deadline=None, max_examples=30)
@given(st.floats(5.0, 40.0), st.floats(200.0, 360.0), st.integers(0, 1000))
def test_a_circle_is_found_from_its_arc_in_any_pose(radius, arc, seed):
    turn = np.radians(np.linspace(0.0, arc, 160))
    pose, shift = Rotation.random(random_state=seed).as_matrix(), np.array([7.0, -3.0, 11.0])
    points = radius * np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1) @ pose.T + shift
    circle = fit_circle(points)
    assert circle is not None
    assert circle.radius == pytest.approx(radius, abs=1e-5) and np.abs(circle.centre - shift).max() < 1e-5
    missing = max(0.0, np.radians(360.0 - arc) * radius - 5.0)  # 2.5 mm from either side count as inked
    assert circle.coverage == pytest.approx(1.0 - missing / (2 * np.pi * radius), abs=0.02)


def test_a_straight_line_has_no_circle():
    assert fit_circle(np.linspace([0, 0, 0], [40, 1, 2], 80)) is None


@pytest.mark.parametrize("bend", [0.0, 1.0, 2.2])
def test_a_course_is_as_long_as_its_arc_and_keeps_to_it(bend):
    length = 80.0
    along = np.linspace(0, length, 400)
    turn = bend * along / length
    middle = (
        np.stack([along, 0 * along, 0 * along], axis=1)
        if bend == 0
        else length / bend * np.stack([np.sin(turn), 1 - np.cos(turn), 0 * turn], axis=1)
    )
    across = np.stack([-np.sin(turn), np.cos(turn), 0 * turn], axis=1)
    points = np.concatenate([middle + w * across for w in (-1.0, -0.5, 0.0, 0.5, 1.0)])
    course = course_of(points, np.ones(len(points)))
    assert course.length_mm == pytest.approx(length, abs=2.5)  # mm: its ends are one stroke's width across
    assert np.linalg.norm(course.points[:, None] - middle[None], axis=2).min(axis=1).max() < 0.6
    assert course.astray.max() < 2.2  # half a stroke and half a step


def test_a_course_passes_over_gaps():
    along = np.concatenate([np.linspace(a, a + 6, 30) for a in range(0, 70, 10)])
    points = np.stack([along, 0.3 * np.sin(along), 0 * along], axis=1)
    course = course_of(points, np.ones(len(points)))
    assert course.length_mm == pytest.approx(66.0, abs=1.0)


def test_groups_hang_together_by_single_steps_as_counted_the_slow_way():
    points = np.random.default_rng(3).uniform(0, 12, (120, 3))
    groups = linked(points, np.arange(0, 120, 2), 1.6)
    chosen = points[::2]
    near = np.linalg.norm(chosen[:, None] - chosen[None], axis=2) <= 1.6
    for _ in range(7):  # reach by 128 steps
        near = near @ near
    expected = {tuple(2 * np.flatnonzero(row)) for row in near}
    assert {tuple(np.sort(g)) for g in groups} == expected


def test_components_and_pairs_of_nothing():
    assert len(linked(np.zeros((0, 3)), np.zeros(0, dtype=np.int64), 1.0)) == 0
    assert components(3, np.zeros((0, 2), dtype=np.int64)).tolist() == [0, 1, 2]
    assert len(pairs_within(np.eye(3) * 50, 1.0)[0]) == 0
    assert np.isinf(closest(np.zeros((1, 3)), np.full((1, 3), 9.0), 2.0)[0]).all()


def test_samples_stand_for_the_area_of_the_faces_they_come_from():
    side = np.arange(0, 41, 2.0)
    x, y = np.meshgrid(side, side)
    points = np.stack([x.ravel(), y.ravel(), 0 * x.ravel()], axis=1)
    n = len(side)
    i = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)[None]).ravel()
    faces = np.concatenate([np.stack([i, i + 1, i + n], axis=1), np.stack([i + 1, i + n + 1, i + n], axis=1)])
    mesh = Mesh(points, faces.astype(np.int64))
    whole = sample_ink(mesh, np.ones(len(points)), 0.5)
    assert whole.areas.sum() == pytest.approx(1600.0)  # mm²
    assert np.allclose(whole.amount, 1.0) and np.allclose(np.abs(whole.normals[:, 2]), 1.0)
    ramp = points[:, 0] / 40.0
    half = sample_ink(mesh, ramp, 0.0)
    inner = (half.points[:, 0] > 3) & (half.points[:, 0] < 37)
    assert np.abs(half.amount - half.points[:, 0] / 40.0)[inner].max() < 0.01  # a mean of a ramp is the ramp
    assert len(sample_ink(mesh, np.zeros(len(points)), 0.5)) == 0
