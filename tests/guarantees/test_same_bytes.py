"""The same input gives the same bytes: again, in other processes, locales and time zones, on one or two threads."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from rectify.data import demo_folder
from tests.running import ENVIRONMENT, RUN, contents, run_in

CODE = "RB-101"
PLAIN = {"LC_ALL": "C", "TZ": "UTC", "PYTHONHASHSEED": "0", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


def german(place: Path) -> dict[str, str]:
    """A locale with a decimal comma, compiled here where the system has its sources; else the system's UTF-8 one."""
    target = place / "de_DE.UTF-8"
    if shutil.which("localedef"):
        subprocess.run(["localedef", "-i", "de_DE", "-f", "UTF-8", str(target)], capture_output=True, check=False)
    if not target.exists():
        return {"LC_ALL": "C.UTF-8"}
    return {"LOCPATH": str(place), "LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8"}


def apply_with(case: Path, out: Path, *words: str, **environment: str) -> dict[str, bytes]:
    """Every file of `rectify apply`, or of other words, in a process of its own with this environment."""
    ended = subprocess.run(
        [sys.executable, "-c", RUN, *(words or ("apply",)), str(case), "--out", str(out)],
        env={**ENVIRONMENT, **PLAIN, **environment},
        cwd=out.parent,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ended.returncode == 4, ended.stderr
    return contents(out)


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(shutil.copytree(demo_folder() / CODE, tmp_path_factory.mktemp("bytes") / CODE))


@pytest.fixture(scope="module")
def first(case: Path) -> dict[str, bytes]:
    """Written by this process."""
    assert run_in(case.parent, "apply", case, "--out", "first").code == 4
    return contents(case.parent / "first")


def assert_same(one: dict[str, bytes], two: dict[str, bytes]) -> None:
    assert one.keys() == two.keys()
    for name, data in one.items():
        if not name.endswith(".html"):
            assert data == two[name], name
    # the page may carry the day it was made, and nothing else may differ
    pages = [data for files in (one, two) for name, data in files.items() if name.endswith(".html")]
    lines = [page.decode().splitlines() for page in pages]
    assert len(lines[0]) == len(lines[1])
    assert sum(a != b for a, b in zip(*lines, strict=True)) <= 2


def test_twice_in_one_process_and_once_in_another(case, first):
    assert len(first) == 7
    assert run_in(case.parent, "apply", case, "--out", "second").code == 4
    assert_same(first, contents(case.parent / "second"))
    assert_same(first, apply_with(case, case.parent / "other"))


@pytest.mark.parametrize(
    "environment",
    [
        {"PYTHONHASHSEED": "4711", "TZ": "Pacific/Kiritimati", "OMP_NUM_THREADS": "2", "OPENBLAS_NUM_THREADS": "2"},
        {"PYTHONHASHSEED": "random", "TZ": "America/St_Johns", "PYTHONUTF8": "1", "COLUMNS": "40"},
    ],
)
def test_whatever_the_seed_of_hashes_the_time_zone_and_the_number_of_threads(case, first, environment, tmp_path):
    assert_same(first, apply_with(case, tmp_path / "made", **environment))


def test_whatever_the_locale(case, first, tmp_path, tell):
    locale = german(tmp_path)
    assert_same(first, apply_with(case, tmp_path / "made", **locale))
    tell(f"same bytes: under {locale['LC_ALL']} too")


def test_wherever_the_case_and_the_result_lie(first, tmp_path):
    # no path, no user, no host: the folder's name may not be found in any file
    place = tmp_path / "ein Ordner mit Ümläuten" / "deep" / CODE
    shutil.copytree(demo_folder() / CODE, place)
    made = apply_with(place, place.parent / "result", HOME=str(tmp_path), USER="nobody-here")
    assert_same(first, made)
    for name, data in made.items():
        assert b"deep/" not in data and b"nobody-here" not in data, name


@pytest.mark.parametrize(
    "words",
    [
        ("socket", "--wall", "4mm", "--end-wall", "6mm", "--boss", "50mm", "--hole", "8mm", "--flexion", "5deg"),
        ("carve", "--bore", "25mm", "--bore-depth", "40mm", "--groove"),
    ],
    ids=["socket", "carve"],
)
def test_sockets_and_models_to_be_carved_whatever_the_number_of_threads(case, words, tmp_path):
    plain = apply_with(case, tmp_path / "one", *words, OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
    other = apply_with(
        case, tmp_path / "two", *words, OMP_NUM_THREADS="2", OPENBLAS_NUM_THREADS="2", PYTHONHASHSEED="3"
    )
    assert plain == other and "files.json" in plain
