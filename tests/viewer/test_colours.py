"""Colours of a displacement: told apart, even both ways, readable in grey."""

from __future__ import annotations

import numpy as np

from rectify.viewer.colours import BUILD_UP, INK, PENCIL, REDUCTION, STILL, displacement_colours, scale_top


def luminance(rgb: np.ndarray) -> np.ndarray:
    """Relative luminance of sRGB colours from 0 to 255 (WCAG 2.2)."""
    part = np.asarray(rgb, dtype=float) / 255.0
    linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    return linear @ np.array([0.2126, 0.7152, 0.0722])


def hexed(colour: str) -> np.ndarray:
    return np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])


def test_nothing_moved_is_pale_and_no_skin_is_white() -> None:
    colours = displacement_colours(np.array([0.0, np.nan]), 5.0)
    assert colours[0].tolist() == list(STILL) and colours[1].tolist() == [255.0] * 3


def test_both_ways_darken_evenly_and_alike() -> None:
    move = np.linspace(0.0, 5.0, 51)
    up, down = (luminance(displacement_colours(sign * move, 5.0)) for sign in (1.0, -1.0))
    assert (np.diff(up) < 0).all() and (np.diff(down) < 0).all()
    assert np.abs(up - down).max() < 0.12  # of 1: a grey print shows the amount, lines tell which way


def test_added_and_taken_differ_in_the_colours_that_colour_blind_people_tell_apart() -> None:
    # brown against teal: blue minus red changes its sign, and that pair is seen with red-green deficiency
    for amount in (1.0, 2.5, 5.0):
        up, down = displacement_colours(np.array([amount, -amount]), 5.0)
        assert (up[2] - up[0] < -20) and (down[2] - down[0] > 20)


def test_past_the_scale_the_colour_stays() -> None:
    assert np.array_equal(displacement_colours(np.array([9.0]), 5.0), displacement_colours(np.array([5.0]), 5.0))


def test_the_scale_ends_on_a_whole_millimetre_and_never_below_two() -> None:
    assert [scale_top(np.array(m)) for m in ([0.1], [-4.2], [3.0], [])] == [2.0, 5.0, 3.0, 2.0]


def test_words_and_lines_stand_out_on_white() -> None:
    for colour in (INK, PENCIL, BUILD_UP, REDUCTION):
        assert 1.05 / (luminance(hexed(colour)) + 0.05) > 4.5  # WCAG 2.2, success criterion 1.4.3
