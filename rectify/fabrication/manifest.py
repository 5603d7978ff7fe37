"""files.json: what a folder holds for machines, with digests, units and frame.

A pipeline reads this first: which file is what, in which units and axes, whether a licensed person released it, and the
SHA-256 that says it is still the same. Pages for people are not listed; they carry a date. The same result gives the
same bytes each run.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import rectify
from rectify.errors import FileError

__all__ = ["FRAME", "MANIFEST", "check_digests", "json_bytes", "read_json", "sha256", "write_manifest"]

MANIFEST = "files.json"
FRAME = "limb: origin on the axis at level 0, +z proximal, +y anterior, +x the person's right"
_KINDS = {".stl": "STL, binary", ".3mf": "3MF", ".json": "JSON", ".yaml": "YAML"}
_UNITS = {".stl": "mm", ".3mf": "mm"}
_LONGEST = 64 * 2**20  # bytes of a JSON file of ours: a report of a thousand regions has a few MB


def write_manifest(
    folder: Path, *, case: str, made: str, status: str, roles: Mapping[str, str], frame: str = FRAME
) -> None:
    """Write files.json about the files of a folder.

    Parameters
    ----------
    folder : Path
        Holds every file named.
    case : str
        Its code.
    made : str
        What the folder is: rectified-model, check-socket, carving-model.
    status : "draft" or "released"
    roles : file name -> what it is
    frame : str
        In words.
    """
    files = []
    for name in sorted(roles):
        content = (folder / name).read_bytes()
        kind = Path(name).suffix
        fact = {
            "file": name,
            "role": roles[name],
            "format": _KINDS[kind],
            "bytes": len(content),
            "sha256": sha256(content),
        }
        files.append(fact | ({"units": _UNITS[kind], "frame": "limb"} if kind in _UNITS else {}))
    facts = {
        "format": 1,
        "program": {"name": "rectify", "version": rectify.__version__},
        "case": case,
        "made": made,
        "status": status,
        "units": "mm",
        "frame": frame,
        "files": files,
    }
    (folder / MANIFEST).write_bytes(json_bytes(facts))


def check_digests(folder: Path, names: list[str]) -> None:
    """Refuse files that are no longer what files.json says; a folder without one, and a file not in it, passes.

    Raises
    ------
    FileError
    """
    path = folder / MANIFEST
    if not path.is_file():
        return
    listed = read_json(path).get("files")
    told = {item.get("file"): item.get("sha256") for item in listed if isinstance(item, dict)} if listed else {}
    for name in names:
        if name in told and sha256((folder / name).read_bytes()) != told[name]:
            raise FileError(
                "is not the file that was written: its digest differs from the one in files.json",
                path=folder / name,
                hint="make the result again with `rectify apply`",
            )


def sha256(content: bytes) -> str:
    """The digest in hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def json_bytes(facts: Mapping[str, Any]) -> bytes:
    """UTF-8, keys in their order, one space of indent, a newline at the end; no NaN."""
    return (json.dumps(facts, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode()


def read_json(path: Path) -> dict[str, Any]:
    """An object from a JSON file.

    Raises
    ------
    FileError
    """
    try:
        if path.stat().st_size > _LONGEST:
            raise FileError("is too long for a JSON file of this program", path=path)
        value = json.loads(path.read_bytes())
    except OSError as error:
        raise FileError("cannot be read", path=path, found=error.strerror or str(error)) from None
    except (ValueError, RecursionError):
        raise FileError("is not JSON", path=path, hint="make it again with `rectify apply`") from None
    if not isinstance(value, dict):
        raise FileError("is not what this program writes", path=path, wanted="an object", found=type(value).__name__)
    return value
