"""Rigid motions against rotations made by another library and against themselves."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from rectify.errors import MeshError
from rectify.geometry.rigid import carried, fit_points, inverse, largest_shift, rotation, small_motion, turn_deg


def motion(seed: int) -> np.ndarray:
    frame = np.eye(4)
    frame[:3, :3] = Rotation.random(random_state=seed).as_matrix()
    frame[:3, 3] = np.random.default_rng(seed).uniform(-300, 300, 3)
    return frame


CLOUD = np.random.default_rng(7).normal(size=(12, 3)) * 60.0


@pytest.mark.parametrize("seed", range(5))
def test_a_known_motion_of_points_is_found(seed: int) -> None:
    frame = motion(seed)
    found = fit_points(CLOUD, carried(CLOUD, frame))
    assert np.allclose(found, frame, atol=1e-10)  # rounding of lengths of 300 mm


@pytest.mark.parametrize("seed", range(3))
def test_the_way_back_undoes_a_motion(seed: int) -> None:
    frame = motion(seed)
    assert np.allclose(inverse(frame) @ frame, np.eye(4), atol=1e-12)
    assert largest_shift(inverse(frame) @ frame, np.eye(4), CLOUD) < 1e-10


def test_a_mirror_image_is_never_the_answer_unless_it_is_asked_for() -> None:
    mirrored = CLOUD * np.array([-1.0, 1.0, 1.0])
    assert np.linalg.det(fit_points(CLOUD, mirrored)[:3, :3]) == pytest.approx(1.0)
    asked = fit_points(CLOUD, mirrored, mirror=True)
    assert np.linalg.det(asked[:3, :3]) == pytest.approx(-1.0)
    assert np.allclose(carried(CLOUD, asked), mirrored, atol=1e-10)


def test_noise_on_the_points_is_averaged() -> None:
    # the error of a least-squares shift of n points with noise s is s / sqrt(n) a direction
    noisy = carried(CLOUD, motion(1)) + np.random.default_rng(2).normal(0.0, 0.1, CLOUD.shape)
    found = fit_points(CLOUD, noisy)
    assert largest_shift(found, motion(1), CLOUD.mean(axis=0)[None]) < 4 * 0.1 * np.sqrt(3 / len(CLOUD))


@pytest.mark.parametrize(
    ("points", "found"),
    [
        (CLOUD[:2], "2 points"),
        (np.outer(np.arange(5.0) * 40, [1.0, 2.0, 3.0]), "within 0.0 mm of a line"),
    ],
)
def test_points_that_fix_no_motion_are_refused(points: np.ndarray, found: str) -> None:
    with pytest.raises(MeshError, match="the points fix no position") as error:
        fit_points(points, points)
    assert found in str(error.value)


@pytest.mark.parametrize("degrees", [0.0, 1e-4, 12.5, 90.0, 179.0])
def test_the_turn_of_a_motion_is_told_in_degrees(degrees: float) -> None:
    frame = np.eye(4)
    frame[:3, :3] = Rotation.from_rotvec(np.radians(degrees) * np.array([0.6, 0.0, 0.8])).as_matrix()
    assert turn_deg(frame) == pytest.approx(degrees, abs=1e-9)


def test_a_small_motion_turns_about_its_point() -> None:
    about = np.array([10.0, -20.0, 30.0])
    frame = small_motion(np.array([0.0, 0.0, 0.1]), np.array([1.0, 2.0, 3.0]), about)
    assert np.allclose(carried(about[None], frame)[0], about + np.array([1.0, 2.0, 3.0]))
    assert np.allclose(frame[:3, :3], rotation(np.array([0.0, 0.0, 0.1])))
    assert turn_deg(frame) == pytest.approx(np.degrees(0.1))
