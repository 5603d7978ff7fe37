"""The table of landmark names: complete, consistent, spelt in kebab-case."""

from __future__ import annotations

import re

import pytest

from rectify.limb.vocabulary import AMPUTATIONS, VOCABULARY, is_free_mark, vocabulary


def test_the_six_amputations_are_there():
    assert AMPUTATIONS == (
        "transtibial", "transfemoral", "knee-disarticulation", "ankle-disarticulation", "transradial", "transhumeral",
    )  # fmt: skip
    with pytest.raises(KeyError):
        vocabulary("partial-foot")


@pytest.mark.parametrize("amputation", AMPUTATIONS)
def test_every_name_that_a_table_uses_is_a_name_of_that_amputation(amputation):
    words = vocabulary(amputation)
    for group in (words.origin, words.needed, words.needed_for_brim, *words.zero):
        assert set(group) <= set(words.names)
    assert {"inflection", "distal-end"} <= set(words.names)
    for name, entry in words.names.items():
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", name) and entry.name == name and entry.says


@pytest.mark.parametrize("amputation", AMPUTATIONS)
def test_tolerant_bone_is_bone_and_not_tender(amputation):
    words = vocabulary(amputation)
    for name, entry in words.names.items():
        assert entry.bony or not entry.tolerant
        assert words.is_tender(name) == (entry.bony and not entry.tolerant)


def test_what_must_be_marked_before_release_is_as_designed():
    assert set(vocabulary("transtibial").needed) == {
        "mid-patellar-tendon", "tibial-tubercle", "fibular-head", "tibial-crest", "distal-tibia",
    }  # fmt: skip
    assert set(vocabulary("transfemoral").needed_for_brim) == {"ischial-tuberosity", "ischial-ramus"}


@pytest.mark.parametrize(
    ("name", "free"),
    [("mark-scar", True), ("mark-nail-2", True), ("mark-", False), ("mark-Scar", False), ("scar", False),
     ("mark--x", False), ("mark-scar ", False)],
)  # fmt: skip
def test_free_marks_begin_with_mark(name, free):
    assert is_free_mark(name) is free
    assert all(VOCABULARY[a].knows(name) is free for a in AMPUTATIONS)


def test_a_name_of_another_amputation_is_not_known():
    assert not vocabulary("transtibial").knows("perineum") and vocabulary("transfemoral").knows("perineum")
    assert not vocabulary("transtibial").is_bony("popliteal") and vocabulary("transtibial").is_bony("fibular-head")
    assert vocabulary("transtibial").is_line("tibial-crest") and not vocabulary("transtibial").is_line("nowhere")
