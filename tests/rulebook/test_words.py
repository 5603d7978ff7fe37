"""Did you mean."""

from __future__ import annotations

from rectify.rulebook.words import suggest


def test_the_nearest_word_is_offered_and_the_others_listed() -> None:
    hint = suggest("patella-tendn", ["mid-patellar-tendon", "fibular-head", "patellar-tendon"], what="regions")
    assert hint == "did you mean patellar-tendon?  regions: fibular-head, mid-patellar-tendon, patellar-tendon"


def test_nothing_is_offered_that_is_not_near() -> None:
    assert suggest("qqq", ["fibular-head"], what="regions") == "regions: fibular-head"
    assert suggest("qqq", []) == ""


def test_a_long_list_is_cut_and_says_how_much_is_left() -> None:
    assert suggest("x", [f"w{k:02d}" for k in range(30)], listed=3) == "known: w00, w01, w02 and 27 more"
