"""The words for a pencil's colour."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rectify.errors import CaseError
from rectify.marks.colours import COLOURS, pencil_colour


@given(st.integers(0, 255), st.integers(0, 255), st.integers(0, 255))
def test_a_hex_colour_is_read_as_written(red, green, blue):
    assert pencil_colour(f"#{red:02x}{green:02X}{blue:02x}").rgb == (red, green, blue)


@pytest.mark.parametrize("word", COLOURS)
def test_every_word_is_a_colour_whatever_its_case(word):
    assert pencil_colour(f" {word.upper()} ").rgb == COLOURS[word]


def test_a_misspelt_word_says_which_was_meant():
    with pytest.raises(CaseError, match="no such pencil colour: blu-violet") as fault:
        pencil_colour("blu-violet")
    assert "blue-violet" in fault.value.hint and fault.value.exit_code == 2


@pytest.mark.parametrize("wrong", ["#12345", "#1234567", "mauve", "", "5040a0"])
def test_what_is_no_colour_is_refused_with_the_words_there_are(wrong):
    with pytest.raises(CaseError) as fault:
        pencil_colour(wrong)
    assert "black" in fault.value.wanted
