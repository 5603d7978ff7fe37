"""`rectify apply` killed at any moment: whole or absent, and the inputs untouched."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from rectify.data import demo_folder
from tests.guarantees.tier import often
from tests.running import ENVIRONMENT, RUN, contents, run_in

CODE = "RB-101"
LEAN = ("--without", "page")


def digests(folder: Path) -> dict[str, str]:
    return {name: hashlib.sha256(data).hexdigest() for name, data in contents(folder).items()}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, bytes], float]:
    """The files of an undisturbed run in a process of its own, and how long that took, s."""
    here = tmp_path_factory.mktemp("whole")
    case = shutil.copytree(demo_folder() / CODE, here / CODE)
    started = time.monotonic()
    ended = start(Path(case), here / "result").wait()
    assert ended == 4
    return contents(here / "result"), time.monotonic() - started


def start(case: Path, out: Path, *more: str) -> subprocess.Popen[bytes]:
    words = [sys.executable, "-c", RUN, "apply", str(case), "--out", str(out), *LEAN, *more]
    quiet = subprocess.DEVNULL
    return subprocess.Popen(words, cwd=out.parent, env=ENVIRONMENT, stdout=quiet, stderr=quiet)


def killed(process: subprocess.Popen[bytes], when: Callable[[], bool]) -> bool:
    """Kill a run as soon as `when` holds; whether it was still running then."""
    while process.poll() is None and not when():
        time.sleep(0.0005)
    alive = process.poll() is None
    if alive:
        os.kill(process.pid, signal.SIGKILL)  # nothing can be tidied up after this
    process.wait()
    return alive


def state(here: Path, expected: dict[str, bytes], before: dict[str, str]) -> str:
    """Absent or whole; anything else fails. The case is as it was."""
    assert digests(here / CODE) == before
    visible = sorted(p.name for p in here.iterdir() if not p.name.startswith("."))
    assert visible in ([CODE], [CODE, "result"]), visible
    hidden = [p for p in here.iterdir() if p.name.startswith(".")]
    assert all(p.name.startswith(".result.") for p in hidden)
    if not (here / "result").exists():
        return "absent, something hidden" if hidden else "absent"
    assert contents(here / "result") == expected
    return "whole"


def hidden_there(here: Path) -> bool:
    return any(path.name.startswith(".result.") for path in here.iterdir())


def test_a_kill_at_any_moment_leaves_the_result_absent_or_whole_and_the_case_alone(tmp_path, whole, tell):
    expected, takes = whole
    case = Path(shutil.copytree(demo_folder() / CODE, tmp_path / CODE))
    before, found = digests(case), []
    moments: list[Callable[[float], Callable[[], bool]]] = []
    for share in [0.15, 0.5, 0.8, 0.95] * often(1):
        moments.append(lambda begun, share=share: lambda: time.monotonic() - begun > share * takes)
    for after in [0.0, 0.002, 0.006, 0.015] * often(1):  # s after the first sign of writing
        seen: list[float] = []

        def writing(seen: list[float] = seen, after: float = after) -> bool:
            if not seen and hidden_there(tmp_path):
                seen.append(time.monotonic())
            return bool(seen) and time.monotonic() - seen[0] >= after

        moments.append(lambda _, writing=writing: writing)
    moments.append(lambda _: lambda: (tmp_path / "result").exists())
    for moment in moments:
        for left in tmp_path.glob(".result.*"):
            shutil.rmtree(left)  # so that the first sign of writing is this run's
        shutil.rmtree(tmp_path / "result", ignore_errors=True)
        killed(start(case, tmp_path / "result"), moment(time.monotonic()))
        found.append(state(tmp_path, expected, before))
    assert {"absent", "absent, something hidden", "whole"} <= set(found)
    tell(f"kills: {len(found)}; " + ", ".join(f"{found.count(kind)} {kind}" for kind in sorted(set(found))))


def test_a_run_after_a_kill_tidies_up_and_gives_the_whole_result(tmp_path, whole):
    expected, _ = whole
    case = Path(shutil.copytree(demo_folder() / CODE, tmp_path / CODE))
    while not hidden_there(tmp_path):  # a kill while it writes
        killed(start(case, tmp_path / "result"), lambda: hidden_there(tmp_path))
        shutil.rmtree(tmp_path / "result", ignore_errors=True)
    assert run_in(tmp_path, "apply", CODE, "--out", "result", *LEAN).code == 4
    assert contents(tmp_path / "result") == expected
    assert sorted(p.name for p in tmp_path.iterdir()) == [CODE, "result"]


def test_a_kill_while_replacing_leaves_the_old_or_the_new(tmp_path, whole):
    expected, _ = whole
    case = Path(shutil.copytree(demo_folder() / CODE, tmp_path / CODE))
    old = {"change-report.json": b"an earlier result"}
    for after in (0.0, 0.004, 0.012):
        shutil.rmtree(tmp_path / "result", ignore_errors=True)
        for left in tmp_path.glob(".result.*"):
            shutil.rmtree(left)
        (tmp_path / "result").mkdir()
        (tmp_path / "result" / "change-report.json").write_bytes(old["change-report.json"])
        seen: list[float] = []

        def writing(seen: list[float] = seen, after: float = after) -> bool:
            if not seen and hidden_there(tmp_path):
                seen.append(time.monotonic())
            return bool(seen) and time.monotonic() - seen[0] >= after

        killed(start(case, tmp_path / "result", "--replace"), writing)
        if not (tmp_path / "result").exists():  # between the two renames: the next run brings it back or replaces it
            assert any(contents(p) == old for p in tmp_path.glob(".result.*.old"))
        else:
            assert contents(tmp_path / "result") in (old, expected)
