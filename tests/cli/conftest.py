"""Running a command in this process, as the installed `rectify` would."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
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


def run_in(folder: Path, *words: str | Path) -> Ended:
    """Run a command in a folder, in this process."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.chdir(folder), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([str(word) for word in words])
    return Ended(code, out.getvalue(), err.getvalue())


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Run a command in an empty folder, the test's own."""
    return partial(run_in, tmp_path)


@dataclass(frozen=True)
class Made:
    """A case that was rectified once, with everything that is written by default."""

    ended: Ended
    here: Path
    case: Path
    folder: Path
    case_before: dict[str, bytes]

    @property
    def report(self) -> Any:
        """change-report.json."""
        return report_of(self.folder)


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """`rectify apply RB-101`, beside a copy of that demo case."""
    here = tmp_path_factory.mktemp("made")
    case = Path(shutil.copytree(demo_folder() / "RB-101", here / "RB-101"))
    before = contents(case)
    return Made(run_in(here, "apply", "RB-101"), here, case, here / "RB-101-rectified", before)


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a folder."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def report_of(folder: Path) -> Any:
    """change-report.json of a result folder."""
    return json.loads((folder / "change-report.json").read_text(encoding="utf-8"))


@pytest.fixture
def demo_case(tmp_path: Path) -> Path:
    """A copy of the first demo case, to be changed at will."""
    return Path(shutil.copytree(demo_folder() / "RB-101", tmp_path / "RB-101"))
