"""README and DEVELOPERS say what is so: their examples run, the files they name are there."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest

from rectify.cli.main import commands
from rectify.data import demo_folder
from tests.running import run_in

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_python_example_of_the_readme_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    (code,) = re.findall(r"```python\n(.*?)```", README, flags=re.S)
    shutil.copytree(demo_folder() / "RB-101", tmp_path / "demo_limbs" / "RB-101")
    monkeypatch.chdir(tmp_path)
    exec(compile(code, "README.md", "exec"), {})
    change, exit_code = capsys.readouterr().out.split()
    assert float(change) != 0.0 and exit_code == "4"
    assert (tmp_path / "RB-101-tuned" / "RB-101-rectified.stl").is_file()


def test_the_commands_of_the_readme_run_in_their_order(tmp_path: Path) -> None:
    lines = [shlex.split(line, comments=True) for line in re.findall(r"^    rectify (.*)$", README, flags=re.M)]
    assert [words[0] for words in lines] == [
        "demo",
        "measure",
        "rules",
        "apply",
        "compare",
        "release",
        "socket",
        "carve",
    ]
    codes = []
    for words in lines:
        ended = run_in(tmp_path, *words)
        codes.append(ended.code)
        assert "internal fault" not in ended.err
    assert codes == [0, 0, 0, 4, 0, 0, 0, 0]


def test_the_first_line_of_the_readme_to_be_typed_ends_in_a_command_that_is_there() -> None:
    (line,) = [line for line in README.splitlines() if ".venv/bin/rectify" in line]
    words = shlex.split(line.split("&&")[-1])
    assert words[1] in commands.commands and (ROOT / words[2] / "case.yaml").is_file()
    assert "    ./check.sh\n" in README and (ROOT / "check.sh").stat().st_mode & 0o111


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_files_that_are_named_are_there(text: str) -> None:
    linked = re.findall(r"\]\(([^)#:]+)\)", text)
    named = re.findall(r"\b(?:rectify|tests|rules|demo_limbs|benchmarks)/[\w./-]*\w", text)
    assert linked or named
    missing = [name for name in {*linked, *named} if not (ROOT / name).exists()]
    assert not missing


def test_the_exit_codes_of_the_readme_are_those_of_the_help() -> None:
    rows = dict(re.findall(r"^\| (\d) \| (.*) \|$", README, flags=re.M))
    assert sorted(rows) == ["0", "1", "2", "3", "4"]
    told = " ".join((commands.epilog or "").split()).split(": ", 1)[1].rstrip(".")
    helps = {part[0]: part[2:] for part in told.split("; ")}
    assert sorted(helps) == sorted(rows)
    for code, words in helps.items():
        assert words.split(",")[0] in rows[code]


def test_every_room_is_described_to_developers() -> None:
    rooms = [path.name for path in (ROOT / "rectify").iterdir() if (path / "__init__.py").is_file()]
    assert not [room for room in rooms if f"      {room}/ " not in DEVELOPERS]
