"""The plan in words says what the tables say."""

from __future__ import annotations

import html
import re

from rectify.report.page_words import plan_in_words
from tests import made
from tests.report.conftest import Write, demo, patches, reported


def said(facts: dict) -> list[str]:
    return [html.unescape(re.sub(r"<[^>]+>", "", sentence)) for sentence in plan_in_words(facts)]


def test_every_region_the_overall_reduction_and_the_end_have_their_sentence(write: Write) -> None:
    facts, _ = reported(write(), patches())
    overall, front, outside, end = said(facts)
    assert overall.startswith("Overall: the circumference is reduced by 3.0 % at") and "(level 20 mm)" in overall
    assert front.startswith("front: built up by 4.0 mm at level 40 mm, 0°, measured from the reduced surface")
    assert front.endswith("; bone.") and outside.startswith("outside: reduced by 3.0 mm at level 70 mm, 90°")
    assert end == "End: lengthened along the axis by 5.0 mm from level 150 mm on."


def test_a_tuning_is_told_with_who_and_why() -> None:
    (head,) = [line for line in said(demo("RB-102").report) if line.startswith("fibular-head")]
    assert "built up by 5.0 mm (the rulebook's 4.0 mm, changed by KW-cpo: redness after ten minutes)" in head


def test_the_brim_and_its_flare_are_told() -> None:
    facts = demo("RB-102").report
    (brim,) = [line for line in said(facts) if line.startswith("Brim")]
    assert f"through {facts['brim']['places']} places" in brim
    assert "flared out by 8.0 mm over 15.0 mm, posterior" in brim


def test_a_plan_that_does_nothing_has_nothing_to_say(write: Write) -> None:
    assert said(reported(write(), made.plan())[0]) == []
