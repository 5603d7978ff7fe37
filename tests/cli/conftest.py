"""Running a command in this process, as the installed `rectify` would."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from rectify.cli import main
from rectify.data import demo_folder


@dataclass(frozen=True)
class Ended:
    """How a command ended and what it said."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Standard output as JSON."""
        return json.loads(self.out)


Run = Callable[..., Ended]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    """Run a command in an empty folder."""
    monkeypatch.chdir(tmp_path)

    def running(*words: str | Path) -> Ended:
        capsys.readouterr()
        code = main([str(word) for word in words])
        said = capsys.readouterr()
        return Ended(code, said.out, said.err)

    return running


@pytest.fixture
def demo_case(tmp_path: Path) -> Path:
    """A copy of the first demo case, to be changed at will."""
    return Path(shutil.copytree(demo_folder() / "RB-101", tmp_path / "RB-101"))
