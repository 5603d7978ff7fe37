"""LANGUAGE.md is what is read: its examples load, and no key is missing from it."""

from __future__ import annotations

import textwrap
from pathlib import Path

import pytest
from pydantic import BaseModel

import rectify.rulebook
from rectify.rulebook import FACT_WORDS, read_tune
from rectify.rulebook.load import rulebook_from_text
from rectify.rulebook.model import RulebookModel
from rectify.rulebook.tuning import SETTABLE, TuneEntry
from rectify.rulebook.yamltext import parse_yaml
from tests.rulebook.books import BAR, HEAD, HEAD_UP

TEXT = Path(rectify.rulebook.__file__).with_name("LANGUAGE.md").read_text(encoding="utf-8")
OTHERS = "".join(
    BAR.replace("bar:", f"{name}:") for name in ("patellar-tendon", "popliteal", "gluteal", "tibial-crest")
).replace("[2 mm, 7 mm]", "[2 mm, 9 mm]")


def blocks() -> list[str]:
    """The indented examples, one string each."""
    found: list[list[str]] = [[]]
    for line in TEXT.splitlines():
        if line.startswith("    ") or (not line and found[-1]):
            found[-1].append(line)
        elif found[-1]:
            found.append([])
    return [textwrap.dedent("\n".join(lines)).strip() + "\n" for lines in found if any(lines)]


def first_keys(block: str) -> list[str]:
    return [line.partition(":")[0] for line in block.splitlines() if line and line[0] not in " {-#" and ":" in line]


TOP = {field.alias or name for name, field in RulebookModel.model_fields.items()}
PARTS = [block for block in blocks() if first_keys(block) and set(first_keys(block)) <= TOP]
REGIONS = [block for block in blocks() if "action:" in block and first_keys(block)[0] not in TOP | {"tune"}]
WHENS = [line for block in blocks() for line in block.splitlines() if line.startswith("when:")]


def test_the_examples_are_found() -> None:
    assert len(PARTS) >= 6 and len(REGIONS) >= 2 and len(WHENS) >= 4


@pytest.mark.parametrize("block", PARTS)
def test_an_example_of_a_part_loads(block: str) -> None:
    amputation = "transfemoral" if "ischial" in block else "transtibial"
    regions = "" if amputation == "transfemoral" else "regions:\n" + OTHERS
    rulebook_from_text(HEAD.replace("transtibial", amputation) + block + regions)


@pytest.mark.parametrize("block", REGIONS)
def test_an_example_of_a_region_loads(block: str) -> None:
    text = textwrap.indent(block, "  ")
    if "feather" not in block:
        text = text.rstrip() + "\n    feather: 9 mm\n"
    rulebook_from_text(HEAD + "regions:\n" + text)


@pytest.mark.parametrize("line", WHENS)
def test_an_example_of_when_loads(line: str) -> None:
    rulebook_from_text(HEAD + "regions:\n" + BAR + f"    {line}\n")


def test_the_example_of_a_tuning_is_read() -> None:
    (block,) = [block for block in blocks() if block.startswith("tune:")]
    book = rulebook_from_text(HEAD + "regions:\n" + OTHERS + HEAD_UP + "end: {lengthen: 3 mm}\n")
    document = parse_yaml(block)
    (tuning,) = read_tune(document.mapping()["tune"], book, lambda keys: ("case.yaml", document.line(keys)))
    assert set(tuning.says.regions) == {
        "fibular-head", "popliteal", "tibial-crest", "patellar-tendon", "gluteal", "mark-neuroma",
    }  # fmt: skip


def aliases(model: type[BaseModel], seen: set[type]) -> set[str]:
    """Every key a model and the models in it read."""
    if model in seen:
        return set()
    seen.add(model)
    keys: set[str] = set()
    for name, field in model.model_fields.items():
        keys.add(field.alias or name)
        for inner in models_in(field.annotation):
            keys |= aliases(inner, seen)
    return keys


def models_in(annotation: object) -> list[type[BaseModel]]:
    """The models an annotation mentions."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for arg in getattr(annotation, "__args__", ()) for model in models_in(arg)]


def test_no_key_is_missing_from_the_page() -> None:
    keys = aliases(RulebookModel, set()) | aliases(TuneEntry, set())
    # `level` and `value` are what a bare length is read as; nobody writes them
    said = {key for key in keys if any(form in TEXT for form in (f"`{key}", f"{key}:", f": {key}`"))}
    assert keys - said <= {"level", "value"}


def test_every_fact_word_and_settable_key_is_on_the_page() -> None:
    for fact, words in FACT_WORDS.items():
        assert f"`{fact}`" in TEXT and all(f"`{word}`" in TEXT for word in words), fact
    assert all(f".{key}=" in TEXT for key in SETTABLE)
