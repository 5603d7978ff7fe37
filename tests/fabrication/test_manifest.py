"""files.json: what it lists, that it is true, and that a changed file is found out."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from rectify.errors import FileError
from rectify.fabrication.manifest import check_digests, json_bytes, read_json, sha256, write_manifest


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "a.stl").write_bytes(b"one")
    (tmp_path / "b.json").write_bytes(b"{}\n")
    roles = {"b.json": "figures", "a.stl": "model"}
    write_manifest(tmp_path, case="DM-014", made="check-socket", status="draft", roles=roles)
    return tmp_path


def test_it_lists_every_file_with_its_digest_units_and_frame(folder: Path) -> None:
    told = json.loads((folder / "files.json").read_text())
    assert (told["case"], told["made"], told["status"], told["units"]) == ("DM-014", "check-socket", "draft", "mm")
    assert told["frame"].startswith("limb: origin on the axis at level 0, +z proximal")
    assert [item["file"] for item in told["files"]] == ["a.stl", "b.json"]
    model, figures = told["files"]
    assert model["sha256"] == hashlib.sha256(b"one").hexdigest() == sha256(b"one") and model["bytes"] == 3
    assert model["units"] == "mm" and model["frame"] == "limb" and model["format"] == "STL, binary"
    assert "units" not in figures


def test_a_changed_file_is_refused_and_one_that_is_not_listed_passes(folder: Path) -> None:
    check_digests(folder, ["a.stl", "b.json", "c.stl"])
    (folder / "a.stl").write_bytes(b"two")
    with pytest.raises(FileError, match="is not the file that was written: its digest differs"):
        check_digests(folder, ["a.stl"])
    (folder / "files.json").unlink()
    check_digests(folder, ["a.stl"])  # nobody says what it was


def test_json_that_is_none_is_refused_in_words(tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    with pytest.raises(FileError, match="cannot be read"):
        read_json(path)
    for text, words in (
        ("{", "is not JSON"),
        ("[" * 100_000, "is not JSON"),
        ("[1]", "is not what this program writes"),
    ):
        path.write_text(text)
        with pytest.raises(FileError, match=words):
            read_json(path)
    path.write_bytes(json_bytes({"ü": 1.5}))
    assert read_json(path) == {"ü": 1.5} and path.read_bytes().endswith(b"\n")
    with pytest.raises(ValueError):
        json_bytes({"x": float("nan")})


def test_a_json_file_of_absurd_length_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "long.json"
    with path.open("wb") as stream:
        stream.truncate(65 * 2**20)  # sparse: no such bytes are on the disk
    with pytest.raises(FileError, match="is too long for a JSON file"):
        read_json(path)
