"""Saved versions: what a person changed on one case, each in a small file beside it that is never overwritten.

    versions/0001.yaml, 0002.yaml, ...

A version is whole in itself: every tuning and every landmark that is laid over the case, who saved it, when and
why, which version it was made from, and what was found at a fitting. The newest is what `open_case` takes, unless
another is asked for. A file appears whole or not at all, and a number is given once, whoever else is saving.
"""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import yaml
from pydantic import Field, PlainValidator

from rectify.case.landmarks import read_landmarks
from rectify.case.model import Date, Who
from rectify.errors import CaseError, FileError, OutputError
from rectify.limb.landmarks import RawLandmark
from rectify.rulebook.faults import checked
from rectify.rulebook.fields import Base
from rectify.rulebook.words import Wrong, shown
from rectify.rulebook.yamltext import Document, KeyPath, parse_yaml, read_yaml

__all__ = [
    "FOLDER",
    "Finding",
    "Saved",
    "newest",
    "numbers",
    "read_saved",
    "saved_from_text",
    "saved_text",
    "write_saved",
]

FOLDER = "versions"
_FILE = re.compile(r"(\d{4})\.yaml")
_LAST = 9999
_LONGEST = 300  # characters of a reason


def _line(raw: object) -> str:
    text = raw.strip() if isinstance(raw, str) else ""
    if not text or len(text) > _LONGEST or any(ord(c) < 32 for c in text):
        raise Wrong(f"is {shown(raw)}", wanted=f"one line of text, at most {_LONGEST} characters")
    return text


Line = Annotated[str, PlainValidator(_line)]


class Finding(Base):
    """What was seen or felt at a fitting, at one place."""

    kind: Literal[
        "seated-deep",
        "seated-high",
        "sock-ply",
        "pistoning",
        "rotation",
        "redness",
        "blanching",
        "pain",
        "gap",
        "other",
    ]
    where: Line | None = None
    minutes: Annotated[float, Field(ge=0, le=1440)] | None = None  # how long it lasted
    ply: Annotated[int, Field(ge=0, le=20)] | None = None
    note: Line | None = None


class SavedModel(Base):
    """The file, key by key; `tune` and `landmarks` are read by their own readers."""

    format: Literal[1]
    version: Annotated[int, Field(ge=1, le=_LAST)]
    from_: Annotated[int, Field(ge=0, le=_LAST, alias="from")]
    case: str
    by: Who
    on: Date
    why: Line
    tune: Any = None
    landmarks: Any = None
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, eq=False)
class Saved:
    """One saved version, read.

    Parameters
    ----------
    number : int
        From 1.
    file : str
        Its path within the case's folder.
    says : SavedModel
    document : Document
        For lines in sentences.
    landmarks : name -> RawLandmark
        Laid over the case's, in the scan's axes, mm.
    """

    number: int
    file: str
    says: SavedModel
    document: Document
    landmarks: Mapping[str, RawLandmark]

    @property
    def tune(self) -> list[Any]:
        """The tunings as they are written; they come after the case's own."""
        return list(self.says.tune or [])

    def where(self, keys: KeyPath) -> tuple[str | None, int | None]:
        """File and line of a key."""
        return self.document.path, self.document.line(keys)


def numbers(folder: Path) -> list[int]:
    """The numbers of a case's saved versions, oldest first."""
    place = folder / FOLDER
    if not place.is_dir():
        return []
    found = (_FILE.fullmatch(file.name) for file in place.iterdir())
    return sorted(int(match[1]) for match in found if match and int(match[1]) > 0)


def newest(folder: Path) -> int:
    """The number of the newest saved version; 0 where there is none."""
    return max(numbers(folder), default=0)


def file_of(number: int) -> str:
    """A version's file within the case's folder, with forward slashes."""
    return f"{FOLDER}/{number:04d}.yaml"


def read_saved(folder: Path, number: int, *, case: str, amputation: str, mm: float) -> Saved:
    """Read one saved version of a case.

    Parameters
    ----------
    folder : Path
        The case's.
    number : int
    case, amputation : str
        As the case says.
    mm : float
        Millimetres to one of the scan's own units, in which its landmarks are.

    Raises
    ------
    FileError
        There is no such version.
    CaseError, LandmarkError, Faults
    """
    path = folder / file_of(number)
    if not path.is_file() or not path.resolve().is_relative_to(folder.resolve()):
        there = ", ".join(map(str, numbers(folder))) or "none"
        raise FileError(
            f"there is no saved version {number}", path=folder, found=there, hint="0 is the case as it was written"
        )
    return _read(read_yaml(path, CaseError), number, case=case, amputation=amputation, mm=mm)


def saved_from_text(text: str, number: int, *, case: str, amputation: str, mm: float, path: str = "") -> Saved:
    """A version from its file's text: what is not saved yet is read as it will be read."""
    return _read(parse_yaml(text, path=path, error=CaseError), number, case=case, amputation=amputation, mm=mm)


def _read(document: Document, number: int, *, case: str, amputation: str, mm: float) -> Saved:
    def place(keys: KeyPath) -> tuple[str | None, int | None]:
        return document.path, document.line(keys)

    says = checked(SavedModel, document.mapping(CaseError), place, error=CaseError)
    for key, wanted, found in (("case", case, says.case), ("version", number, says.version)):
        if wanted != found:
            raise CaseError(
                f"is of another {key}",
                path=document.path,
                line=document.line((key,)),
                key=key,
                wanted=str(wanted),
                found=str(found),
                hint="a saved version belongs to one case and keeps its number: do not copy it",
            )
    marks = read_landmarks(document, ("landmarks",), says.landmarks, amputation, mm) if says.landmarks else {}
    return Saved(number, file_of(number), says, document, marks)


def saved_text(
    number: int,
    *,
    case: str,
    made_from: int,
    by: str,
    on: str,
    why: str,
    tune: Sequence[Any] = (),
    landmarks: Mapping[str, Any] | None = None,
    findings: Sequence[Finding] = (),
) -> str:
    """The text of a version's file.

    Parameters
    ----------
    number, made_from : int
        Its own number, and of the version it was made from (0: the case as written).
    tune : entries as in a case file
    landmarks : name -> place, as in a landmarks file, in the scan's own units and axes
    """
    says: dict[str, Any] = {
        "format": 1, "version": number, "from": made_from, "case": case, "by": by, "on": on, "why": why,
    }  # fmt: skip
    if tune:
        says["tune"] = list(tune)
    if landmarks:
        says["landmarks"] = dict(landmarks)
    if findings:
        says["findings"] = [f.model_dump(exclude_none=True) for f in findings]
    text: str = yaml.dump(says, Dumper=_Plain, sort_keys=False, allow_unicode=True, width=110, default_flow_style=None)
    return text


class _Plain(yaml.SafeDumper):
    """Without anchors, which the reader refuses."""

    def ignore_aliases(self, data: Any) -> bool:  # noqa: ARG002 (the name is the base class's)
        """Write everything out."""
        return True


def write_saved(folder: Path, number: int, text: str) -> Path:
    """Save a version's file: whole, and only where its number is free.

    Raises
    ------
    OutputError
        The number is taken by now, or the folder cannot be written.
    """
    place, path = folder / FOLDER, folder / file_of(number)
    aside = place / f".{secrets.token_hex(6)}.new"
    try:
        place.mkdir(exist_ok=True)
        with aside.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        _appear(aside, path)
    except FileExistsError as problem:
        raise OutputError(
            f"version {number} was saved by somebody else in the meantime",
            path=path,
            hint="look at it, then save again",
        ) from problem
    except OSError as problem:
        raise OutputError(
            "cannot be saved",
            path=path,
            found=problem.strerror or str(problem),
            hint="nothing was lost: mend it, and save again",
        ) from problem
    finally:
        aside.unlink(missing_ok=True)
    return path


def _appear(aside: Path, path: Path) -> None:
    """Give a finished file its name; FileExistsError where the name is taken."""
    try:
        os.link(aside, path)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links: the name is taken first, then filled by a rename
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        aside.replace(path)
