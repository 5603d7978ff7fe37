"""Pieces of a page."""

from __future__ import annotations

import pytest

from rectify.report.markup import NONE, Column, Html, join, listed, number, section, signed, table, text


def test_text_is_escaped_once_and_markup_is_left_alone() -> None:
    assert text("a < b & 'c' \"d\"") == "a &lt; b &amp; &#x27;c&#x27; &quot;d&quot;"
    assert text(text("<")) == "&lt;"
    assert text(None) == text("") == NONE


def test_numbers_have_a_true_minus_a_plus_where_asked_and_no_minus_zero() -> None:
    assert number(-1.25, 1) == "\u22121.2" and number(None) == NONE
    assert number(-0.01) == "0.0" and signed(-0.01) == "0.0"
    assert signed(0.04) == "0.0" and signed(0.06) == "+0.1"


def test_pieces_are_joined_and_each_is_escaped() -> None:
    assert join(["<", Html("<br>"), 3]) == "&lt;<br>3"
    assert listed(["<a>"]) == "<ul class=''><li>&lt;a&gt;</li></ul>"
    assert section("x", "A & B", "", Html("<p>1</p>")).startswith(
        "<section id='x' aria-labelledby='x-h'>\n<h2 id='x-h'>A &amp; B"
    )


def test_a_table_names_rows_and_columns_and_takes_a_remark_across() -> None:
    columns = [Column("Name", numbers=False), Column("One", "mm"), Column("Two")]
    made = table("Cap <tion>", columns, [["a", 1, 2], ["b", "not measured"]])
    assert made.count("scope='col'") == 3 and made.count("scope='row'") == 2
    assert "colspan='2'" in made and "<caption>Cap &lt;tion&gt;</caption>" in made


def test_a_row_that_does_not_fit_its_columns_is_an_error() -> None:
    with pytest.raises(ValueError, match="zip"):
        table("x", [Column("a"), Column("b"), Column("c"), Column("d")], [["1", "2", "3"]])
