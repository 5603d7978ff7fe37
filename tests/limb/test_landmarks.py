"""Landmarks carried onto the chart."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.limb.landmarks import RawLandmark, computed, on_chart, raw_landmarks
from rectify.limb.spot import Spot


def test_a_mark_off_the_skin_keeps_its_place_and_says_how_far_off_it_is(capsule_limb):
    mark = on_chart("mark-spur", RawLandmark(np.array([[0.0, 53.0, -40.0]])), capsule_limb.chart, np.eye(4))
    assert mark.points.tolist() == [[0.0, 53.0, -40.0]]
    assert (mark.level_mm, mark.angle_deg) == pytest.approx((40.0, 0.0), abs=1e-9)
    assert mark.off_surface_mm == pytest.approx(3.0, abs=0.05)  # mm; chords of 3 mm


def test_a_line_keeps_its_points_in_order_and_its_farthest_counts(capsule_limb):
    line = np.array([[0.0, 50.0, -10.0], [5.0, 49.75, -40.0], [0.0, 57.0, -70.0]])
    mark = on_chart("tibial-crest", RawLandmark(line), capsule_limb.chart, np.eye(4))
    assert [spot.station_mm for spot in mark.spots] == pytest.approx([10.0, 40.0, 70.0])
    assert mark.off_surface_mm == pytest.approx(7.0, abs=0.05)
    assert mark.level_mm == pytest.approx(10.0)  # a line's level is its first point's


def test_a_frame_is_applied_to_the_captures_own_axes(capsule_limb):
    frame = np.eye(4)
    frame[:3, :3] = [[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]
    frame[:3, 3] = [0.0, 0.0, -20.0]
    mark = on_chart("mark-scar", RawLandmark(np.array([[50.0, 0.0, 0.0]])), capsule_limb.chart, frame)
    assert mark.points[0] == pytest.approx([0.0, 50.0, -20.0])
    assert mark.spots[0].station_mm == pytest.approx(20.0)


def test_what_was_read_from_pencil_is_unsure_by_a_millimetre_and_what_a_person_gave_is_taken_as_given(capsule_limb):
    place = np.array([[0.0, 50.0, -40.0]])
    pencil = on_chart("mark-spur", RawLandmark(place, source="mark"), capsule_limb.chart, np.eye(4))
    given = on_chart("mark-spur", RawLandmark(place), capsule_limb.chart, np.eye(4))
    assert (pencil.uncertainty_mm, given.uncertainty_mm) == (1.0, 0.0)  # mm; tests/marks hold the marks to it


def test_beyond_the_capture_a_mark_need_not_be_on_skin(capsule_limb):
    raw = RawLandmark(np.array([[0.0, 90.0, 150.0]]), beyond_capture=True)
    mark = on_chart("acromion", raw, capsule_limb.chart, np.eye(4))
    assert mark.beyond_capture and mark.off_surface_mm == 0.0
    assert mark.level_mm == pytest.approx(-150.0)


def test_an_absent_mark_is_nowhere(capsule_limb):
    mark = on_chart("fibular-head", RawLandmark(np.zeros((0, 3)), absent=True), capsule_limb.chart, np.eye(4))
    assert mark.absent and mark.points.shape == (0, 3) and mark.spots == ()


@pytest.mark.parametrize("angle", [-180.0, -90.0, 0.0, 179.0])
def test_angles_of_landmarks_are_told_between_0_and_360(capsule_limb, angle):
    mark = computed("mark-x", Spot(30.0, angle), capsule_limb.chart, 2.0)
    assert mark.angle_deg == pytest.approx(angle % 360.0)
    assert mark.source == "computed" and mark.uncertainty_mm == 2.0
    assert np.hypot(*mark.points[0, :2]) == pytest.approx(50.0, abs=0.03)  # on the skin


def test_plain_arrays_become_raw_landmarks():
    raw = raw_landmarks({"a": np.array([1.0, 2.0, 3.0]), "b": np.ones((4, 3))})
    assert raw["a"].points.tolist() == [[1.0, 2.0, 3.0]] and raw["b"].points.shape == (4, 3)
