"""The command as a pipeline runs it: full disks, forbidden folders, two runs at once, odd names; whole or absent.

Full disks are small disks, mounted for one command alone; where that is not permitted, and besides, a limit on the
size of files, which writing runs into just as it does into the end of a disk. Forbidden folders are forbidden to root
as well, who gives up the right to write anywhere.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from rectify.data import demo_folder
from tests.running import (
    ENVIRONMENT,
    RUN,
    Ended,
    contents,
    heed_permissions,
    no_file_over,
    run_alone,
    run_in,
    run_on_disk,
    way_to_mount,
)

CODE = "RB-101"
LEAN = ("--without", "page")


@pytest.fixture
def here(tmp_path: Path) -> Path:
    """A folder that holds a copy of a case and nothing else."""
    shutil.copytree(demo_folder() / CODE, tmp_path / CODE)
    return tmp_path


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The files of an undisturbed run."""
    here = tmp_path_factory.mktemp("whole")
    shutil.copytree(demo_folder() / CODE, here / CODE)
    assert run_in(here, "apply", CODE, "--out", "result", *LEAN).code == 4
    return contents(here / "result")


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def digests(folder: Path) -> dict[str, str]:
    return {name: hashlib.sha256(data).hexdigest() for name, data in contents(folder).items()}


def in_words(ended: Ended) -> None:
    assert ended.code == 2, ended.err
    assert "Traceback" not in ended.err and "internal fault" not in ended.err
    assert "cannot be written" in ended.err


# -- no room --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "size", [0, 5_000, 150_000], ids=["for nothing", "for the plan", "for the report, not the shape"]
)
def test_where_there_is_no_room_nothing_is_left_and_the_command_says_so(here, size):
    before = digests(here)
    in_words(run_alone(here, "apply", CODE, "--out", "result", *LEAN, before=no_file_over(size)))
    assert digests(here) == before and names(here) == [CODE]


def test_where_there_is_no_room_an_earlier_result_stays(here, whole):
    assert run_in(here, "apply", CODE, "--out", "result", *LEAN).code == 4
    words = ("apply", CODE, "--out", "result", "--replace", *LEAN)
    in_words(run_alone(here, *words, before=no_file_over(150_000)))
    assert contents(here / "result") == whole and names(here) == [CODE, "result"]


def test_where_there_is_no_room_for_the_demo_cases_none_is_left(tmp_path):
    in_words(run_alone(tmp_path, "demo", "limbs", before=no_file_over(100_000)))
    assert names(tmp_path) == []


def on_a_small_disk(here: Path, options: str, over: int, *words: str, holds: Path | None = None) -> tuple[Ended, str]:
    """Run a command in an empty folder `disk`, or one with what `holds` has, on a disk that is too small for it, and
    have what is left there in that folder; where mounts are not permitted with a limit on the size of files, `over`.
    Which of the two is in the answer."""
    disk, place = here / "disk", here / "place"
    disk.mkdir()
    way = way_to_mount(here)
    if way:
        place.mkdir()
        return run_on_disk(way, options, place, disk, *words, holds=holds), f"a disk of {options}"
    if holds is not None:
        shutil.copytree(holds, disk, dirs_exist_ok=True)
    return run_alone(disk, *words, before=no_file_over(over)), f"no mounts here: files of at most {over} bytes"


@pytest.mark.parametrize(
    ("options", "over"),
    [("size=4k", 0), ("size=40k", 5_000), ("size=300k", 150_000), ("nr_inodes=4", 0)],
    ids=["nothing", "the plan", "the report and not the shape", "three files"],
)
def test_on_a_full_disk_nothing_is_left_and_the_command_says_so(here, options, over, tell):
    before = digests(here / CODE)
    ended, how = on_a_small_disk(here, options, over, "apply", str(here / CODE), "--out", "result", *LEAN)
    in_words(ended)
    assert names(here / "disk") == [] and digests(here / CODE) == before
    assert "the disk is full" in ended.err or "No space left on device" in ended.err or "no mounts" in how
    tell(f"no room for a result: {how}")


def test_on_a_full_disk_an_earlier_result_stays(here, whole, tell):
    earlier = here / "earlier"
    earlier.mkdir()
    assert run_in(here, "apply", CODE, "--out", "earlier/result", *LEAN).code == 4
    room = sum(-(-len(data) // 4096) * 4 for data in whole.values()) + 200  # KiB: the earlier one, and part of another
    words = ("apply", str(here / CODE), "--out", "result", "--replace", *LEAN)
    ended, how = on_a_small_disk(here, f"size={room}k", 150_000, *words, holds=earlier)
    in_words(ended)
    assert names(here / "disk") == ["result"] and contents(here / "disk" / "result") == whole
    tell(f"no room beside an earlier result: {how}")


def test_on_a_disk_with_room_enough_the_result_is_whole(here, whole):
    # so the tests above fail for want of room and for nothing else
    ended, _ = on_a_small_disk(here, "size=9m", 5_000_000, "apply", str(here / CODE), "--out", "result", *LEAN)
    assert ended.code == 4 and contents(here / "disk" / "result") == whole


def test_with_room_enough_the_limit_changes_nothing(here, whole):
    # so the tests above fail for want of room and for nothing else
    ended = run_alone(here, "apply", CODE, "--out", "result", *LEAN, before=no_file_over(5_000_000))
    assert ended.code == 4 and contents(here / "result") == whole


# -- where one may not write ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "words", [("apply", f"../{CODE}", "--out", "result", *LEAN), ("demo", "result")], ids=["apply", "demo"]
)
def test_a_folder_one_may_not_write_in_is_told_and_stays_empty(here, words):
    place = here / "place"
    place.mkdir()
    place.chmod(0o555)
    ended = run_alone(place, *words, before=heed_permissions)
    in_words(ended)
    assert "Permission denied" in ended.err and names(place) == []
    place.chmod(0o755)
    assert run_alone(place, *words, before=heed_permissions).code in (0, 4)  # it was the permission alone


@pytest.mark.parametrize("where", ["file/result", "file", "nowhere/result", "/proc/result", f"{CODE}/case.yaml/result"])
def test_a_place_that_can_hold_no_folder_is_told_and_all_stays_as_it_was(here, where):
    (here / "file").write_text("not a folder")
    before = digests(here)
    ended = run_in(here, "apply", CODE, "--out", where, *LEAN)
    assert ended.code == 2, ended.err
    assert where.split("/")[-1] in ended.err and "Traceback" not in ended.err
    assert digests(here) == before and not list(here.rglob(".*"))


def test_inputs_are_only_read(here, whole):
    # a case whose files nobody may write, in a folder nobody may write: the result goes elsewhere
    for path in (here / CODE).iterdir():
        path.chmod(0o444)
    (here / CODE).chmod(0o555)
    before = {p.name: (p.stat().st_mtime_ns, p.stat().st_size, p.stat().st_ino) for p in (here / CODE).iterdir()}
    try:
        ended = run_alone(here, "apply", CODE, "--out", "result", *LEAN, before=heed_permissions)
        assert ended.code == 4 and contents(here / "result") == whole
        assert {
            p.name: (p.stat().st_mtime_ns, p.stat().st_size, p.stat().st_ino) for p in (here / CODE).iterdir()
        } == before
        inside = run_alone(here, "apply", CODE, "--out", f"{CODE}/result", *LEAN, before=heed_permissions)
        in_words(inside)
    finally:
        (here / CODE).chmod(0o755)


def test_an_input_one_may_not_read_is_told(here):
    (here / CODE / "scan.stl").chmod(0o000)
    ended = run_alone(here, "apply", CODE, "--out", "result", before=heed_permissions)
    assert ended.code == 2 and "scan.stl" in ended.err and "Permission denied" in ended.err
    assert names(here) == [CODE]


def test_a_service_without_a_home_gets_the_page_and_no_noise(here):
    home = {"HOME": "/nonexistent", "XDG_CACHE_HOME": "/nonexistent", "XDG_CONFIG_HOME": "/nonexistent"}
    command = [sys.executable, "-c", RUN, "apply", CODE, "--out", "result"]
    environment = {name: value for name, value in ENVIRONMENT.items() if name != "MPLCONFIGDIR"} | home
    ended = subprocess.run(command, cwd=here, env=environment, capture_output=True, text=True, check=False)
    assert ended.returncode == 4
    assert ended.stderr.splitlines() == [line for line in ended.stderr.splitlines() if "must look" in line]
    assert (here / "result" / "change-report.html").stat().st_size > 10_000


# -- at once, again, and by other names -----------------------------------------------------------


def at_once(folder: Path, *runs: tuple[str, ...]) -> list[Ended]:
    pipe = subprocess.PIPE
    started = [
        subprocess.Popen([sys.executable, "-c", RUN, *words], cwd=folder, env=ENVIRONMENT, stdout=pipe, stderr=pipe)
        for words in runs
    ]
    said = [run.communicate() for run in started]
    return [Ended(run.returncode, out.decode(), err.decode()) for run, (out, err) in zip(started, said, strict=True)]


def test_of_two_runs_into_one_place_one_makes_it_and_one_is_refused(here, whole):
    words = ("apply", CODE, "--out", "result", *LEAN)
    ended = at_once(here, words, words)
    assert sorted(run.code for run in ended) == [2, 4]
    assert "exists already" in next(run.err for run in ended if run.code == 2)
    assert contents(here / "result") == whole and names(here) == [CODE, "result"]


def test_runs_that_replace_each_other_leave_one_whole_result(here, whole):
    words = ("apply", CODE, "--out", "result", "--replace", *LEAN)
    ended = at_once(here, words, words, words)
    assert {run.code for run in ended} == {4}, [run.err for run in ended]
    assert contents(here / "result") == whole and names(here) == [CODE, "result"]


def test_replacing_again_and_again_gives_the_same_bytes_and_leaves_nothing_beside(here, whole):
    for _ in range(3):
        assert run_in(here, "apply", CODE, "--out", "result", "--replace", *LEAN).code == 4
        assert contents(here / "result") == whole and names(here) == [CODE, "result"]


@pytest.mark.parametrize(
    "out", ["Größe ☂ 'quoted\" name", "two\nlines", "-starts-with-a-dash", ".hidden", f"{CODE}/result"]
)
def test_names_of_places_may_be_any_a_disk_takes(here, whole, out):
    assert run_in(here, "apply", CODE, f"--out={out}", *LEAN).code == 4
    assert contents(here / out) == whole
    assert run_in(here, "apply", CODE, f"--out={out}", "--replace", *LEAN).code == 4


def test_names_of_inputs_may_be_any_a_disk_takes(here, whole):
    renamed = (here / CODE).rename(here / "Fall ☂")
    (renamed / "scan.stl").rename(renamed / "Schaft ☂.STL")
    text = (renamed / "case.yaml").read_text()
    (renamed / "case.yaml").write_text(text.replace("file: scan.stl", "file: Schaft ☂.STL"))
    (here / "link").symlink_to(renamed)
    for number, given in enumerate(("Fall ☂", "link", "Fall ☂/case.yaml")):
        assert run_in(here, "apply", given, "--out", str(number), *LEAN).code == 4
        made = contents(here / str(number))
        assert made[f"{CODE}-rectified.stl"] == whole[f"{CODE}-rectified.stl"]
        assert "Schaft ☂.STL" in made["change-report.json"].decode()


def test_under_a_locale_that_cannot_say_a_name_it_is_refused_in_words(here):
    text = (here / CODE / "case.yaml").read_text()
    (here / CODE / "case.yaml").write_text(text.replace("file: scan.stl", "file: Schaft ☂.stl"))
    ascii_only = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONIOENCODING": ""}
    command = [sys.executable, "-c", RUN, "apply", CODE, "--out", "result"]
    ended = subprocess.run(command, cwd=here, env=ENVIRONMENT | ascii_only, capture_output=True, check=False)
    assert ended.returncode == 2 and b"there is no such file" in ended.stderr and b"case.yaml:7" in ended.stderr
