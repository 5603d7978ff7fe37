"""Saved versions: small files beside the case, whole or absent, each number given once, read as a case is read."""

from __future__ import annotations

import shutil
import threading
from pathlib import Path

import numpy as np
import pytest

import rectify
from rectify.case.version import Finding, newest, numbers, read_saved, saved_text, write_saved
from rectify.data import demo_folder
from rectify.errors import CaseError, Faults, FileError, LandmarkError, OutputError
from tests.running import contents, run_in


@pytest.fixture
def folder(tmp_path) -> Path:
    return Path(shutil.copytree(demo_folder() / "RB-102", tmp_path / "RB-102"))


def entry(amount: str = "5 mm") -> dict[str, object]:
    return {"by": "JT-cpo", "on": "2026-11-25", "why": "redness", "regions": {"fibular-head": {"amount": amount}}}


def save(folder: Path, number: int, **more: object) -> Path:
    says: dict[str, object] = {
        "case": "RB-102",
        "made_from": number - 1,
        "by": "JT-cpo",
        "on": "2026-11-25",
        "why": "try",
    }
    return write_saved(folder, number, saved_text(number, **{**says, **more}))  # type: ignore[arg-type]


def test_without_versions_the_case_is_as_it_was_written(folder):
    assert numbers(folder) == [] and newest(folder) == 0
    assert rectify.open_case(folder).saved is None


def test_the_newest_version_is_laid_over_the_case_and_any_other_can_be_asked_for(folder):
    save(folder, 1, tune=[entry("4.4 mm")])
    save(folder, 2, tune=[entry("4.5 mm")])
    asked = {}
    for number in (None, 0, 1, 2):
        case = rectify.open_case(folder, saved=number)
        asked[number] = next(r.asked_mm for r in case.plan().regions if r.name == "fibular-head")
    assert (asked[1], asked[2], asked[None]) == (4.4, 4.5, 4.5)
    assert asked[0] not in (4.4, 4.5)


def test_a_version_is_the_same_as_the_same_tuning_in_the_case_file(folder, tmp_path):
    other = Path(shutil.copytree(folder, tmp_path / "other" / "RB-102"))
    save(folder, 1, tune=[entry()])
    text = (other / "case.yaml").read_text()
    line = "  - {by: JT-cpo, on: 2026-11-25, why: redness, regions: {fibular-head: {amount: 5 mm}}}\n"
    head, tune, rest = text.partition("release:")
    (other / "case.yaml").write_text(head + line + tune + rest)
    made = [rectify.apply(rectify.open_case(place)) for place in (folder, other)]
    assert np.array_equal(made[0].mesh.vertices, made[1].mesh.vertices)
    assert made[0].plan == made[1].plan


def test_a_version_is_an_input_and_makes_a_release_stale(folder):
    before = rectify.apply(rectify.open_case(folder))
    assert before.standing.status == "released"
    save(folder, 1, tune=[entry()])
    after = rectify.apply(rectify.open_case(folder))
    assert after.standing.status == "draft" and after.standing.digest != before.standing.digest
    assert [item["file"] for item in after.report["inputs"] if item["role"] == "version"] == ["versions/0001.yaml"]
    assert after.report["version"]["by"] == "JT-cpo" and after.report["version"]["number"] == 1


def test_a_landmark_of_a_version_replaces_the_cases(folder):
    case = rectify.open_case(folder)
    old = case.raw_landmarks["fibular-head"].points[0] / case.mm
    moved = [float(v) for v in old + np.array([0.0, 0.0, 0.4])]
    save(folder, 1, landmarks={"fibular-head": moved})
    new = rectify.open_case(folder)
    assert np.allclose(new.landmarks_given["fibular-head"].points[0] / new.mm, moved)
    assert not np.array_equal(new.limb.landmarks["fibular-head"].points, case.limb.landmarks["fibular-head"].points)
    assert np.array_equal(new.limb.landmarks["patella-apex"].points, case.limb.landmarks["patella-apex"].points)


def test_what_does_not_depend_on_the_version_is_not_made_again(folder):
    case = rectify.open_case(folder)
    limb = case.limb
    save(folder, 1, tune=[entry()])
    version = read_saved(folder, 1, case="RB-102", amputation="transtibial", mm=case.mm)
    assert case.with_saved(version, "0" * 64).limb is limb


def test_findings_come_back_as_they_were_saved(folder):
    found = [Finding(kind="redness", where="fibular-head", minutes=10.0), Finding(kind="sock-ply", ply=3)]
    save(folder, 1, findings=found)
    assert rectify.open_case(folder).saved.says.findings == tuple(found)


def test_a_number_is_given_once_and_the_file_that_has_it_stays(folder):
    first = save(folder, 1, why="the first").read_bytes()
    with pytest.raises(OutputError, match="version 1 was saved by somebody else"):
        save(folder, 1, why="the second")
    assert (folder / "versions" / "0001.yaml").read_bytes() == first
    assert [file.name for file in (folder / "versions").iterdir()] == ["0001.yaml"]


def test_of_many_that_save_at_once_each_number_goes_to_one(folder):
    won, lost = [], []

    def run(who: int) -> None:
        try:
            save(folder, 1, why=f"by number {who}")
            won.append(who)
        except OutputError:
            lost.append(who)

    threads = [threading.Thread(target=run, args=(who,)) for who in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(won) == 1 and len(lost) == 7
    assert f"by number {won[0]}" in (folder / "versions" / "0001.yaml").read_text()


def test_half_a_file_that_a_dead_run_left_is_no_version(folder):
    save(folder, 1)
    (folder / "versions" / ".abc123.new").write_text("format: 1\nver")
    assert numbers(folder) == [1]


@pytest.mark.parametrize(
    ("text", "error", "says"),
    [
        (
            "format: 1\nversion: 2\nfrom: 0\ncase: RB-102\nby: JT\non: 2026-11-25\nwhy: x\n",
            CaseError,
            "another version",
        ),
        ("format: 1\nversion: 1\nfrom: 0\ncase: RB-1\nby: JT\non: 2026-11-25\nwhy: x\n", CaseError, "another case"),
        ("format: 1\nversion: 1\nfrom: 0\ncase: RB-102\nby: Jo Doe\non: 2026-11-25\nwhy: x\n", CaseError, "initials"),
        ("format: 1\nversion: 1\nfrom: 0\ncase: RB-102\nby: JT\non: 2026-11-25\n", CaseError, "why"),
        (
            "format: 1\nversion: 1\nfrom: 0\ncase: RB-102\nby: JT\non: 2026-11-25\nwhy: x\n"
            "landmarks: {fibula-head: [1, 2, 3]}\n",
            LandmarkError,
            "fibular-head",
        ),
    ],
)
def test_a_file_that_is_no_version_of_this_case_is_refused_with_its_line(folder, text, error, says):
    (folder / "versions").mkdir()
    (folder / "versions" / "0001.yaml").write_text(text)
    with pytest.raises((error, Faults), match=says):
        rectify.open_case(folder)


def test_a_tuning_of_a_version_that_cannot_be_names_the_versions_file(folder):
    save(folder, 1, tune=[{**entry(), "regions": {"fibular-hed": {"amount": "5 mm"}}}])
    with pytest.raises(CaseError, match=r"0001\.yaml.*no region fibular-hed"):
        rectify.open_case(folder).plan()


def test_the_command_takes_the_newest_and_says_so_or_another(folder, tmp_path):
    save(folder, 1, tune=[entry()])
    newest_one = run_in(tmp_path, "apply", folder, "--out", tmp_path / "a", "--without", "page")
    assert newest_one.code == 4 and "version   1, saved by JT-cpo on 2026-11-25: try" in newest_one.out
    as_written = run_in(tmp_path, "apply", folder, "--saved", "0", "--out", tmp_path / "b", "--without", "page")
    assert as_written.code == 0 and "version" not in as_written.out
    before = contents(folder)
    missing = run_in(tmp_path, "apply", folder, "--saved", "7", "--out", tmp_path / "c")
    assert missing.code == 2 and "there is no saved version 7" in missing.err and "found: 1" in missing.err
    assert not (tmp_path / "c").exists() and contents(folder) == before


def test_there_is_no_version_that_is_not_there(folder):
    with pytest.raises(FileError, match="no saved version 3"):
        rectify.open_case(folder, saved=3)
