"""The error tree: what went wrong, where, what was wanted, what was found, and how to mend it.

    RectifyError            anything this program says no to; the commands end with exit_code
      InputError            exit 2: the input or the command is wrong, nothing was written
        FileError           a file that cannot be read, or is not what its name says
        MeshError           a surface that cannot be worked on
        LandmarkError       a landmark that is missing, misplaced or impossible
        CaseError           case.yaml says something that cannot be
        RulesError          a rulebook, a tuning or --set says something that cannot be
        OutputError         the result cannot be written where it was asked for
        Faults              several of the above at once
      LimitError            exit 3: a limit of the rulebook was breached; reports are written, no shape

Errors hold data; the sentence is made from it, so that a page can point at the same field.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

__all__ = [
    "CaseError",
    "Faults",
    "FileError",
    "InputError",
    "LandmarkError",
    "LimitError",
    "MeshError",
    "OutputError",
    "RectifyError",
    "RulesError",
]


class RectifyError(Exception):
    """Something this program says no to.

    Parameters
    ----------
    message : str
        One sentence: what is wrong. No full stop, no path, no line: those have fields of their own.
    path, line, key
        Where: the file, its line (from 1), and the dotted key in it.
    wanted, found, hint : str
        What would be right, what is there, and how to mend it.
    """

    exit_code = 1

    def __init__(
        self,
        message: str,
        *,
        path: str | Path | None = None,
        line: int | None = None,
        key: str | None = None,
        wanted: str | None = None,
        found: str | None = None,
        hint: str | None = None,
    ) -> None:
        super().__init__(message)
        self.message = message
        self.path = None if path is None else str(path)
        self.line = line
        self.key = key
        self.wanted = wanted
        self.found = found
        self.hint = hint

    def __str__(self) -> str:
        place = self.path or ""
        if self.line is not None:
            place += f":{self.line}"
        head = "  ".join(part for part in (place, f"{self.key}: {self.message}" if self.key else self.message) if part)
        lines = [head]
        seen = [f"{word}: {text}" for word, text in (("wanted", self.wanted), ("found", self.found)) if text]
        if seen:
            lines.append("    " + "   ".join(seen))
        if self.hint:
            lines.append(f"    {self.hint}")
        return "\n".join(lines)

    def as_dict(self) -> dict[str, str | int]:
        """The fields that are set, for `--json` and for pages."""
        fields = {
            "kind": type(self).__name__,
            "message": self.message,
            "path": self.path,
            "line": self.line,
            "key": self.key,
            "wanted": self.wanted,
            "found": self.found,
            "hint": self.hint,
        }
        return {name: value for name, value in fields.items() if value is not None}


class InputError(RectifyError):
    """The input or the command is wrong; nothing was written."""

    exit_code = 2


class FileError(InputError):
    """A file that cannot be read, or is not what its name says."""


class MeshError(InputError):
    """A surface that cannot be worked on."""


class LandmarkError(InputError):
    """A landmark that is missing, misplaced or impossible."""


class CaseError(InputError):
    """case.yaml says something that cannot be."""


class RulesError(InputError):
    """A rulebook, a tuning or --set says something that cannot be."""


class OutputError(InputError):
    """The result cannot be written where it was asked for."""


class Faults(InputError):
    """Several faults of one input, reported together.

    Parameters
    ----------
    errors : sequence of RectifyError, at least one
        In the order of the file.
    """

    def __init__(self, errors: Sequence[RectifyError]) -> None:
        if not errors:
            raise ValueError("Faults needs at least one error")
        super().__init__(f"{len(errors)} fault{'s' if len(errors) > 1 else ''}")
        self.errors = tuple(errors)

    def __str__(self) -> str:
        return "\n".join(str(error) for error in self.errors)


class LimitError(RectifyError):
    """A limit of the rulebook was breached: reports are written, no shape is."""

    exit_code = 3
