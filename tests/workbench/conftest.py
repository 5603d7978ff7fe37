"""A copy of a demo case, and a workbench for it."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Iterator
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


@pytest.fixture
def tell(request: pytest.FixtureRequest) -> Callable[[str], None]:
    """Say in a line what a test measured; tests/budget.py prints all of these lines."""

    def say(text: str) -> None:
        request.node.user_properties.append(("tried", text))
        sys.stdout.write(text + "\n")

    return say
