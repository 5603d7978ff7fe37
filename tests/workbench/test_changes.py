"""An overlay and the tune entries it becomes: every change in the words of a case file, each under its own reason."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

import rectify
from rectify.data import demo_folder
from rectify.rulebook import load_rulebook, read_tune
from rectify.workbench.changes import EndChange, Overlay, RegionChange, RegionDrawn, RowChange, entries, side_towards

ORIGIN = "mid-patellar-tendon"
REGION = "patellar-tendon"


@pytest.fixture(scope="module")
def plan():
    return rectify.open_case(demo_folder() / "RB-103").plan()


@pytest.fixture(scope="module")
def book(plan):
    book = load_rulebook(plan.rulebook_key)
    assert REGION in book.regions
    return book


def said(overlay: Overlay, plan, **more):
    return entries(overlay, plan, ORIGIN, by="JT-cpo", on="2026-11-25", **more)


def test_an_empty_overlay_says_nothing(plan):
    assert Overlay().is_empty and said(Overlay(), plan) == []


def test_a_region_is_said_in_the_words_of_a_tuning(plan):
    change = RegionChange(amount=4.5, feather=11, along=3, around=-2, distal=-4, why="red")
    (entry,) = said(Overlay(regions={"fibular-head": change}), plan)
    assert entry == {
        "by": "JT-cpo",
        "on": "2026-11-25",
        "why": "red",
        "regions": {
            "fibular-head": {
                "amount": "4.5 mm",
                "feather": "11 mm",
                "widen": {"along": "+3 mm", "around": "-2 mm"},
                "move": {"proximal": "4 mm"},
            }
        },
    }


def test_changes_with_one_reason_share_an_entry_and_others_have_their_own(plan):
    overlay = Overlay(
        regions={
            "fibular-head": RegionChange(amount=5, why="red"),
            "distal-tibia": RegionChange(amount=6, why="red"),
            "tibial-crest": RegionChange(off=True, why="padded"),
        }
    )
    one, two = said(overlay, plan)
    assert set(one["regions"]) == {"fibular-head", "distal-tibia"} and two["regions"] == {
        "tibial-crest": {"drop": True}
    }


def test_what_was_given_no_reason_has_the_versions(plan):
    (entry,) = said(Overlay(regions={"fibular-head": RegionChange(amount=5)}), plan, why="first fitting")
    assert entry["why"] == "first fitting"


def test_rows_keep_their_levels_and_what_they_are_allowed(plan):
    if plan.overall is None:
        pytest.fail("the demo case should have an overall reduction")
    percents = tuple(row.percent for row in plan.overall.rows)
    allow = [(0.0, 6.0)] + [None] * (len(percents) - 1)
    (entry,) = said(Overlay(overall=RowChange(percents=percents)), plan, allow=allow)
    rows = entry["overall"]["rows"]
    for row, text in zip(plan.overall.rows, rows, strict=True):
        moved = float(text.get("distal", "0 mm").split()[0]) - float(text.get("proximal", "0 mm").split()[0])
        assert moved == pytest.approx(row.level_mm, abs=5e-4)  # mm, the thousandth that is written
    assert rows[0]["allow"] == ["0 %", "6 %"] and "allow" not in rows[-1]


def test_a_ring_drawn_by_hand_becomes_an_outline_of_levels_and_angles(plan):
    drawn = RegionDrawn(action="build-up", amount=2, feather=8, ring=((60, 200), (60, -130), (85.5, 215)), why="scar")
    (entry,) = said(Overlay(drawn={"scar": drawn}), plan)
    ring = entry["regions"]["scar"]["add"]["shape"]["outline"]
    assert ring[1] == {"at": ORIGIN, "distal": "60 mm", "angle": "230 deg"}
    assert ring[2] == {"at": ORIGIN, "distal": "85.5 mm", "angle": "215 deg"}


@given(angle=st.floats(-720, 720), increasing=st.booleans())
def test_the_side_named_lies_that_way_and_is_never_near_enough_to_mean_both(angle, increasing):
    where = {"anterior": 0.0, "lateral": 90.0, "posterior": 180.0, "medial": 270.0}[side_towards(angle, increasing)]
    turn = (where - angle + 180.0) % 360.0 - 180.0
    assert 44.0 <= abs(turn) <= 136.0 and (turn > 0) == increasing


@settings(deadline=None)
@given(
    amount=st.one_of(st.none(), st.floats(0, 14)),
    feather=st.one_of(st.none(), st.floats(1, 60)),
    along=st.one_of(st.none(), st.floats(-10, 10)),
    distal=st.one_of(st.none(), st.floats(-20, 20)),
    turned=st.one_of(st.none(), st.floats(-20, 20)),
)
def test_whatever_a_page_may_send_is_read_by_the_readers_of_a_case(plan, book, amount, feather, along, distal, turned):
    change = RegionChange(amount=amount, feather=feather, along=along, distal=distal, round=turned)
    told = said(Overlay().with_region(REGION, change), plan)
    assert (told == []) == change.is_empty
    for tuning in read_tune(told, book, lambda _: (None, None)):
        asked = tuning.says.regions[REGION]
        if amount is not None:
            assert asked.amount.value == pytest.approx(amount, abs=5e-4)  # mm, the thousandth that is written


@pytest.mark.parametrize(
    "change",
    [
        {"amount": float("nan")},
        {"amount": -1},
        {"feather": 1e9},
        {"colour": "red"},
        {"why": "two\nlines"},
        {"why": "x" * 400},
    ],
)
def test_what_is_no_change_is_refused(change):
    with pytest.raises(ValidationError):
        RegionChange.model_validate(change)


def test_the_end_is_said_with_its_amount(plan):
    (entry,) = said(Overlay(end=EndChange(amount=4, why="end contact")), plan)
    assert entry["end"] == {"amount": "4 mm"}
