"""The release line in a case file: the file stays what it was but for the line, or is left as it is."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import yaml

import rectify
from rectify.case import write_release
from rectify.data import demo_folder
from rectify.errors import CaseError
from tests.running import contents, heed_permissions, no_file_over, run_alone

CODE = "RB-101"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(demo_folder() / CODE, tmp_path / CODE))


def released(folder: Path) -> str:
    case = rectify.open_case(folder)
    return write_release(case, case.plan(), by="KW-cpo", on="2026-11-20")


def test_the_line_ends_of_the_file_stay_what_they_are(folder):
    file = folder / "case.yaml"
    before = file.read_bytes().replace(b"\n", b"\r\n")
    file.write_bytes(before)
    digest = released(folder)
    line = f"release: {{by: KW-cpo, on: 2026-11-20, of: {digest}}}\r\n".encode()
    assert file.read_bytes() == before + line
    assert released(folder) == digest and file.read_bytes() == before + line  # and the second takes its place


def test_a_file_without_a_last_line_end_gets_one(folder):
    file = folder / "case.yaml"
    before = file.read_bytes().rstrip()
    file.write_bytes(before)
    digest = released(folder)
    assert file.read_bytes() == before + f"\nrelease: {{by: KW-cpo, on: 2026-11-20, of: {digest}}}\n".encode()


@pytest.mark.parametrize("link", [False, True], ids=["a file", "a link"])
def test_what_else_the_file_is_stays(folder, link):
    file = folder / "case.yaml"
    if link:
        file.rename(folder / "really.yaml")
        file.symlink_to("really.yaml")
    file.chmod(0o640)
    digest = released(folder)
    assert file.is_symlink() == link and file.stat().st_mode & 0o777 == 0o640
    assert yaml.safe_load(file.read_text())["release"]["of"] == digest
    assert rectify.apply(rectify.open_case(folder)).standing.digest == digest


def in_braces(text: str) -> str:
    return yaml.safe_dump(yaml.safe_load(text), default_flow_style=True, width=10**6)


@pytest.mark.parametrize("other", [in_braces, lambda text: text + "...\n"], ids=["in braces", "after the end"])
def test_a_file_that_cannot_take_a_line_is_left_alone_and_told(folder, other):
    file = folder / "case.yaml"
    text = file.read_text().replace("on: 2026", "on: '2026").replace("-12, after", "-12', after")
    file.write_text(other(text))
    before = file.read_bytes()
    with pytest.raises(CaseError, match="cannot take a line for the release"):
        released(folder)
    assert file.read_bytes() == before
    assert not list(folder.glob(".*"))


def test_a_case_that_was_edited_since_it_was_opened_is_not_released(folder):
    case = rectify.open_case(folder)
    plan = case.plan()
    file = folder / "case.yaml"
    edited = file.read_text().replace("side: right", "side: left").replace("suspension: sleeve", "suspension: pin")
    assert edited != file.read_text()
    file.write_text(edited)
    with pytest.raises(CaseError, match="it was changed meanwhile"):
        write_release(case, plan, by="KW-cpo", on="2026-11-20")
    assert file.read_text() == edited


def test_a_folder_one_may_not_write_in_is_told(folder, tmp_path):
    before = (folder / "case.yaml").read_bytes()
    folder.chmod(0o555)
    try:
        ended = run_alone(tmp_path, "release", CODE, "--by", "KW-cpo", before=heed_permissions)
    finally:
        folder.chmod(0o755)
    assert ended.code == 2 and "the release cannot be written" in ended.err and "Permission denied" in ended.err
    assert (folder / "case.yaml").read_bytes() == before
    assert sorted(contents(folder)) == ["case.yaml", "landmarks.yaml", "scan.stl"]


def test_a_disk_without_room_leaves_the_case_as_it_was(folder, tmp_path):
    before = (folder / "case.yaml").read_bytes()
    ended = run_alone(tmp_path, "release", CODE, "--by", "KW-cpo", before=no_file_over(len(before) // 2))
    assert ended.code == 2 and "the release cannot be written" in ended.err
    assert (folder / "case.yaml").read_bytes() == before
    assert sorted(contents(folder)) == ["case.yaml", "landmarks.yaml", "scan.stl"]
