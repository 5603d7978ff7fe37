"""Commands run in folders of their own, and one demo case rectified once for all tests."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from rectify.data import demo_folder
from tests.running import Ended, contents, report_of, run_in

Run = Callable[..., Ended]


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


@pytest.fixture
def demo_case(tmp_path: Path) -> Path:
    """A copy of the first demo case, to be changed at will."""
    return Path(shutil.copytree(demo_folder() / "RB-101", tmp_path / "RB-101"))
