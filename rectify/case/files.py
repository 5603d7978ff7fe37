"""The files of a case: where they may lie, and their digests."""

from __future__ import annotations

import hashlib
from pathlib import Path

from rectify.errors import CaseError, FileError
from rectify.rulebook.yamltext import Document, KeyPath

__all__ = ["inside", "sha256_of"]


def inside(folder: Path, name: str, document: Document, keys: KeyPath) -> Path:
    """A file of the case: a plain relative path that stays in the folder."""
    path = folder / name
    try:
        stays = not Path(name).is_absolute() and path.resolve().is_relative_to(folder.resolve())
        there = stays and path.is_file()
    except (OSError, RuntimeError, ValueError):  # links in a ring, a name no file can have
        stays, there = True, False
    if not stays:
        raise CaseError(
            "leaves the case's folder",
            path=document.path,
            line=document.line(keys),
            key=".".join(map(str, keys)),
            found=name,
            wanted="a file in the same folder as case.yaml",
        )
    if not there:
        raise FileError("there is no such file", path=path, hint=f"named in {document.path}:{document.line(keys)}")
    return path


def sha256_of(path: Path) -> str:
    """Digest of a file, hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
