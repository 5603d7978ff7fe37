"""Letters: every sign a case code may have is drawn, in its place, and no two alike."""

from __future__ import annotations

import string

import numpy as np
import pytest

from rectify.fabrication.lettering import distance_to_strokes, lettered, strokes_of

SIGNS = string.ascii_uppercase + string.digits + "._-"


@pytest.mark.parametrize("sign", SIGNS)
def test_every_sign_is_drawn_within_its_box_and_small_ones_as_capitals(sign: str) -> None:
    strokes = strokes_of(sign)
    points = np.concatenate(strokes)
    assert all(len(stroke) >= 2 for stroke in strokes)
    assert np.abs(points[:, 0]).max() <= 2.0 / 6.0 + 1e-9 and np.abs(points[:, 1]).max() <= 0.5 + 1e-9
    assert all(np.array_equal(a, b) for a, b in zip(strokes, strokes_of(sign.lower()), strict=True))


def test_no_two_signs_look_alike() -> None:
    grid = np.stack(np.meshgrid(np.linspace(-0.35, 0.35, 15), np.linspace(-0.5, 0.5, 21)), axis=-1).reshape(-1, 2)
    drawn = {sign: distance_to_strokes(grid, strokes_of(sign)) < 0.08 for sign in SIGNS}
    for i, one in enumerate(SIGNS):
        for other in SIGNS[i + 1 :]:
            assert (drawn[one] != drawn[other]).sum() >= 5, (one, other)


def test_a_line_is_as_wide_as_is_said_and_stands_about_the_origin() -> None:
    points = np.concatenate(strokes_of("HAH"))
    wide, high = lettered("HAH")
    assert np.ptp(points[:, 0]) == pytest.approx(wide) and np.ptp(points[:, 1]) == pytest.approx(high) == 1.0
    assert points.min(axis=0) == pytest.approx(-points.max(axis=0))


def test_distances_are_those_from_a_piece_of_line() -> None:
    stroke = [np.array([[0.0, 0.0], [2.0, 0.0]])]
    far = distance_to_strokes(np.array([[1.0, 0.5], [3.0, 0.0], [-3.0, 4.0]]), stroke)
    assert far == pytest.approx([0.5, 1.0, 5.0])
    assert np.isinf(distance_to_strokes(np.zeros((2, 2)), [])).all() and strokes_of("!") == []
