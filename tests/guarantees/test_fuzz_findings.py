"""What fuzzing found, one small test each."""

from __future__ import annotations

import re
import shutil
import warnings
from pathlib import Path

import pytest

import rectify
from rectify.data import demo_folder
from rectify.errors import InputError


@pytest.mark.parametrize("number", ["1e308", "-1e200", "1e155"])
def test_a_landmark_farther_off_than_can_be_squared_is_refused_without_a_warning(tmp_path: Path, number: str) -> None:
    # the squares of its coordinates overflowed
    case = Path(shutil.copytree(demo_folder() / "RB-101", tmp_path / "RB-101"))
    marks = case / "landmarks.yaml"
    marks.write_text(re.sub(r"(fibular-head: \[)[^,]*", rf"\g<1>{number}", marks.read_text()))
    with warnings.catch_warnings(), pytest.raises(InputError, match="fibular-head"):
        warnings.simplefilter("error")
        rectify.open_case(case).warnings()
