"""`rectify release`: bound to what it was made of, stale after any change, refused where something is missing."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from tests.cli.conftest import Run
from tests.cli.test_apply import LEAN, breaching


def test_a_release_is_one_line_in_the_case_and_the_rest_stays_to_the_letter(run: Run, demo_case: Path) -> None:
    before = (demo_case / "case.yaml").read_text()
    ended = run("release", demo_case, "--by", "KW-cpo", "--on", "2026-11-20")
    assert ended.code == 0, ended.err
    after = (demo_case / "case.yaml").read_text()
    assert after.startswith(before)
    found = re.fullmatch(r"release: \{by: KW-cpo, on: 2026-11-20, of: ([0-9a-f]{64})\}\n", after[len(before) :])
    assert found and f"of {found[1]}" in ended.out
    assert sorted(p.name for p in demo_case.iterdir()) == ["case.yaml", "landmarks.yaml", "scan.stl"]


def test_a_released_result_says_so_and_by_whom(run: Run, demo_case: Path) -> None:
    run("release", demo_case, "--by", "KW-cpo", "--on", "2026-11-20")
    ended = run("apply", demo_case, "--json", *LEAN)
    assert ended.json["status"] == "released"
    assert "nobody has released" not in ended.err + ended.out


def test_a_second_release_takes_the_place_of_the_first(run: Run, demo_case: Path) -> None:
    run("release", demo_case, "--by", "KW-cpo", "--on", "2026-11-20")
    assert run("release", demo_case, "--by", "JT", "--on", "2026-11-21").code == 0
    text = (demo_case / "case.yaml").read_text()
    assert text.count("release:") == 1 and yaml.safe_load(text)["release"]["by"] == "JT"


def edit_case(case: Path) -> None:
    file = case / "case.yaml"
    file.write_text(file.read_text().replace("suspension: sleeve", "suspension: pin"))


def edit_landmark(case: Path) -> None:
    file = case / "landmarks.yaml"
    file.write_text(
        re.sub(r"(fibular-head: \[)(-?\d+\.\d)", lambda m: f"{m[1]}{float(m[2]) + 0.5:.1f}", file.read_text())
    )


def edit_scan(case: Path) -> None:
    file = case / "scan.stl"
    data = bytearray(file.read_bytes())
    data[0] ^= 1  # one bit of its header
    file.write_bytes(data)


@pytest.mark.parametrize("edit", [edit_case, edit_landmark, edit_scan], ids=["case", "landmarks", "scan"])
def test_any_change_of_the_inputs_makes_the_release_stale(run: Run, demo_case: Path, edit) -> None:
    run("release", demo_case, "--by", "KW-cpo", "--on", "2026-11-20")
    edit(demo_case)
    ended = run("apply", demo_case, "--json", *LEAN)
    assert ended.code == 4 and ended.json["status"] == "draft"
    assert "release-stale" in [warning["code"] for warning in ended.json["look"]]


def test_a_set_on_the_command_line_is_not_what_was_released(run: Run, demo_case: Path) -> None:
    run("release", demo_case, "--by", "KW-cpo", "--on", "2026-11-20")
    ended = run("apply", demo_case, "--set", "fibular-head.change=+1mm", "--json", *LEAN)
    assert ended.json["status"] == "draft" and "release-stale" in [w["code"] for w in ended.json["look"]]


def test_a_result_whose_landmarks_are_not_all_marked_cannot_be_released(run: Run, demo_case: Path) -> None:
    marks = demo_case / "landmarks.yaml"
    lines = marks.read_text().splitlines(keepends=True)
    marks.write_text("".join(line for line in lines if not line.startswith("distal-tibia:")))
    before = (demo_case / "case.yaml").read_bytes()
    ended = run("release", demo_case, "--by", "KW-cpo")
    assert ended.code == 2 and "distal-tibia" in ended.err
    assert (demo_case / "case.yaml").read_bytes() == before


def test_a_draft_rulebook_cannot_be_released(run: Run, demo_case: Path) -> None:
    file = demo_case / "case.yaml"
    file.write_text(re.sub(r"rulebook: .*", "rulebook: transtibial-base", file.read_text()))
    before = file.read_bytes()
    ended = run("release", demo_case, "--by", "KW-cpo", "--json")
    assert ended.code == 2 and ended.json["exit_code"] == 2
    assert "transtibial-base is a draft" in ended.err and file.read_bytes() == before


def test_a_breached_limit_cannot_be_released(run: Run, demo_case: Path) -> None:
    book, file = breaching(demo_case), demo_case / "case.yaml"
    file.write_text(re.sub(r"rulebook: .*", f"rulebook: {book.name}", file.read_text()))
    before = file.read_bytes()
    ended = run("release", demo_case, "--by", "KW-cpo")
    assert ended.code == 3 and "nothing was released" in ended.err
    assert file.read_bytes() == before


@pytest.mark.parametrize("who", ["Firstname Surname", "", "x" * 30, "KW\ncpo", "{a}", "no", "12"])
def test_who_releases_is_initials_or_a_role_and_no_full_name(run: Run, demo_case: Path, who: str) -> None:
    before = (demo_case / "case.yaml").read_bytes()
    ended = run("release", demo_case, "--by", who)
    assert ended.code == 2 and "initials or a role" in ended.err
    assert (demo_case / "case.yaml").read_bytes() == before


@pytest.mark.parametrize("day", ["yesterday", "2026-02-31", "20.11.2026"])
def test_the_day_of_a_release_is_a_date(run: Run, demo_case: Path, day: str) -> None:
    before = (demo_case / "case.yaml").read_bytes()
    ended = run("release", demo_case, "--by", "KW", "--on", day)
    assert ended.code == 2 and "a date" in ended.err
    assert (demo_case / "case.yaml").read_bytes() == before
