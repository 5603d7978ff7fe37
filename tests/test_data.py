"""Where the shipped folders are found."""

from __future__ import annotations

from pathlib import Path

import pytest

from rectify import data
from rectify.errors import FileError


def test_the_rules_are_found_in_a_checkout() -> None:
    assert (data.rules_folder() / "evidence.yaml").is_file()


def test_an_installed_copy_is_taken_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "rectify"
    (package / "_data" / "rules").mkdir(parents=True)
    (tmp_path / "rules").mkdir()
    (tmp_path / "demo_limbs").mkdir()
    monkeypatch.setattr(data, "_PACKAGE", package)
    assert data.rules_folder() == package / "_data" / "rules"
    assert data.demo_folder() == tmp_path / "demo_limbs"


def test_an_installation_without_them_says_where_they_should_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(data, "_PACKAGE", tmp_path / "rectify")
    with pytest.raises(FileError, match="the folder rules is missing") as caught:
        data.rules_folder()
    assert caught.value.wanted is not None and str(tmp_path / "rules") in caught.value.wanted
