"""What is tried in every check is the same in every check."""

from __future__ import annotations

import sys
from types import ModuleType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.guarantees.tier import LONG, examples


def drawn() -> list[tuple[int, float, str]]:
    """What a property of the few examples is given."""
    seen: list[tuple[int, float, str]] = []

    @examples(30)
    @given(st.integers(), st.floats(allow_nan=False), st.text())
    def run(whole: int, number: float, word: str) -> None:
        seen.append((whole, number, word))

    run()
    return seen


@pytest.mark.parametrize("constant", [87_654_321, 4711.25])
def test_the_few_examples_do_not_depend_on_what_else_is_imported(tmp_path, monkeypatch, constant):
    # left alone, hypothesis also draws constants that stand in the project's modules loaded so far
    first = drawn()
    (tmp_path / "more.py").write_text(f"VALUE = {constant}\nWORD = 'another module altogether'\n")
    other = ModuleType("more")
    other.__file__ = str(tmp_path / "more.py")
    monkeypatch.setitem(sys.modules, "more", other)
    assert LONG or drawn() == first
