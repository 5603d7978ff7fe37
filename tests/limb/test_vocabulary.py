"""The names of landmarks: whole, ordered, and what each is known for."""

from __future__ import annotations

import re

import pytest

from rectify.limb.vocabulary import AMPUTATIONS, VOCABULARY, is_free_mark, vocabulary


@pytest.mark.parametrize("amputation", AMPUTATIONS)
def test_every_name_a_vocabulary_relies_on_is_in_it(amputation: str) -> None:
    words = vocabulary(amputation)
    used = {*words.origin, *words.needed, *words.needed_for_brim, *(name for group in words.zero for name in group)}
    assert used <= set(words.names)
    assert set(words.downwards) == set(words.names) and len(words.downwards) == len(words.names)
    assert all(re.fullmatch(r"[a-z]+(-[a-z]+)*", name) and name == known.name for name, known in words.names.items())
    assert all(known.says for known in words.names.values())


def test_levels_begin_and_angles_are_fixed_where_the_trade_says() -> None:
    assert vocabulary("transtibial").origin == ("mid-patellar-tendon",)
    assert vocabulary("transfemoral").zero == (("anterior-thigh",), ("greater-trochanter",))
    assert vocabulary("knee-disarticulation").origin == ("medial-condyle", "lateral-condyle")
    assert vocabulary("transradial").needed == ("olecranon", "medial-epicondyle", "lateral-epicondyle", "cubital-fold")


def test_bone_that_carries_load_is_bony_but_not_tender() -> None:
    words = vocabulary("transtibial")
    assert words.is_bony("medial-tibial-flare") and not words.is_tender("medial-tibial-flare")
    assert words.is_bony("fibular-head") and words.is_tender("fibular-head")
    assert not words.is_bony("popliteal") and not words.is_bony("mark-spur") and not words.is_tender("nowhere")


def test_free_marks_are_known_everywhere_and_other_words_are_not() -> None:
    for words in VOCABULARY.values():
        assert words.knows("mark-neuroma") and words.knows("distal-end")
        assert not words.knows("mark-") and not words.knows("Mark-x") and not words.knows("nowhere")
    assert is_free_mark("mark-graft-2") and not is_free_mark("mark-graft-")


def test_lines_are_known_and_the_order_runs_down_the_limb() -> None:
    words = vocabulary("transtibial")
    assert words.is_line("tibial-crest") and not words.is_line("fibular-head")
    assert (
        words.rank("patella-apex") < words.rank("mid-patellar-tendon") < words.rank("distal-end") < words.rank("mark-x")
    )


def test_an_unknown_amputation_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        vocabulary("toe")
