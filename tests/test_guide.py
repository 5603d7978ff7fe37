"""The guide to writing a rulebook is true: its files are written and its commands run, in their order."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
import yaml

from rectify.cli.main import commands
from rectify.rulebook.load import list_rulebooks, rulebook_from_text
from tests.running import run_in

ROOT = Path(__file__).resolve().parents[1]
GUIDE = (ROOT / "docs" / "writing-a-rulebook.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```(yaml|console)\n(.*?)^```$", GUIDE, flags=re.S | re.M)


def typed(block: str) -> list[tuple[list[str], list[str]]]:
    """The commands of a console block, each with the lines that the guide shows of its answer."""
    found: list[tuple[list[str], list[str]]] = []
    for line in block.splitlines():
        if line.startswith("$ rectify "):
            found.append((shlex.split(line.removeprefix("$ rectify ")), []))
        else:
            found[-1][1].append(line)
    return found


def test_what_the_guide_writes_and_types_does_what_it_says(tmp_path: Path) -> None:
    run = []
    for kind, block in BLOCKS:
        if kind == "yaml":
            head, _, text = block.partition("\n")
            (tmp_path / head.removeprefix("# ")).write_text(block, encoding="utf-8")
            assert head.startswith("# ") and head.endswith(".yaml") and text
            continue
        for words, shown in typed(block):
            ended = run_in(tmp_path, *words)
            said = ended.out + ended.err
            for line in shown:
                assert line in said, (words, line, said)
            assert "internal fault" not in said
            # a draft is made and must be looked at: 4
            faulty = words[:2] == ["rules", "check"] and not any("good" in line for line in shown)
            assert ended.code == (2 if faulty else 4 if words[0] == "apply" else 0), (words, said)
            run.append(words[0] if words[0] != "rules" else words[1])
    assert [run.count(command) for command in ("demo", "check", "show", "apply", "diff")] == [1, 4, 3, 1, 3]
    assert (tmp_path / "first" / "RB-101-rectified.stl").is_file()
    assert (tmp_path / "mine.png").stat().st_size > 10_000


HABITS = re.findall(r"^\| (?:[^|]+) \| (.+) \|$", GUIDE, flags=re.M)


def test_every_habit_of_the_table_is_written_in_words_the_language_knows() -> None:
    """Each piece in backticks that stands for itself is put into a region, or at the top, and read."""
    pieces = [piece for row in HABITS for piece in re.findall(r"`([^`]+: [^`]+)`", row)]
    assert len(pieces) >= 9
    region = {
        "action": "reduce", "amount": "5 mm", "allow": "[2 mm, 7 mm]", "at": "mid-patellar-tendon",
        "shape": "{oval: {along: 36 mm, around: 50 mm}}", "feather": "16 mm", "evidence": "common practice",
    }  # fmt: skip
    for piece in pieces:
        key = piece.split(":")[0]
        said = dict(region)
        top = "format: 1\nname: Test\nstatus: draft\nrevision: 1\namputation: transtibial\n"
        if key in ("target", "by"):
            rows = {"measure": "ap", "at": "mid-patellar-tendon", "target": "100 mm", "by": "[bar]", "within": "2 mm"}
            rows[key] = piece.partition(": ")[2]
            top += "dimensions: [{" + ", ".join(f"{k}: {v}" for k, v in rows.items()) + "}]\n"
        elif key == "basis":
            top += f"overall: {{{piece}, rows: [{{at: mid-patellar-tendon, reduce: 6 %}}]}}\n"
        elif key == "protected":
            top += piece + "\n"
        elif key in ("extends", "mix"):
            top += (piece if key == "extends" else f"extends: transtibial-patellar-tendon-bearing\n{piece}") + "\n"
        else:
            said[key] = piece.partition(": ")[2]
        text = top + "regions:\n  bar:\n" + "".join(f"    {k}: {v}\n" for k, v in said.items())
        assert rulebook_from_text(text, path="mine.yaml").regions["bar"].action == "reduce", piece


def test_the_guide_names_only_what_is_there() -> None:
    linked = re.findall(r"\]\(([^)#:]+)\)", GUIDE)
    assert linked and all((ROOT / "docs" / name).exists() for name in linked)
    books = set(re.findall(r"\btrans(?:tibial|femoral)-[a-z-]+\b", GUIDE))
    assert books <= set(list_rulebooks())
    for words in re.findall(r"`?rectify ([a-z]+)(?: ([a-z]+))?", GUIDE):
        if words[0] in commands.commands and hasattr(commands.commands[words[0]], "commands") and words[1]:
            assert words[1] in commands.commands[words[0]].commands  # type: ignore[attr-defined]


@pytest.mark.parametrize("block", [text for kind, text in BLOCKS if kind == "yaml"])
def test_no_file_of_the_guide_is_usable(block: str) -> None:
    """Examples are not to be worn."""
    says = yaml.safe_load(block)
    assert says.get("status", "draft") == "draft"
