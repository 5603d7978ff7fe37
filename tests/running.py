"""Running a command in this process or in one of its own, as the installed `rectify` would; for tests of the doors."""

from __future__ import annotations

import contextlib
import ctypes
import io
import json
import os
import resource
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import rectify
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


# -- in a process of its own ----------------------------------------------------------------------

ENVIRONMENT = {**os.environ, "PYTHONPATH": str(Path(rectify.__file__).parents[1])}  # the very package under test
RUN = "import sys; from rectify.cli.main import main; sys.exit(main(sys.argv[1:]))"


def run_alone(folder: Path, *words: str | Path, before: Callable[[], None] | None = None) -> Ended:
    """Run a command in a folder, in a process of its own; `before` is called in it first."""
    command = [sys.executable, "-c", RUN, *map(str, words)]
    ended = subprocess.run(
        command, cwd=folder, env=ENVIRONMENT, capture_output=True, text=True, check=False, preexec_fn=before
    )
    return Ended(ended.returncode, ended.stdout, ended.stderr)


def heed_permissions() -> None:
    """For `before`: let the bits of a folder count for root too, who may otherwise write where it is forbidden."""
    if os.geteuid() == 0:  # CAP_DAC_OVERRIDE and CAP_DAC_READ_SEARCH leave the bounding set before the program starts
        drop, library = 24, ctypes.CDLL(None, use_errno=True)
        for capability in (1, 2):
            if library.prctl(drop, capability, 0, 0, 0) != 0:
                raise OSError(ctypes.get_errno(), "the capability cannot be dropped")


def no_file_over(size: int) -> Callable[[], None]:
    """For `before`: let no file grow over so many bytes; writing on fails, as where there is no more room."""
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


# -- on a disk of its own -------------------------------------------------------------------------

_ON_A_DISK = """
mount -t tmpfs -o "$1" none "$2" || exit 126
[ -z "$3" ] || cp -r "$3/." "$2" || exit 126
cd "$2" || exit 126
shift 3; left=$1; shift
"$@"; code=$?
cp -r . "$left" || exit 126
exit $code
"""


def way_to_mount(folder: Path) -> tuple[str, ...]:
    """The words that give a command mounts of its own, seen by nobody else; none where that is not permitted."""
    point = folder / "mounted"
    point.mkdir(exist_ok=True)
    for way in (("unshare", "-m"), ("unshare", "-rm")):
        words = [*way, "mount", "-t", "tmpfs", "-o", "size=64k", "none", str(point)]
        with contextlib.suppress(FileNotFoundError):
            if subprocess.run(words, capture_output=True, check=False).returncode == 0:
                return way
    return ()


def run_on_disk(
    way: tuple[str, ...], options: str, place: Path, left: Path, *words: str | Path, holds: Path | None = None
) -> Ended:
    """Run a command on a small disk that is mounted at `place` for it alone, and keep what it left there.

    Parameters
    ----------
    way : as `way_to_mount` found it
    options : of the file system: "size=300k", "nr_inodes=5"
    left : Path
        A folder for what lies on the disk afterwards, which goes with the command.
    holds : Path, optional
        A folder whose contents lie on the disk before.
    """
    command = [sys.executable, "-c", RUN, *map(str, words)]
    begin = [*way, "sh", "-c", _ON_A_DISK, "sh", options, str(place), str(holds or ""), str(left)]
    ended = subprocess.run([*begin, *command], env=ENVIRONMENT, capture_output=True, text=True, check=False)
    assert ended.returncode != 126, ended.stderr
    return Ended(ended.returncode, ended.stdout, ended.stderr)
