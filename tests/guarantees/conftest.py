"""Telling how much was tried, in the table after the checks and with `pytest -s`; and the same examples every time."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator

import pytest
from hypothesis.internal.conjecture import providers

__all__ = ["no_constants_of_modules", "tell"]


@pytest.fixture(autouse=True, scope="module")
def no_constants_of_modules() -> Iterator[None]:
    """Keep hypothesis from drawing constants out of the project's loaded modules: which those are depends on the run.

    Versions that do not draw them have no such function, and nothing to be kept from.
    """
    if not hasattr(providers, "_get_local_constants"):
        yield
        return
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(providers, "_get_local_constants", providers.Constants)
        providers.CONSTANTS_CACHE.cache.clear()
        yield
    providers.CONSTANTS_CACHE.cache.clear()


@pytest.fixture
def tell(request: pytest.FixtureRequest) -> Callable[[str], None]:
    """Say in a line what a test tried and measured; tests/budget.py prints all of these lines."""

    def say(text: str) -> None:
        request.node.user_properties.append(("tried", text))
        sys.stdout.write(text + "\n")

    return say
