"""Writing a comparison: comparison.json and comparison.html in one new folder, both or neither."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from rectify.fabrication.folder import refuse_place, whole_or_nothing
from rectify.report.facts import to_json

if TYPE_CHECKING:
    from rectify.studies.comparison import Comparison

__all__ = ["FACTS_FILE", "PAGE_FILE", "check_place", "save_comparison"]

FACTS_FILE, PAGE_FILE = "comparison.json", "comparison.html"


def check_place(folder: Path, *, replace: bool = False) -> None:
    """Refuse a folder before any work is done for it; `save_comparison` looks again.

    Raises
    ------
    OutputError
    """
    refuse_place(folder, replace=replace, earlier=FACTS_FILE)


def save_comparison(made: Comparison, folder: Path, *, replace: bool = False) -> Path:
    """Write facts and page into a new folder.

    Parameters
    ----------
    replace : bool
        Put it in the place of an earlier comparison's, which is deleted.

    Raises
    ------
    OutputError
        It cannot be written there.
    """
    from rectify.studies.page import comparison_page

    inputs = [Path(version.path) for version in (made.before, made.after)]
    with whole_or_nothing(folder, replace=replace, inputs=inputs, earlier=FACTS_FILE) as aside:
        (aside / FACTS_FILE).write_bytes(to_json(made.facts))
        page = comparison_page(made, date.today().isoformat())  # a sheet of paper must say how old it is
        (aside / PAGE_FILE).write_bytes(page.encode("utf-8"))
    return folder
