"""Where levels start and what fixes the angle."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.errors import LandmarkError
from rectify.limb.landmarks import RawLandmark, raw_landmarks
from rectify.limb.origin import origin_of, zero_of

MARKS = raw_landmarks(
    {
        "mid-patellar-tendon": [1.0, 50.0, 0.0],
        "perineum": [-40.0, 0.0, 5.0],
        "anterior-thigh": [0.0, 70.0, 3.0],
        "greater-trochanter": [60.0, -30.0, 80.0],
        "medial-condyle": [-50.0, 2.0, 10.0],
        "lateral-condyle": [48.0, -2.0, 14.0],
        "patella-centre": [0.0, 60.0, 20.0],
        "olecranon": [0.0, -40.0, 0.0],
        "cubital-fold": [0.0, 40.0, 10.0],
        "acromion": [40.0, 0.0, 200.0],
        "anterior-arm": [0.0, 45.0, 100.0],
    }
)


@pytest.mark.parametrize(
    ("amputation", "origin", "zero", "angle"),
    [
        ("transtibial", "mid-patellar-tendon", "mid-patellar-tendon", 0.0),
        ("ankle-disarticulation", "mid-patellar-tendon", "mid-patellar-tendon", 0.0),
        ("transfemoral", "perineum", "anterior-thigh", 0.0),
        ("transradial", "olecranon", "cubital-fold", 0.0),
        ("transhumeral", "acromion", "anterior-arm", 0.0),
    ],
)
def test_each_amputation_has_its_origin_and_its_zero(amputation, origin, zero, angle):
    assert origin_of(amputation, MARKS) == pytest.approx(MARKS[origin].points[0])
    on_axis = np.array([2.0, -3.0, 7.0])
    direction, at, notes = zero_of(amputation, MARKS, on_axis)
    assert direction == pytest.approx(MARKS[zero].points[0] - on_axis)
    assert at == angle and notes == ()


def test_between_the_condyles_lies_the_origin_of_a_knee_disarticulation():
    assert origin_of("knee-disarticulation", MARKS) == pytest.approx([-1.0, 0.0, 12.0])
    direction, angle, _ = zero_of("knee-disarticulation", MARKS, np.zeros(3))
    assert direction == pytest.approx([0.0, 60.0, 20.0]) and angle == 0.0
    without = {n: m for n, m in MARKS.items() if n != "patella-centre"}
    direction, angle, notes = zero_of("knee-disarticulation", without, np.array([9.0, 9.0, 9.0]))
    assert direction == pytest.approx([98.0, -4.0, 4.0])  # from the medial to the lateral one, wherever the axis is
    assert angle == 90.0 and "between the condyles" in notes[0]


def test_the_trochanter_stands_in_for_the_anterior_mark_and_that_is_noted():
    without = {n: m for n, m in MARKS.items() if n != "anterior-thigh"}
    direction, angle, notes = zero_of("transfemoral", without, np.zeros(3))
    assert direction == pytest.approx([60.0, -30.0, 80.0]) and angle == 120.0
    assert "15 degrees" in notes[0]


def test_what_is_absent_fixes_nothing():
    absent = dict(MARKS) | {"perineum": RawLandmark(np.zeros((0, 3)), absent=True)}
    with pytest.raises(LandmarkError, match="the origin of levels is not marked: perineum") as error:
        origin_of("transfemoral", absent)
    assert "perineum: [x, y, z]" in error.value.hint


def test_without_any_anterior_mark_every_choice_is_told():
    with pytest.raises(LandmarkError, match="nothing says which way is anterior") as error:
        zero_of("transfemoral", {"perineum": MARKS["perineum"]}, np.zeros(3))
    assert "anterior-thigh or greater-trochanter" in error.value.wanted
    with pytest.raises(LandmarkError):
        zero_of("transfemoral", {}, np.zeros(3))
