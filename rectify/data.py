"""Where the shipped rulebooks and demo cases are: beside the package in a checkout, else inside it."""

from __future__ import annotations

from pathlib import Path

from rectify.errors import FileError

__all__ = ["demo_folder", "rules_folder"]

_PACKAGE = Path(__file__).resolve().parent


def rules_folder() -> Path:
    """The folder of shipped rulebooks. FileError where the installation lacks it."""
    return _find("rules")


def demo_folder() -> Path:
    """The folder of demo cases. FileError where the installation lacks it."""
    return _find("demo_limbs")


def _find(name: str) -> Path:
    places = (_PACKAGE / "_data" / name, _PACKAGE.parent / name)
    for place in places:
        if place.is_dir():
            return place
    raise FileError(
        f"the folder {name} is missing",
        wanted=" or ".join(str(place) for place in places),
        hint="install the program again",
    )
