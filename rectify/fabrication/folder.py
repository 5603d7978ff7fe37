"""A result folder that is there whole or not at all.

Files are made in a hidden folder beside the wanted one and moved in by a rename, so that nobody meets half a
result. After an exception nothing is left behind. After a kill or a power cut the wanted folder is absent,
complete, or still the old one; what the dead run left hidden beside it is cleared away by the next run, and
an old folder it had put aside comes back. Two runs that write one folder at the same time: the later rename
is refused, or replaces the earlier result; the two are never mixed.
"""

from __future__ import annotations

import errno
import os
import re
import secrets
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from rectify.errors import OutputError

try:
    import fcntl
except ImportError:  # not on Windows: there a dead run's hidden folder stays until somebody deletes it
    fcntl = None  # type: ignore[assignment]

__all__ = ["refuse_place", "whole_or_nothing"]

_FULL = {errno.ENOSPC, errno.EDQUOT}
_WRITING = {errno.EFBIG, errno.EIO}  # of a write, where no file is named: a quota on the size of files, a broken disk
_FORBIDDEN = {errno.EACCES, errno.EPERM, errno.EROFS}


def refuse_place(
    folder: Path, *, replace: bool = False, inputs: Iterable[Path] = (), earlier: str | None = None
) -> None:
    """Refuse a folder that `whole_or_nothing` would refuse, as far as that can be told before any work is done.

    Raises
    ------
    OutputError
    """
    folder = _checked(Path(folder), replace, inputs)
    with _in_words(folder):
        _refuse_existing(folder, replace, earlier)


@contextmanager
def whole_or_nothing(
    folder: Path, *, replace: bool = False, inputs: Iterable[Path] = (), earlier: str | None = None
) -> Iterator[Path]:
    """Give a folder to fill; it becomes `folder` when the block ends without an exception.

    Parameters
    ----------
    folder : Path
        Must not exist, unless `replace`. Its parent must.
    replace : bool
        Put an existing folder aside, the new one in its place, then delete the old one with all it holds.
    inputs : paths
        Files the result is made from: a folder that holds one of them is not replaced.
    earlier : str, optional
        A file that every earlier result has: a folder without it, unless it is empty, is not replaced.

    Yields
    ------
    Path
        The folder to write into. Its name is not the final one; do not write it into any file.

    Raises
    ------
    OutputError
        The folder exists, cannot be made, or the disk is full. Other exceptions of the block pass through.

    Examples
    --------
    >>> import tempfile
    >>> place = Path(tempfile.mkdtemp()) / "result"
    >>> with whole_or_nothing(place) as folder:
    ...     _ = (folder / "note.txt").write_text("done")
    >>> [file.name for file in place.iterdir()]
    ['note.txt']
    """
    folder = _checked(Path(folder), replace, inputs)
    aside, old = _hidden(folder, "partial"), _hidden(folder, "old")
    locks: list[int] = []
    try:
        with _in_words(folder):
            _clear_up(folder)
            _refuse_existing(folder, replace, earlier)
            aside.mkdir()
            locks += _lock(aside)
        with _in_words(folder, aside):
            yield aside
        with _in_words(folder):
            _flush(aside)
            _refuse_existing(folder, replace, earlier)  # once more: another run may have come first
            locks += _lock(folder)
            _move_in(aside, folder, old)
    finally:
        shutil.rmtree(aside, ignore_errors=True)
        for lock in locks:
            os.close(lock)


def _checked(folder: Path, replace: bool, inputs: Iterable[Path]) -> Path:
    """The folder as an absolute path, its parent there, none of the inputs in it."""
    if folder.name in {"", "..", "."}:
        raise OutputError("is not a name for a new folder", path=folder, hint="name one, such as result")
    try:
        parent = folder.parent.resolve(strict=True)
        if not parent.is_dir():
            raise NotADirectoryError
        whole = parent / folder.name
        inside = [str(path) for path in map(Path, inputs) if path.resolve().is_relative_to(whole)]
    except (OSError, RuntimeError, ValueError):  # the last two: links in a ring, a name no file can have
        raise OutputError(
            "its parent is not a folder", path=folder, found=str(folder.parent), hint="make that folder first"
        ) from None
    if replace and inside:
        raise OutputError(
            "holds a file this result is made from, so it is not replaced",
            path=folder,
            found=inside[0],
            hint="choose another folder for the result",
        )
    if replace and Path.cwd().is_relative_to(whole):
        raise OutputError("is the folder you are in, so it is not replaced", path=folder, hint="leave it first")
    return whole


def _refuse_existing(folder: Path, replace: bool, earlier: str | None) -> None:
    if not os.path.lexists(folder):
        return
    if folder.is_symlink() or not folder.is_dir():
        raise OutputError(
            "exists and is not a folder",
            path=folder,
            wanted="a folder",
            found="a link" if folder.is_symlink() else "a file",
            hint="choose another name",
        )
    if not replace:
        raise OutputError("exists already", path=folder, hint="choose another name, or give --replace")
    if earlier is not None and not (folder / earlier).is_file() and any(folder.iterdir()):
        raise OutputError(
            "is no earlier result, so it is not replaced",
            path=folder,
            wanted=f"a folder that holds {earlier}, or an empty one",
            hint="choose another folder for the result",
        )


def _move_in(aside: Path, folder: Path, old: Path) -> None:
    """The rename that makes the result visible; the old folder, if there is one, goes after it."""
    try:
        if os.path.lexists(folder):
            folder.rename(old)
        aside.rename(folder)
    except BaseException:
        if old.exists() and not os.path.lexists(folder):
            old.rename(folder)
        raise
    _flush_folder(folder.parent)
    shutil.rmtree(old, ignore_errors=True)  # what cannot be deleted stays hidden; the result is complete


def _hidden(folder: Path, kind: str) -> Path:
    return folder.with_name(f".{folder.name}.{secrets.token_hex(4)}.{kind}")


def _clear_up(folder: Path) -> None:
    """Take away what dead runs left beside the folder; bring back an old folder one of them had put aside.

    A living run holds a lock on its hidden folders, and the lock ends with the run however it ends.
    """
    pattern = re.compile(rf"\.{re.escape(folder.name)}\.[0-9a-f]{{8}}\.(partial|old)")
    for path in sorted(folder.parent.iterdir()):
        kind = pattern.fullmatch(path.name)
        if kind is None or path.is_symlink() or not path.is_dir():
            continue
        locks = _lock(path)
        if locks and kind[1] == "old" and not os.path.lexists(folder):
            path.rename(folder)
        elif locks:
            shutil.rmtree(path, ignore_errors=True)
        for lock in locks:
            os.close(lock)


def _lock(folder: Path) -> list[int]:
    """A descriptor that holds a lock on a folder; none where another run has it, or there are no locks.

    Some network disks have none: work goes on there, and only the clearing up is left out.
    """
    if fcntl is None:
        return []
    try:
        number = os.open(folder, os.O_RDONLY)
    except OSError:
        return []
    try:
        fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(number)
        return []
    return [number]


def _flush(folder: Path) -> None:
    """Bring every file to the disk before the rename makes it count."""
    for root, _, files in os.walk(folder):
        for name in files:
            path = Path(root, name)
            number = os.open(path, os.O_RDONLY if os.name == "posix" else os.O_RDWR)
            try:
                os.fsync(number)
            finally:
                os.close(number)
        _flush_folder(Path(root))


def _flush_folder(folder: Path) -> None:
    if os.name != "posix":  # elsewhere a folder cannot be opened
        return
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


@contextmanager
def _in_words(folder: Path, within: Path | None = None) -> Iterator[None]:
    """Turn an OSError into words; given `within`, one that is not about a file in there passes through."""
    try:
        yield
    except OSError as error:
        if error.errno in _FULL:
            raise OutputError(
                "cannot be written: the disk is full", path=folder, hint="make room, or choose another disk"
            ) from error
        if within is not None and not _about(error, within):
            raise
        if error.errno in _FORBIDDEN:
            raise OutputError(
                "cannot be written here",
                path=folder,
                found=error.strerror,
                hint="choose a folder you may write to",
            ) from error
        raise OutputError("cannot be written", path=folder, found=error.strerror or str(error)) from error


def _about(error: OSError, folder: Path) -> bool:
    name = error.filename
    if name is None:
        return error.errno in _WRITING
    if not isinstance(name, (str, bytes, os.PathLike)):
        return False
    return Path(os.fsdecode(name)).is_relative_to(folder)
