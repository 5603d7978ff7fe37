"""`rectify demo`: the demo cases, copied whole into a new folder."""

from __future__ import annotations

from pathlib import Path

from rectify.data import demo_folder
from tests.cli.conftest import Run
from tests.running import contents


def test_demo_writes_every_case_byte_for_byte_and_says_what_comes_next(run: Run, tmp_path: Path) -> None:
    ended = run("demo")
    assert ended.code == 0 and ended.err == ""
    written, shipped = contents(tmp_path / "rectify-demo"), contents(demo_folder())
    assert written == {name: content for name, content in shipped.items() if name.startswith("RB-")}
    assert len([name for name in written if name.endswith("case.yaml")]) >= 6
    assert ended.out.rstrip().endswith("now: rectify apply rectify-demo/RB-101")


def test_demo_takes_a_folder_and_lists_the_cases_as_json(run: Run, tmp_path: Path) -> None:
    ended = run("demo", "limbs", "--json")
    assert ended.json["folder"] == "limbs" and ended.json["exit_code"] == 0
    assert ended.json["cases"] == sorted(p.name for p in (tmp_path / "limbs").iterdir())


def test_demo_refuses_a_folder_that_is_there_and_leaves_it_alone(run: Run, tmp_path: Path) -> None:
    (tmp_path / "limbs").mkdir()
    (tmp_path / "limbs" / "mine.txt").write_text("keep")
    ended = run("demo", "limbs")
    assert ended.code == 2 and "exists already" in ended.err and "--replace" in ended.err
    assert contents(tmp_path / "limbs") == {"mine.txt": b"keep"}


def test_demo_replaces_a_folder_where_it_is_asked_to(run: Run, tmp_path: Path) -> None:
    assert run("demo", "limbs").code == 0
    (tmp_path / "limbs" / "RB-101" / "case.yaml").write_text("edited")
    (tmp_path / "limbs" / "old.txt").write_text("old")
    assert run("demo", "limbs", "--replace").code == 0
    assert not (tmp_path / "limbs" / "old.txt").exists()
    assert contents(tmp_path / "limbs" / "RB-101") == contents(demo_folder() / "RB-101")


def test_demo_never_replaces_a_folder_of_anything_else(run: Run, tmp_path: Path) -> None:
    (tmp_path / "limbs").mkdir()
    (tmp_path / "limbs" / "mine.txt").write_text("keep")
    ended = run("demo", "limbs", "--replace")
    assert ended.code == 2 and "not replaced" in ended.err and "RB-101/case.yaml" in ended.err
    assert contents(tmp_path / "limbs") == {"mine.txt": b"keep"}


def test_demo_never_replaces_the_shipped_cases_themselves(run: Run) -> None:
    before = contents(demo_folder())
    ended = run("demo", demo_folder(), "--replace")
    assert ended.code == 2 and "not replaced" in ended.err
    assert contents(demo_folder()) == before
