"""The page about the case folder says what is so: its examples are read, and it names every key and word there is."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from rectify.case.landmarks import read_landmarks
from rectify.case.model import CaseModel, LimbModel, MarksModel, ReleaseModel, ScanModel, TapeModel, TrimModel
from rectify.case.wear import LAYER_KINDS
from rectify.errors import CaseError
from rectify.rulebook.facts import FACT_WORDS
from rectify.rulebook.faults import checked
from rectify.rulebook.yamltext import parse_yaml

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "case-file.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"^```yaml\n(.*?)^```$", PAGE, flags=re.S | re.M)
HEAD = {"format": 1, "case": "DM-014", "side": "left", "amputation": "transtibial", "landmarks": {}}


@pytest.mark.parametrize("text", EXAMPLES)
def test_every_example_is_a_case(text):
    says = checked(CaseModel, {**HEAD, **parse_yaml(text).mapping()}, lambda _: (None, None), error=CaseError)
    assert says.scan.file == "scan.ply"


def test_every_kind_of_capture_has_an_example():
    surfaces = {parse_yaml(text).mapping()["scan"].get("surface", "skin") for text in EXAMPLES}
    assert surfaces == set(FACT_WORDS["surface"])


@pytest.mark.parametrize("model", [CaseModel, ScanModel, TrimModel, MarksModel, LimbModel, TapeModel, ReleaseModel])
def test_every_key_is_named(model):
    keys = {field.alias or name for name, field in model.model_fields.items()}
    assert {key for key in keys if f"`{key}`" not in PAGE and f"{{{key}:" not in PAGE} == set()


def test_every_word_is_named():
    words = {word for fact in ("shaping", "surface", "suspension", "tissue", "skin") for word in FACT_WORDS[fact]}
    assert {word for word in (*words, *LAYER_KINDS) if f"`{word}`" not in PAGE} == set()


def test_the_landmarks_of_the_page_are_read():
    text = "".join(line[4:] + "\n" for line in PAGE.splitlines() if re.match(r"    [a-z-]+: ", line))
    document = parse_yaml(text.replace("acromion", "patella-centre"))
    found = read_landmarks(document, (), document.value, "transtibial", 1.0)
    assert found["distal-fibula"].absent and found["patella-centre"].beyond_capture
    assert len(found["tibial-crest"].points) == 3 and "mark-neuroma" in found
