"""What is not saved yet, beside the case: so that a killed server or a closed browser loses nothing.

    versions/unsaved.json         what the bench that is open now has changed; gone after a save
    versions/unsaved-<time>.json  what one that ended without saving had; offered back, until taken up or thrown away

One bench at a time holds the case's folder. Every write is whole or absent. A folder that cannot be written is no
fault before a save is asked for.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from rectify.case.version import FOLDER
from rectify.errors import CaseError

try:
    import fcntl
except ImportError:  # not on Windows: there nothing keeps a second bench from the case
    fcntl = None  # type: ignore[assignment]

__all__ = ["Unsaved"]

_FILE, _OLD = "unsaved.json", "unsaved-*.json"


class Unsaved:
    """The unsaved work of one case, held by one bench at a time.

    Raises
    ------
    CaseError
        Another bench has the case open.
    """

    def __init__(self, folder: Path, case: str) -> None:
        self._case = case
        self._place = folder / FOLDER
        self._handle = self._hold()
        with contextlib.suppress(OSError):
            old = self._place / _FILE
            if old.exists():
                when = datetime.fromtimestamp(old.stat().st_mtime).strftime("%Y%m%d-%H%M%S")
                old.rename(self._place / f"unsaved-{when}-{secrets.token_hex(2)}.json")

    def _hold(self) -> int | None:
        """The case's folder, held until this process ends."""
        if fcntl is None:
            return None
        handle = os.open(self._place.parent, os.O_RDONLY)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(handle)
            raise CaseError(
                "is open in another workbench", path=self._place.parent,
                hint="use that one (two windows may show it), or end it first",
            ) from None  # fmt: skip
        return handle

    def keep(self, says: Mapping[str, Any] | None) -> None:
        """Write what is unsaved now; None where there is nothing."""
        file = self._place / _FILE
        with contextlib.suppress(OSError):
            if says is None:
                file.unlink(missing_ok=True)
                return
            self._place.mkdir(exist_ok=True)
            aside = self._place / f".{secrets.token_hex(6)}.new"
            try:
                aside.write_text(json.dumps({"format": 1, "case": self._case, **says}, indent=1), encoding="utf-8")
                aside.replace(file)
            finally:
                aside.unlink(missing_ok=True)

    def left_over(self) -> dict[str, Any] | None:
        """The newest that an earlier bench left; None where there is none that can be read."""
        for file in reversed(self._left()):
            try:
                says = json.loads(file.read_text(encoding="utf-8"))
            except (OSError, ValueError):
                continue
            if isinstance(says, dict) and says.get("format") == 1 and says.get("case") == self._case:
                return says
        return None

    def forget_left_over(self) -> None:
        """Delete the newest that an earlier bench left; an older one is offered the next time."""
        for file in self._left()[-1:]:
            with contextlib.suppress(OSError):
                file.unlink()

    def close(self) -> None:
        """Let another bench have the case."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None
        with contextlib.suppress(OSError):
            self._place.rmdir()  # where nothing was saved

    def _left(self) -> list[Path]:
        return sorted(self._place.glob(_OLD)) if self._place.is_dir() else []
