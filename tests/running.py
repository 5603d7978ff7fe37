"""Running a command in this process, as the installed `rectify` would; used by every test of the doors."""

from __future__ import annotations

import contextlib
import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rectify.cli import main


@dataclass(frozen=True)
class Ended:
    """How a command ended and what it said."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Standard output as JSON."""
        return json.loads(self.out)


def run_in(folder: Path, *words: str | Path) -> Ended:
    """Run a command in a folder, in this process."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.chdir(folder), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([str(word) for word in words])
    return Ended(code, out.getvalue(), err.getvalue())


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a folder."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def report_of(folder: Path) -> Any:
    """change-report.json of a result folder."""
    return json.loads((folder / "change-report.json").read_text(encoding="utf-8"))
