"""Numbers as reports print them."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.report.rounding import DECIMALS, decimals_of, rounded


def test_each_kind_of_key_has_its_decimals() -> None:
    assert rounded({"peak_mm": 1.23456, "area_mm2": 1.23456, "change_percent": 1.23456, "angle_deg": 1.23456}) == {
        "peak_mm": 1.235,
        "area_mm2": 1.2,
        "change_percent": 1.235,
        "angle_deg": 1.23,
    }


def test_the_longest_ending_decides() -> None:
    assert decimals_of("core_xyz") == DECIMALS["xyz"]
    assert decimals_of("area_mm2") == DECIMALS["_mm2"]  # ends neither with _mm nor with _ml


def test_a_number_under_an_unknown_key_is_an_error_and_never_printed_with_all_its_digits() -> None:
    with pytest.raises(KeyError, match="depth"):
        rounded({"depth": 1.0 / 3.0})


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), np.float64("nan")])
def test_what_is_no_number_becomes_null(value: float) -> None:
    assert rounded({"peak_mm": value, "xyz": [value, 1.0]}) == {"peak_mm": None, "xyz": [None, 1.0]}


def test_zero_has_no_minus_and_a_full_turn_is_angle_zero() -> None:
    assert str(rounded({"peak_mm": -1e-9})["peak_mm"]) == "0.0"
    assert rounded({"angle_deg": 359.9999})["angle_deg"] == 0.0


def test_arrays_and_numpy_scalars_become_plain_lists_and_numbers() -> None:
    plain = rounded({"frame": np.eye(2), "watertight": np.bool_(True), "bodies": np.int64(1)})
    assert plain == {"frame": [[1.0, 0.0], [0.0, 1.0]], "watertight": True, "bodies": 1}
    assert type(plain["watertight"]) is bool and type(plain["bodies"]) is int


def test_what_somebody_wrote_stays_as_written() -> None:
    assert (
        rounded({"tune": [{"regions": {"x": {"amount": 1.0 / 3.0}}}]})["tune"][0]["regions"]["x"]["amount"] == 1.0 / 3.0
    )


def test_what_a_report_cannot_hold_is_refused() -> None:
    with pytest.raises(TypeError, match="no object"):
        rounded({"case": object()})
