"""Small rulebooks for the tests, as text, and a loader that puts them in a folder of their own."""

from __future__ import annotations

from pathlib import Path

from rectify.rulebook.load import Rulebook, load_rulebook

HEAD = """\
format: 1
name: Test
amputation: transtibial
status: usable
revision: 1
"""

BAR = """\
  bar:
    action: reduce
    amount: 5 mm
    allow: [2 mm, 7 mm]
    at: mid-patellar-tendon
    shape: {oval: {along: 36 mm, around: 50 mm}}
    feather: 16 mm
    evidence: common practice
"""

HEAD_UP = """\
  fibular-head:
    action: build-up
    amount: 4 mm
    allow: [3 mm, 6 mm]
    at: fibular-head
    shape: {oval: 30 mm}
    feather: 12 mm
    evidence: common practice
"""


def book_text(regions: str = BAR, *, more: str = "", head: str = HEAD) -> str:
    """A rulebook of these regions, with further top-level keys."""
    return head + more + ("regions:\n" + regions if regions else "")


def load_text(folder: Path, text: str, name: str = "book") -> Rulebook:
    """The text written to a file of its own and loaded."""
    path = folder / f"{name}.yaml"
    path.write_text(text, encoding="utf-8")
    return load_rulebook(path)


def line_of(text: str, words: str) -> int:
    """The line (from 1) of the first line that contains some words."""
    return next(number for number, line in enumerate(text.splitlines(), start=1) if words in line)
