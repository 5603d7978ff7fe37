"""`rectify socket` from outside: from a case and from a result, what it writes and says, what it refuses."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
import trimesh

from tests.cli.conftest import Made, Run
from tests.running import contents

FILES = ("RB-101-socket.3mf", "RB-101-socket.stl", "files.json", "socket-report.json")


@pytest.fixture
def result(made: Made, tmp_path: Path) -> Path:
    """A copy of RB-101's result."""
    return Path(shutil.copytree(made.folder, tmp_path / "RB-101-rectified"))


def test_a_socket_of_a_result_is_a_whole_folder_and_says_what_it_is(run: Run, result: Path, tmp_path: Path) -> None:
    before = contents(result)
    ended = run("socket", result, "--wall", "4 mm", "--brim-wall", "5mm", "--boss", "50 mm", "--flexion", "5 deg")
    assert ended.code == 4  # the case is a draft
    assert tuple(contents(tmp_path / "RB-101-socket")) == FILES and contents(result) == before
    assert "wall      4 mm, brim 5 mm, end 4 mm\n" in ended.out and "status    draft\n" in ended.out
    assert "inside to outside: " in ended.out and "outside to inside: " in ended.out
    assert ended.err.startswith("a person must look before this goes to a machine: ")
    solid = trimesh.load_mesh(tmp_path / "RB-101-socket" / "RB-101-socket.stl")
    assert solid.is_watertight and solid.is_winding_consistent and solid.body_count == 1
    told = json.loads((tmp_path / "RB-101-socket" / "socket-report.json").read_text())
    assert solid.volume / 1000 == pytest.approx(told["shell"]["material_ml"], abs=0.01)
    assert told["fitting"]["flexion_deg"] == 5.0 and told["wall"]["brim_asked_mm"] == 5.0


def test_from_the_case_and_from_its_result_come_the_same_bytes(
    run: Run, made: Made, result: Path, tmp_path: Path
) -> None:
    one = run("socket", result, "--out", "one", "--hole", "8mm", "--json")
    two = run("socket", made.case, "--out", "two", "--hole", "8mm", "--json")
    assert one.code == two.code == 4
    assert contents(tmp_path / "one") == contents(tmp_path / "two")
    assert one.json["exit_code"] == 4 and one.json["files"] == list(FILES) and one.json["folder"] == "one"
    assert one.json["fitting"]["hole_mm"] == 8.0 and one.json["shell"]["bodies"] == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--wall", "4"), "is 4 without a unit"),
        (("--wall", "thin"), "is 'thin'; wanted: a length with its unit"),
        (("--wall", "0.5 mm"), "wanted: 1.5 mm to 15 mm   found: 0.5 mm"),
        (("--flexion", "5deg"), "place a --boss or a --hole; there is none"),
        (("--boss-height", "5mm"), "--boss-height is the height of a boss; there is no --boss"),
        (("--boss", "50mm", "--flexion", "40 deg"), "wanted: -25 deg to 25 deg   found: 40 deg"),
        (("--hole", "8mm", "--lateral", "60mm"), "hole: does not go through the end of the socket"),
        (("--trimline", "nowhere.json"), "cannot be read"),
    ],
)
def test_a_slip_is_refused_with_a_sentence_and_nothing_is_written(
    run: Run, result: Path, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    ended = run("socket", result, *words)
    assert ended.code == 2 and said in ended.err and ended.out == ""
    assert [p.name for p in tmp_path.iterdir()] == ["RB-101-rectified"]


def test_a_folder_that_is_there_is_not_written_over(run: Run, result: Path, tmp_path: Path) -> None:
    (tmp_path / "RB-101-socket").mkdir()
    (tmp_path / "RB-101-socket" / "mine.txt").write_text("mine")
    assert run("socket", result).code == 2
    ended = run("socket", result, "--replace")
    assert ended.code == 2 and contents(tmp_path / "RB-101-socket") == {"mine.txt": b"mine"}
    assert run("socket", result, "--out", result, "--replace").code == 2
    assert (result / "plan.yaml").exists()


def test_a_model_that_was_changed_after_it_was_written_is_refused(run: Run, result: Path) -> None:
    path = result / "RB-101-rectified.stl"
    content = bytearray(path.read_bytes())
    content[-30] ^= 64
    path.write_bytes(bytes(content))
    ended = run("socket", result)
    assert ended.code == 2 and "is not the file that was written" in ended.err


def test_the_trimline_of_another_file_is_used_where_it_is_asked_for(run: Run, result: Path, tmp_path: Path) -> None:
    line = json.loads((result / "RB-101-trimline.json").read_text())
    line["points"] = line["points"][::2]
    (tmp_path / "mine.json").write_text(json.dumps(line))
    ended = run("socket", result, "--trimline", "mine.json", "--out", "out", "--json")
    assert ended.code == 4 and {item["file"] for item in ended.json["made_from"]} >= {"mine.json"}
    line["points"] = [[x + 5.0, y, z] for x, y, z in line["points"]]
    (tmp_path / "off.json").write_text(json.dumps(line))
    ended = run("socket", result, "--trimline", "off.json", "--out", "off")
    assert ended.code == 2 and "does not lie on this model" in ended.err and not (tmp_path / "off").exists()
