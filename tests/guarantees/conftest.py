"""Telling how much was tried: into the table after the checks, and on screen with `pytest -s`."""

from __future__ import annotations

import sys
from collections.abc import Callable

import pytest

__all__ = ["tell"]


@pytest.fixture
def tell(request: pytest.FixtureRequest) -> Callable[[str], None]:
    """Say in a line what a test tried and measured; tests/budget.py prints all of these lines."""

    def say(text: str) -> None:
        request.node.user_properties.append(("tried", text))
        sys.stdout.write(text + "\n")

    return say
