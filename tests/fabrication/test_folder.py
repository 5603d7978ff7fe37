"""Whole or nothing: after success, exceptions, full disks, forbidden places, and kills at any moment."""

from __future__ import annotations

import errno
import os
import random
import signal
import subprocess
import sys
import time
import warnings
from pathlib import Path

import pytest

from rectify.errors import OutputError
from rectify.fabrication import folder as module
from rectify.fabrication.folder import refuse_place, whole_or_nothing

ROOT = Path(__file__).parents[2]


def fill(folder: Path, word: str = "new", count: int = 3) -> None:
    """Files that show whether all of them are there and of one run."""
    (folder / "part").mkdir()
    for number in range(count):
        (folder / "part" / f"{number}.txt").write_text(word)
    (folder / "count.txt").write_text(str(count))


def state(folder: Path) -> str:
    """'absent', or the word of a complete folder; anything half is a failure."""
    if not folder.exists():
        return "absent"
    count = int((folder / "count.txt").read_text())
    words = {(folder / "part" / f"{number}.txt").read_text() for number in range(count)}
    assert len(words) == 1 and len(list((folder / "part").iterdir())) == count
    return words.pop()


def names(parent: Path) -> list[str]:
    return sorted(path.name for path in parent.iterdir())


def hidden(parent: Path) -> list[str]:
    return [name for name in names(parent) if name.startswith(".")]


def refused(folder: Path, text: str, **options: object) -> OutputError:
    """The error of a run; its block must not have been entered, unless it writes."""
    with pytest.raises(OutputError, match=text) as caught, whole_or_nothing(folder, **options) as place:
        fill(place)
    assert caught.value.exit_code == 2
    return caught.value


def test_a_finished_block_leaves_the_folder_and_nothing_else(tmp_path):
    with whole_or_nothing(tmp_path / "result") as place:
        fill(place)
        assert not (tmp_path / "result").exists()  # not before it is whole
        assert place.parent == tmp_path and place.name.startswith(".result.")
    assert state(tmp_path / "result") == "new"
    assert names(tmp_path) == ["result"]


def test_the_folder_may_be_read_by_those_the_umask_allows(tmp_path):
    with whole_or_nothing(tmp_path / "result") as place:
        fill(place)
    (tmp_path / "plain").mkdir()
    assert (tmp_path / "result").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_a_relative_name_means_the_folder_one_is_in_at_the_start(tmp_path, monkeypatch):
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path)
    with whole_or_nothing(Path("result")) as place:
        fill(place)
        os.chdir("elsewhere")
    assert state(tmp_path / "result") == "new"


@pytest.mark.parametrize("replace", [False, True])
@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, SystemExit])
def test_an_exception_passes_through_and_leaves_nothing(tmp_path, error, replace):
    if replace:
        (tmp_path / "result").mkdir()
        fill(tmp_path / "result", "old")
    with pytest.raises(error), whole_or_nothing(tmp_path / "result", replace=replace) as place:
        fill(place)
        raise error
    assert state(tmp_path / "result") == ("old" if replace else "absent")
    assert hidden(tmp_path) == []


def test_an_existing_folder_is_refused_with_the_option_that_replaces_it(tmp_path):
    (tmp_path / "result").mkdir()
    fill(tmp_path / "result", "old")
    assert "--replace" in refused(tmp_path / "result", "exists already").hint
    assert state(tmp_path / "result") == "old" and hidden(tmp_path) == []


def test_replacing_takes_the_old_folder_away_with_all_it_held(tmp_path):
    (tmp_path / "result").mkdir()
    fill(tmp_path / "result", "old", count=9)
    with whole_or_nothing(tmp_path / "result", replace=True) as place:
        fill(place)
        assert state(tmp_path / "result") == "old"
    assert state(tmp_path / "result") == "new"
    assert names(tmp_path) == ["result"]


def test_only_an_earlier_result_or_nothing_is_replaced_where_a_mark_of_one_is_named(tmp_path):
    folder = tmp_path / "result"
    folder.mkdir()
    with whole_or_nothing(folder, replace=True, earlier="count.txt") as place:  # empty: nothing is lost
        fill(place, "first")
    with whole_or_nothing(folder, replace=True, earlier="count.txt") as place:
        fill(place, "second")
    assert state(folder) == "second"
    error = refused(folder, "is no earlier result, so it is not replaced", replace=True, earlier="other.txt")
    assert "other.txt" in error.wanted
    with pytest.raises(OutputError, match="is no earlier result"):
        refuse_place(folder, replace=True, earlier="other.txt")
    assert state(folder) == "second" and names(tmp_path) == ["result"]


def test_what_can_be_told_before_the_work_is_told_before_it(tmp_path):
    (tmp_path / "file").write_text("mine")
    (tmp_path / "there").mkdir()
    refuse_place(tmp_path / "new")
    refuse_place(tmp_path / "there", replace=True)
    for name, text in {
        "file/new": "its parent is not a folder", "file": "exists and is not a folder", "there": "exists already"
    }.items():  # fmt: skip
        with pytest.raises(OutputError, match=text):
            refuse_place(tmp_path / name)
    assert names(tmp_path) == ["file", "there"]


def test_replacing_where_there_is_nothing_is_just_making(tmp_path):
    with whole_or_nothing(tmp_path / "result", replace=True) as place:
        fill(place)
    assert state(tmp_path / "result") == "new"


@pytest.mark.parametrize("replace", [False, True])
def test_a_file_or_a_link_of_that_name_is_never_replaced(tmp_path, replace):
    (tmp_path / "file").write_text("mine")
    refused(tmp_path / "file", "exists and is not a folder\n.*found: a file", replace=replace)
    (tmp_path / "target").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "target")
    refused(tmp_path / "link", "exists and is not a folder\n.*found: a link", replace=replace)
    (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
    refused(tmp_path / "dangling", "exists and is not a folder\n.*found: a link", replace=replace)
    assert (tmp_path / "file").read_text() == "mine" and hidden(tmp_path) == []


def test_a_folder_that_holds_an_input_is_not_replaced(tmp_path):
    case = tmp_path / "case"
    case.mkdir()
    scan = case / "scan.stl"
    scan.write_text("the only one")
    refused(case, "holds a file this result is made from", replace=True, inputs=[scan])
    assert scan.read_text() == "the only one"
    with whole_or_nothing(case / "result", replace=True, inputs=[scan]) as place:  # inside it is fine
        fill(place)
    assert scan.read_text() == "the only one" and state(case / "result") == "new"


def test_the_folder_one_is_in_is_not_replaced(tmp_path, monkeypatch):
    (tmp_path / "result" / "deep").mkdir(parents=True)
    monkeypatch.chdir(tmp_path / "result" / "deep")
    refused(tmp_path / "result", "the folder you are in", replace=True)


@pytest.mark.parametrize("name", [".", "..", "/", ""])
def test_a_place_without_a_name_is_refused(name):
    refused(Path(name), "is not a name for a new folder")


def test_a_parent_that_is_missing_or_a_file_is_refused(tmp_path):
    refused(tmp_path / "missing" / "result", "its parent is not a folder\n.*missing")
    (tmp_path / "file").write_text("mine")
    refused(tmp_path / "file" / "result", "its parent is not a folder")
    refused(tmp_path / "file" / "deeper" / "result", "its parent is not a folder")
    assert names(tmp_path) == ["file"]


def failing(monkeypatch, name: str, code: int, times: int = 1, after: int = 0) -> None:
    """Let a call of the os module fail with this errno, `after` good ones, then `times` bad ones."""
    real, calls = getattr(os, name), iter(range(10**6))

    def call(*args, **options):
        if after <= next(calls) < after + times:
            raise OSError(code, os.strerror(code), *(args[:1] if isinstance(args[0], (str, os.PathLike)) else ()))
        return real(*args, **options)

    monkeypatch.setattr(os, name, call)


@pytest.mark.parametrize("code", [errno.EACCES, errno.EROFS, errno.EPERM])
def test_a_parent_one_may_not_write_in_is_an_error_in_words(tmp_path, monkeypatch, code):
    failing(monkeypatch, "mkdir", code)
    error = refused(tmp_path / "result", f"cannot be written here\n.*{os.strerror(code)}")
    assert "may write to" in error.hint and names(tmp_path) == []


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EDQUOT])
@pytest.mark.parametrize("call", ["mkdir", "fsync", "rename"])
def test_a_full_disk_is_an_error_in_words_and_leaves_nothing(tmp_path, monkeypatch, code, call):
    failing(monkeypatch, call, code)
    refused(tmp_path / "result", "the disk is full\n.*make room")
    assert names(tmp_path) == []


def test_a_disk_that_fills_while_the_block_writes_is_an_error_in_words(tmp_path):
    with pytest.raises(OutputError, match="the disk is full"), whole_or_nothing(tmp_path / "result") as place:
        fill(place)
        raise OSError(errno.ENOSPC, "No space left on device")
    assert names(tmp_path) == []


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full")
def test_a_device_that_is_really_full_is_an_error_in_words(tmp_path):
    with pytest.raises(OutputError, match="the disk is full"), whole_or_nothing(tmp_path / "result") as place:
        fill(place)
        (place / "model.stl").symlink_to("/dev/full")
        (place / "model.stl").write_bytes(bytes(100))
    assert names(tmp_path) == []


def test_an_error_about_another_file_passes_through_untouched(tmp_path):
    with pytest.raises(FileNotFoundError), whole_or_nothing(tmp_path / "result"):
        (tmp_path / "missing scan.stl").read_bytes()
    with pytest.raises(OutputError, match="cannot be written"), whole_or_nothing(tmp_path / "result") as place:
        (place / "no folder" / "a.txt").write_text("")
    assert names(tmp_path) == []


@pytest.mark.parametrize("after", [0, 1])
def test_a_rename_that_fails_leaves_the_old_folder_in_place(tmp_path, monkeypatch, after):
    (tmp_path / "result").mkdir()
    fill(tmp_path / "result", "old")
    failing(monkeypatch, "rename", errno.EACCES, after=after)
    refused(tmp_path / "result", "cannot be written here", replace=True)
    assert state(tmp_path / "result") == "old" and hidden(tmp_path) == []


def test_a_folder_that_appears_meanwhile_is_not_overwritten(tmp_path):
    with pytest.raises(OutputError, match="exists already"), whole_or_nothing(tmp_path / "result") as place:
        fill(place)
        (tmp_path / "result").mkdir()
        fill(tmp_path / "result", "theirs")
    assert state(tmp_path / "result") == "theirs" and hidden(tmp_path) == []


def test_a_living_runs_folder_is_left_alone_and_a_dead_ones_is_cleared(tmp_path):
    dead = tmp_path / ".result.0123abcd.partial"
    dead.mkdir()
    fill(dead, "half")
    strangers = [
        tmp_path / ".result.notes",
        tmp_path / ".results.0123abcd.partial",
        tmp_path / ".result.0123abcd.partial.txt",
    ]
    for stranger in strangers:
        stranger.mkdir()
    with whole_or_nothing(tmp_path / "result") as first:
        assert not dead.exists()
        with whole_or_nothing(tmp_path / "result") as second:
            assert first.exists() and second.exists() and first != second
            fill(second, "second")
        fill(first, "first")
        with pytest.raises(OutputError, match="exists already"), whole_or_nothing(tmp_path / "result"):
            pass
        (tmp_path / "result").rename(tmp_path / "kept")
    assert state(tmp_path / "result") == "first" and all(stranger.exists() for stranger in strangers)


def test_an_old_folder_that_a_dead_run_had_put_aside_comes_back(tmp_path):
    aside = tmp_path / ".result.0123abcd.old"
    aside.mkdir()
    fill(aside, "old")
    refused(tmp_path / "result", "exists already")
    assert state(tmp_path / "result") == "old" and hidden(tmp_path) == []


def test_an_old_folder_left_beside_its_successor_is_cleared(tmp_path):
    for name, word in ((".result.0123abcd.old", "old"), ("result", "new")):
        (tmp_path / name).mkdir()
        fill(tmp_path / name, word)
    refused(tmp_path / "result", "exists already")
    assert state(tmp_path / "result") == "new" and hidden(tmp_path) == []


def test_work_goes_on_where_there_are_no_locks(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "fcntl", None)
    (tmp_path / ".result.0123abcd.partial").mkdir()
    with whole_or_nothing(tmp_path / "result") as place:
        fill(place)
    assert state(tmp_path / "result") == "new"
    assert hidden(tmp_path) == [".result.0123abcd.partial"]  # whose it is cannot be told


LAST = 28  # one past the last step: nothing is left to die at

CHILD = """
import sys
from pathlib import Path
from rectify.fabrication.folder import refuse_place, whole_or_nothing
sys.path.insert(0, sys.argv[2])
from test_folder import fill
print("ready", flush=True)
for turn in range(10**6):
    with whole_or_nothing(Path(sys.argv[1]), replace=True) as place:
        fill(place, f"turn {turn}", count=40)
"""


@pytest.mark.skipif(os.name != "posix", reason="a kill that cannot be caught")
def test_a_kill_at_any_moment_leaves_the_folder_absent_or_whole(tmp_path):
    folder = tmp_path / "result"
    seen, chance = set(), random.Random(5)
    for trial in range(60):
        if trial >= 12 and len(seen) > 2:
            break
        command = [sys.executable, "-c", CHILD, str(folder), str(Path(__file__).parent)]
        with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE) as child:
            assert child.stdout.readline() == b"ready\n"
            time.sleep(chance.uniform(0.0, 0.06) * 2.0 ** (trial // 12))  # a busy machine is slower
            child.send_signal(signal.SIGKILL)
        seen.add(state(folder))
    with whole_or_nothing(folder, replace=True) as place:
        fill(place)
    assert state(folder) == "new"
    assert hidden(tmp_path) == []  # whatever the dead runs left is cleared
    assert len(seen) > 2  # the kills came at different moments


@pytest.mark.skipif(os.name != "posix", reason="a kill that cannot be caught")
@pytest.mark.parametrize("call", range(LAST + 1))
@pytest.mark.parametrize("existed", [False, True])
def test_a_kill_before_each_single_step_leaves_absent_old_or_new(tmp_path, existed, call):
    """Every call that changes the disk is a moment to die at."""
    folder = tmp_path / "result"
    if existed:
        folder.mkdir()
        fill(folder, "old")
    with warnings.catch_warnings():  # threads of the array library: the child touches files only
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child == 0:
        _die_before(call)
        with whole_or_nothing(folder, replace=existed) as place:
            fill(place)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    died = os.WIFSIGNALED(status)
    assert state(folder) in ({"old", "new", "absent"} if existed else {"absent", "new"})
    assert died or state(folder) == "new"
    assert not died or call < LAST
    try:  # the next run, which may be refused
        with whole_or_nothing(folder) as place:
            fill(place, "next")
    except OutputError:
        assert state(folder) in {"old", "new"}
    else:
        assert state(folder) == "next" and not existed  # what was there before is never lost
    assert hidden(tmp_path) == []


def _die_before(call: int) -> None:
    """Kill this process before its nth mkdir, open, fsync, rename, unlink or rmdir."""
    count = iter(range(10**6))

    def dying(real):
        def step(*args, **options):
            if next(count) == call:
                os.kill(os.getpid(), signal.SIGKILL)
            return real(*args, **options)

        return step

    for name in ("mkdir", "open", "fsync", "rename", "unlink", "rmdir"):
        setattr(os, name, dying(getattr(os, name)))
