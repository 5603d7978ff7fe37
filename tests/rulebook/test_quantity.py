"""Values with units: read exactly, refused with what to write."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rectify.rulebook.quantity import QuantityError, parse_quantity, show_mm, show_percent


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("6 mm", 6.0), ("6mm", 6.0), ("0.5 cm", 5.0), ("1/4 in", 6.35), ("1/16 inch", 1.5875), ("1 1/2 in", 38.1),
        ("3/8 inches", 9.525), (".5 mm", 0.5), ("5. mm", 5.0), ("0 mm", 0.0), ("1 MM", 1.0), (" 2  mm ", 2.0),
    ],
)  # fmt: skip
def test_lengths_are_mm_inside(text: str, mm: float) -> None:
    quantity = parse_quantity(text, "length")
    assert quantity.kind == "length"
    assert quantity.value == pytest.approx(mm, abs=1e-12)  # mm; one rounding of the product


@given(st.integers(0, 40), st.integers(0, 63), st.sampled_from([2, 4, 8, 16, 32, 64]))
def test_fractions_of_an_inch_are_what_the_fraction_says(whole: int, above: int, below: int) -> None:
    exact = (whole + Fraction(above, below)) * Fraction(254, 10)
    assert parse_quantity(f"{whole} {above}/{below} in", "length").value == pytest.approx(float(exact), rel=1e-15)


def test_a_share_of_radius_becomes_mm_with_the_radius() -> None:
    share = parse_quantity("12 % of radius", "length", "radius")
    assert share.kind == "radius"
    assert share.mm(50.0) == 6.0
    assert parse_quantity("6 mm", "length", "radius").mm(float("nan")) == 6.0  # a length asks for no radius


@pytest.mark.parametrize(
    ("text", "kinds", "match", "hint"),
    [
        ("6", ("length",), "is 6 without a unit", "write 6 mm, if that is meant"),
        (6, ("length",), "is 6 without a unit", "write 6 mm"),
        (2.5, ("percent",), "is 2.5 without a unit", "write 2.5 %"),
        ("12 %", ("length", "radius"), "is '12 %'", "say of what: % of radius"),
        ("1 m", ("length",), "is '1 m'", "lengths are written in mm, cm or in"),
        ("0,5 cm", ("length",), "is '0,5 cm'", "write a point, not a comma: 0.5 cm"),
        ("6 deg", ("length",), "is '6 deg'", "units here: mm, cm or in"),
        ("1/0 in", ("length",), "which divides by zero", None),
        ("nan mm", ("length",), "is 'nan mm'", None),
        ("inf mm", ("length",), "is 'inf mm'", None),
        ("1e999 mm", ("length",), "which is not finite", None),
        ("six mm", ("length",), "is 'six mm'", None),
        ("", ("length",), "is ''", None),
        (None, ("length",), "is empty", None),
        (True, ("length",), "is yes", None),
        ({"a": 1}, ("length",), "is a mapping", None),
        ([1], ("length",), "is a list", None),
        ("3000 mm", ("length",), "must be 2000 mm or less", None),
    ],
)
def test_what_is_no_quantity_is_refused_with_what_would_be(
    text: object, kinds: tuple[str, ...], match: str, hint: str | None
) -> None:
    with pytest.raises(QuantityError, match=match) as caught:
        parse_quantity(text, *kinds)  # type: ignore[arg-type]
    if hint:
        assert caught.value.hint and hint in caught.value.hint


def test_a_sign_is_refused_where_none_may_be_and_asked_for_where_one_must() -> None:
    with pytest.raises(QuantityError, match=r"is \+5 mm, and takes no sign") as caught:
        parse_quantity("+5 mm", "length")
    assert caught.value.hint == "write 5 mm"
    with pytest.raises(QuantityError, match="takes no sign"):
        parse_quantity("-5 mm", "length")
    with pytest.raises(QuantityError, match="is 1 mm, and does not say which way") as caught:
        parse_quantity("1 mm", "length", sign="required")
    assert caught.value.wanted == "+1 mm or -1 mm"
    assert parse_quantity("+1 mm", "length", sign="required").value == 1.0
    assert parse_quantity("-1 mm", "length", sign="required").value == -1.0
    assert parse_quantity("\u22121 mm", "length", sign="required").value == -1.0  # the minus sign of print
    assert (
        parse_quantity("-1 mm", "length", sign="any").value == parse_quantity("\u22121 mm", "length", sign="any").value
    )


def test_bounds_take_the_bound_itself_and_refuse_what_is_just_outside() -> None:
    assert parse_quantity("0 mm", "length", least=0.0).value == 0.0
    assert parse_quantity("45 deg", "angle", most=45.0).value == 45.0
    with pytest.raises(QuantityError, match=r"is 45\.001 deg, must be 45 deg or less"):
        parse_quantity("45.001 deg", "angle", most=45.0)
    with pytest.raises(QuantityError, match=r"is -0\.001 mm, must be 0 mm or more"):
        parse_quantity("-0.001 mm", "length", sign="any", least=0.0)


@given(st.floats(0.0, 1999.0))
def test_a_float_written_in_full_reads_back_to_the_same_float(value: float) -> None:
    assert parse_quantity(f"{value!r} mm", "length").value == value


def test_numbers_are_shown_short() -> None:
    assert (show_mm(6.0), show_mm(2.604), show_mm(-0.001), show_percent(9.75)) == ("6 mm", "2.6 mm", "0 mm", "9.75 %")
