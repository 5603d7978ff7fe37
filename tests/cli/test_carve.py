"""`rectify carve` from outside: from a case and from a result, what it writes and says, what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import trimesh

from tests.cli.conftest import Made, Run
from tests.running import contents

FILES = ("RB-101-carve.3mf", "RB-101-carve.stl", "RB-101-rectified.stl", "carve-report.json", "files.json")


def test_a_model_to_be_carved_lies_beside_the_exact_one(run: Run, made: Made, tmp_path: Path) -> None:
    ended = run("carve", made.folder, "--bore", "25mm", "--bore-depth", "40 mm", "--groove", "--reach", "60 mm")
    assert ended.code == 4 and tuple(contents(tmp_path / "RB-101-carve")) == FILES
    assert "mark      RB-101\n" in ended.out and "blank     " in ended.out and "cutter    12 mm: " in ended.out
    solid = trimesh.load_mesh(tmp_path / "RB-101-carve" / "RB-101-carve.stl")
    assert solid.is_watertight and solid.is_winding_consistent and solid.body_count == 1
    exact = (tmp_path / "RB-101-carve" / "RB-101-rectified.stl").read_bytes()
    assert exact == (made.folder / "RB-101-rectified.stl").read_bytes()
    looks = json.loads((tmp_path / "RB-101-carve" / "carve-report.json").read_text())["look"]
    assert looks[-1].startswith("the cutter reaches 60 mm, and ") and f", and {len(looks) - 1} more" in ended.err


def test_from_the_case_and_from_its_result_come_the_same_bytes(run: Run, made: Made, tmp_path: Path) -> None:
    one, two = (
        run("carve", source, "--out", name, "--json") for source, name in ((made.folder, "a"), (made.case, "b"))
    )
    assert one.code == two.code == 4 and contents(tmp_path / "a") == contents(tmp_path / "b")
    assert one.json["files"] == list(FILES) and one.json["waste"]["mark"] == "RB-101" and one.json["exit_code"] == 4


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--skirt", "40"), "is 40 without a unit"),
        (("--bore", "25mm"), "bore: needs a diameter and a depth"),
        (("--bore", "70mm", "--bore-depth", "190mm"), "bore: has not enough model about it"),
        (("--cutter", "0 mm"), "wanted: 1 mm to 50 mm   found: 0 mm"),
        (("--axes", "machine"), "'machine' is not one of 'limb', 'mandrel'"),
        (("--trimline", "nowhere.json"), "cannot be read"),
    ],
)
def test_a_slip_is_refused_with_a_sentence_and_nothing_is_written(
    run: Run, made: Made, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    ended = run("carve", made.folder, *words)
    assert ended.code == 2 and said in ended.err and ended.out == "" and list(tmp_path.iterdir()) == []
