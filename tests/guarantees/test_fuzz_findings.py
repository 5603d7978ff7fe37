"""What fuzzing found, one small test each."""

from __future__ import annotations

import re
import shutil
import warnings
from pathlib import Path

import numpy as np
import pytest

import rectify
from rectify.data import demo_folder
from rectify.errors import InputError, MeshError
from rectify.geometry.read import read_mesh
from rectify.synthetic.files import stl_bytes


@pytest.mark.parametrize("number", ["1e308", "-1e200", "1e155"])
def test_a_landmark_farther_off_than_can_be_squared_is_refused_without_a_warning(tmp_path: Path, number: str) -> None:
    # the squares of its coordinates overflowed
    case = Path(shutil.copytree(demo_folder() / "RB-101", tmp_path / "RB-101"))
    marks = case / "landmarks.yaml"
    marks.write_text(re.sub(r"(fibular-head: \[)[^,]*", rf"\g<1>{number}", marks.read_text()))
    with warnings.catch_warnings(), pytest.raises(InputError, match="fibular-head"):
        warnings.simplefilter("error")
        rectify.open_case(case).warnings()


@pytest.mark.parametrize("away_mm", [2e5, 1.9e27, 4.8e37])
def test_a_point_thrown_far_off_is_refused_before_any_mending(tmp_path: Path, away_mm: float) -> None:
    # one bit of an exponent: mending then looked for neighbours over that distance, half a minute long
    case = Path(shutil.copytree(demo_folder() / "RB-101", tmp_path / "RB-101"))
    mesh = read_mesh(case / "scan.stl").mesh
    mesh.vertices[1234, 0] = away_mm
    (case / "scan.stl").write_bytes(stl_bytes(mesh))
    with pytest.raises(MeshError, match="a point lies far off all others") as caught:
        rectify.open_case(case)
    assert caught.value.found == f"1 such points, one {away_mm / 1000:.3g} m away"


def test_a_scan_of_numbers_without_sense_is_refused(tmp_path: Path) -> None:
    # every number shifted by a byte: areas overflowed
    case = Path(shutil.copytree(demo_folder() / "RB-101", tmp_path / "RB-101"))
    data = (case / "scan.stl").read_bytes()
    (case / "scan.stl").write_bytes(data[:84] + data[85:] + b"\0")
    with warnings.catch_warnings(), pytest.raises(InputError):
        warnings.simplefilter("error")
        rectify.open_case(case).warnings()


def test_numbers_of_every_size_are_refused_as_no_limb(tmp_path: Path) -> None:
    case = Path(shutil.copytree(demo_folder() / "RB-101", tmp_path / "RB-101"))
    mesh = read_mesh(case / "scan.stl").mesh
    rng = np.random.default_rng(1)
    mesh.vertices[:] = rng.normal(size=mesh.vertices.shape) * 10.0 ** rng.uniform(10.0, 30.0, mesh.vertices.shape)
    (case / "scan.stl").write_bytes(stl_bytes(mesh))
    with pytest.raises(MeshError, match=r"a point lies far off all others|m long"):
        rectify.open_case(case)
