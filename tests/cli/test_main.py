"""The way in and out: help, version, exit codes, what is printed where."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

import rectify
from rectify.cli.main import commands, main
from rectify.errors import Faults, LimitError, RulesError
from tests.cli.conftest import Run

DOOR = [sys.executable, "-m", "rectify"]


def process(*words: str | Path, **options: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*DOOR, *map(str, words)], capture_output=True, text=True, timeout=120, **options)  # type: ignore[call-overload]


def test_help_names_every_command_and_every_exit_code(run: Run) -> None:
    ended = run("--help")
    assert ended.code == 0 and ended.err == ""
    for name in ("apply", "measure", "marks", "rules", "release", "socket", "carve", "demo"):
        assert f"  {name} " in ended.out
    text = " ".join(ended.out.split())
    assert "0 done; 1 internal fault; 2 the input or the command is wrong, nothing was written; 3 a limit" in text
    assert "4 made, but a person must look before it goes to a machine" in text


def test_commands_of_later_work_are_not_offered() -> None:
    offered = ["apply", "carve", "compare", "demo", "marks", "measure", "release", "rules", "socket", "workbench"]
    assert sorted(commands.commands) == offered


def test_every_command_has_the_json_option_and_a_help_text() -> None:
    todo = [("rectify", commands)]
    while todo:
        name, command = todo.pop()
        assert command.help, name
        inner = getattr(command, "commands", None)
        if inner is None:
            assert any("--json" in option.opts for option in command.params), name
            assert all(option.help for option in command.params if option.param_type_name == "option"), name
        else:
            todo += [(f"{name} {word}", sub) for word, sub in inner.items()]


@pytest.mark.parametrize("words", [[], ["rules"]])
def test_without_a_command_the_help_is_shown_once_on_stderr_and_the_code_is_2(run: Run, words: list[str]) -> None:
    ended = run(*words)
    assert (ended.code, ended.out) == (2, "")
    assert ended.err.count("Usage: ") == 1 and "Commands:" in ended.err and "..." not in ended.err.split("Commands:")[1]


def test_version_is_the_packages(run: Run) -> None:
    ended = run("--version")
    assert (ended.code, ended.out) == (0, f"rectify, version {rectify.__version__}\n")


def test_help_imports_neither_numpy_nor_scipy_nor_any_room() -> None:
    code = (
        "import sys; from rectify.cli.main import main; main(['--help']); here = sys.modules;"
        "heavy = {'numpy', 'scipy', 'shapely', 'trimesh', 'matplotlib', 'pydantic', 'yaml'} & set(here);"
        "rooms = {m.split('.')[1] for m in here if m.startswith('rectify.')} - {'cli', 'errors'};"
        "print(sorted(heavy), sorted(rooms), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stderr.strip() == "[] []"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["aply"], "No such command 'aply'"),
        (["apply"], "Missing argument 'CASE'"),
        (["apply", "x", "--speed"], "No such option"),
        (["apply", "x", "--without", "pdf"], "'pdf' is not one of"),
        (["release", "x"], "Missing option '--by'"),
        (["rules", "check"], "Missing argument 'FILE...'"),
        (["measure", "x", "--step", "nan"], "Invalid value for '--step'"),
        (["apply", "x", "--why", "redness"], "there is no --set"),
    ],
)
def test_a_wrong_command_line_ends_with_2_and_says_what_is_wrong(run: Run, words: list[str], said: str) -> None:
    ended = run(*words)
    assert ended.code == 2 and ended.out == ""
    assert said in ended.err and "--help` says what it takes" in ended.err


def test_a_wrong_command_line_is_json_where_json_was_asked_for(run: Run) -> None:
    ended = run("apply", "--json")
    assert ended.code == 2
    assert ended.json["exit_code"] == 2 and ended.json["error"]["kind"] == "UsageError"
    assert "Missing argument 'CASE'" in ended.json["error"]["message"]


def broken(problem: BaseException) -> object:
    def command(**_: object) -> int:
        raise problem

    return command


def test_every_fault_of_several_is_printed_and_in_the_json(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    faults = Faults([RulesError("is odd", path="a.yaml", line=n, key=f"key-{n}") for n in (3, 7, 9)])
    monkeypatch.setattr(commands.commands["demo"], "callback", broken(faults))
    ended = run("demo", "--json")
    assert ended.code == 2
    assert ended.err.splitlines() == [f"a.yaml:{n}  key-{n}: is odd" for n in (3, 7, 9)]
    assert [fault["line"] for fault in ended.json["error"]["faults"]] == [3, 7, 9]
    assert ended.json["error"]["message"] == "3 faults" and ended.json["exit_code"] == 2


def test_a_breached_limit_ends_with_3(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(commands.commands["demo"], "callback", broken(LimitError("too much")))
    ended = run("demo")
    assert (ended.code, ended.err, ended.out) == (3, "too much\n", "")


def test_an_internal_fault_is_one_calm_line_without_a_traceback(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("RECTIFY_TRACEBACK", raising=False)
    monkeypatch.setattr(commands.commands["demo"], "callback", broken(ZeroDivisionError("division by zero")))
    ended = run("demo", "--json")
    assert ended.code == 1
    assert len(ended.err.splitlines()) == 1 and "Traceback" not in ended.err
    assert ended.err.startswith("rectify: internal fault, ZeroDivisionError at rectify/cli/main.py:")
    assert ended.json["exit_code"] == 1 and ended.json["error"]["kind"] == "ZeroDivisionError"


def test_the_traceback_of_an_internal_fault_is_shown_where_it_was_asked_for(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RECTIFY_TRACEBACK", "1")
    monkeypatch.setattr(commands.commands["demo"], "callback", broken(ZeroDivisionError("division by zero")))
    ended = run("demo")
    assert ended.code == 1 and "Traceback (most recent call last)" in ended.err


def test_a_wrong_input_never_shows_a_traceback_even_where_one_was_asked_for(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RECTIFY_TRACEBACK", "1")
    ended = run("apply", "nowhere")
    assert ended.code == 2 and "Traceback" not in ended.err and "there is no such case" in ended.err


def test_too_little_memory_is_said_in_one_line(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(commands.commands["demo"], "callback", broken(MemoryError()))
    ended = run("demo")
    assert ended.code == 1 and ended.err.startswith("rectify: there is not enough memory")


def test_ctrl_c_ends_quietly_with_130(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(commands.commands["demo"], "callback", broken(KeyboardInterrupt()))
    ended = run("demo")
    assert ended.code == 130 and ended.err.strip() == "stopped" and ended.out == ""


IN_THE_MIDST_OF_WRITING = """
import sys, time
import rectify.save
from rectify.cli.main import main

def held_up(*_, **__):
    print("writing", flush=True)
    time.sleep(60)

rectify.save.write_threemf = held_up  # the STL is written, the 3MF is not
sys.exit(main(sys.argv[1:]))
"""


def test_ctrl_c_in_the_midst_of_writing_leaves_nothing_behind(tmp_path: Path, demo_case: Path) -> None:
    before = sorted(tmp_path.rglob("*"))
    command = [sys.executable, "-c", IN_THE_MIDST_OF_WRITING, "apply", str(demo_case), "--without", "page"]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    with subprocess.Popen(command, cwd=tmp_path, **pipes) as started:
        assert started.stdout.readline() == "writing\n"
        assert len(sorted(tmp_path.rglob("*"))) > len(before)
        started.send_signal(signal.SIGINT)
        out, err = started.communicate(timeout=60)
    assert (started.returncode, out, err.strip()) == (130, "", "stopped")
    assert sorted(tmp_path.rglob("*")) == before


def test_a_reader_that_has_had_enough_is_no_fault() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    for words in (["rules", "list"], ["--help"], ["rules", "schema"]):
        done = subprocess.run([*DOOR, *words], stdout=writing, stderr=subprocess.PIPE, text=True, timeout=60)
        assert (done.returncode, done.stderr) == (0, "")
    os.close(writing)


def test_a_terminal_that_knows_only_ascii_gets_every_line() -> None:
    done = process("rules", "schema", "--of", "report", env={**os.environ, "PYTHONIOENCODING": "ascii"})
    assert done.returncode == 0 and done.stderr == ""
    assert json.loads(done.stdout)["title"].startswith("Change report")


def test_main_returns_its_exit_code_and_never_exits() -> None:
    assert main(["--version"]) == 0
    assert main(["nonsense"]) == 2
