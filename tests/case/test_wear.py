"""What lay over the skin against what will be worn: which way the surface moves, how far, and what is said."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rectify.case.wear import DONNED_SHARE, LAYER_WORDS, compare_wear, is_worn, knows_layer, thickness
from rectify.rulebook.facts import Layer

LINER6, LINER3 = Layer("liner", 6.0, False), Layer("liner", 3.0, False)
MEASURED = Layer("liner", 6.0, True)
SOCK, FILM = Layer("sock", 1.0, False), Layer("plastic-film", 0.0, False)
WALL, STOCKING = Layer("plaster", 4.0, True), Layer("stockinette", 0.5, True)


@pytest.mark.parametrize(
    ("layers", "wear", "offset"),
    [
        ((), None, 0.0),
        ((LINER6,), None, 0.0),  # nothing said: the same again
        ((LINER6,), (LINER6,), 0.0),
        ((), (SOCK,), 1.0),
        ((SOCK,), (), -1.0),
        ((), (LINER6,), 0.85 * 6.0),
        ((LINER6,), (), -0.85 * 6.0),
        ((), (MEASURED,), 6.0),
        ((LINER3,), (LINER6,), 0.85 * 3.0),
        ((FILM,), (SOCK,), 1.0),
        ((LINER6, SOCK), (SOCK, LINER6), 0.0),
        ((SOCK, SOCK), (SOCK,), -1.0),
        ((SOCK,), (SOCK, SOCK, SOCK), 2.0),
        ((LINER6, FILM, WALL), None, -4.0),  # a cast's wall is never worn, whatever else is
        ((LINER6, STOCKING, WALL), (), -0.85 * 6.0 - 4.5),
        ((STOCKING, WALL), (SOCK,), 1.0 - 4.5),
        # the same liner, measured on the limb or not, is the same liner, in whatever order it is said
        ((MEASURED,), (LINER6,), 0.0),
        ((MEASURED,), (LINER6, MEASURED), 0.85 * 6.0),
        ((MEASURED,), (MEASURED, LINER6), 0.85 * 6.0),
        ((LINER6, MEASURED), (MEASURED,), -0.85 * 6.0),
    ],
)
def test_the_surface_moves_by_the_difference(layers, wear, offset):
    assert compare_wear(layers, wear).offset_mm == pytest.approx(offset)


def test_a_liner_counts_for_less_than_its_label_unless_it_was_measured():
    assert thickness(LINER6) == pytest.approx(DONNED_SHARE * 6.0)
    assert thickness(MEASURED) == 6.0
    assert thickness(SOCK) == 1.0


def test_the_step_says_how_far_which_way_and_for_what():
    step = compare_wear((SOCK,), (LINER6,)).steps[0]
    assert step.code == "offset"
    assert step.message == "surface moved 4.1 mm out: liner 6 mm to be worn, sock 1 mm not worn again"
    assert "in: sock 1 mm not worn again" in compare_wear((SOCK,), ()).steps[0].message
    assert compare_wear((WALL,), None).steps[0].message == "surface moved 4 mm in: plaster 4 mm of the cast"


def test_a_stretch_that_was_assumed_must_be_looked_at_and_one_that_was_measured_is_not():
    warned = compare_wear((), (LINER6,)).warnings
    assert [(warn.code, warn.severity, warn.where) for warn in warned] == [("liner-allowance", "look", "wear")]
    assert "85%" in warned[0].message and "5.1 mm" in warned[0].message and "not measured" in warned[0].message
    assert len(compare_wear((), (LINER6, LINER6)).warnings) == 1
    assert compare_wear((), (MEASURED, SOCK)).warnings == ()


def test_nothing_to_move_says_nothing():
    for wear in (None, (LINER6,), (LINER6, FILM)):
        found = compare_wear((LINER6,), wear)
        assert (found.offset_mm, found.steps, found.warnings) == (0.0, (), ())


@pytest.mark.parametrize("kind", LAYER_WORDS)
def test_a_layer_s_word_is_known_as_a_whole_and_worn_or_of_a_cast(kind):
    assert knows_layer(kind)
    assert is_worn(kind) == (kind.split("-")[-1] in ("liner", "sock", "sheath", "insert"))


@pytest.mark.parametrize(
    "kind", ["linr", "gell-liner", "plastik-film", "medial-wall", "my-liner", "film", "wall", "gel-", "-liner"]
)
def test_a_word_that_only_ends_like_a_layer_is_none(kind):
    assert not knows_layer(kind)


kinds, millimetres = st.sampled_from(["liner", "sock", "plaster"]), st.sampled_from([0.0, 1.0, 3.0, 6.0])
layers = st.lists(st.builds(Layer, kinds, millimetres, st.booleans()), max_size=4).map(tuple)


@given(layers, layers)
def test_there_and_back_is_nothing(one, other):
    # mm; rounding only
    assert compare_wear(one, other).offset_mm + compare_wear(other, one).offset_mm == pytest.approx(0.0, abs=1e-9)


@given(layers)
def test_order_does_not_matter(one):
    assert compare_wear(one, one[::-1]).offset_mm == pytest.approx(0.0, abs=1e-9)
