"""A copy of a demo case, and a workbench for it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from rectify.data import demo_folder
from tests.workbench.serving import Client, serving


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(demo_folder() / "RB-102", tmp_path / "RB-102"))


@pytest.fixture
def bench(folder: Path) -> Iterator[Client]:
    with serving(folder) as client:
        yield client
