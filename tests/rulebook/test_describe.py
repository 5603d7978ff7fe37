"""A rulebook in words: order, places, percentages read both ways."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rectify.rulebook.describe import circumference_percent, describe, volume_percent
from rectify.rulebook.load import list_rulebooks, load_rulebook
from tests.rulebook.books import BAR, HEAD_UP, book_text, load_text

MORE = """\
needs: {capture-includes: knee}
overall:
  basis: circumference
  spare:
    - fibular-head
    - {of: tibial-crest, within: 18 mm}
    - {levels: [0 mm, {at: inflection, proximal: 9 mm}], angles: [240 deg, 300 deg]}
  rows: [{at: mid-patellar-tendon, reduce: 5 %, allow: [3 %, 6 %]}, {at: distal-end, proximal: 30 mm, reduce: 0 %}]
  when: {liner: {at-least: 3 mm, at-most: 6 mm}}
  evidence: common practice
dimensions: [{measure: ap, at: popliteal, target: {from: tape, change: -3 mm}, by: bar, within: 2 mm}]
end: {lengthen: 3 mm, allow: [0 mm, 5 mm]}
brim: {line: [patella-apex, lateral-condyle, {at: popliteal, proximal: 5 mm}], flare: {out: 8 mm, over: 15 mm}}
limits: {volume: [-9 %, +4 %], reduction: 12 mm}
"""
REGIONS = (
    """\
  tip:
    action: build-up
    amount: 3 mm
    shape: {end-cap: {reach: 30 mm}}
    feather: 12 mm
  crest:
    action: build-up
    amount: 3 mm
    path: [{at: tibial-tubercle, along-path: 16 mm}, tibial-crest, distal-tibia]
    lateral: 15 mm
    shape: {strip: {width: [10 mm, 12 mm]}}
    feather: 9 mm
    keep-clear: {of: fibular-head, by: 6 mm}
    when: {shaping: [hand, none], tissue: {soft: 1.2}}
"""
    + BAR
    + HEAD_UP
)


def test_percentages_say_both_readings() -> None:
    # the ready numbers of the closed form 1 - (1 - p)^2, circumference to volume
    for c, v in ((1, 1.99), (2, 3.96), (3, 5.91), (4, 7.84), (5, 9.75), (6, 11.64)):
        assert volume_percent(c) == pytest.approx(v, abs=1e-9)
    # and back: 4, 6, 8 % of volume are 2.02, 3.05, 4.08 % of circumference
    for v, c in ((4, 2.02), (6, 3.05), (8, 4.08)):
        assert circumference_percent(v) == pytest.approx(c, abs=0.005)  # printed to two decimals


@given(st.floats(0.0, 99.0))
def test_one_reading_and_back_is_the_same(percent: float) -> None:
    assert circumference_percent(volume_percent(percent)) == pytest.approx(percent, abs=1e-9)


def test_a_rulebook_is_told_from_proximal_to_distal(tmp_path: Path) -> None:
    told = describe(load_text(tmp_path, book_text(REGIONS, more=MORE)))
    assert [line.name for line in told.regions] == ["bar", "fibular-head", "crest", "tip"]
    crest = told.regions[2]
    assert crest.place == "tibial-tubercle, cut back 16 mm - tibial-crest - distal-tibia; 15 mm lateral of it"
    assert (crest.action, crest.amount, crest.extent, crest.feather) == (
        "build-up",
        "3 mm",
        "10 mm to 12 mm wide",
        "9 mm",
    )
    assert crest.keep_clear == "fibular-head by 6 mm"
    assert crest.when == "only with shaping hand or none; tissue soft: times 1.2"
    bar = told.regions[0]
    assert (bar.action, bar.allow, bar.place) == ("reduction", "2 mm to 7 mm", "mid-patellar-tendon")
    assert (bar.extent, bar.evidence) == ("36 mm along, 50 mm around", "common practice")
    assert (told.regions[1].extent, told.regions[3].place, told.regions[3].extent) == (
        "30 mm round", "distal end", "30 mm from the pole",
    )  # fmt: skip


def test_the_rest_is_told_in_words(tmp_path: Path) -> None:
    told = describe(load_text(tmp_path, book_text(REGIONS, more=MORE)))
    first, last = told.overall
    assert (first.place, first.circumference_percent, first.allow) == ("mid-patellar-tendon", 5.0, "3 % to 6 %")
    assert first.volume_percent == pytest.approx(9.75, abs=1e-12)
    assert (last.place, last.volume_percent) == ("distal-end, 30 mm proximal", 0.0)
    notes = dict(told.overall_notes)
    assert (
        notes["spare"]
        == "fibular-head, tibial-crest (18 mm round it), levels 0 mm to inflection, 9 mm proximal, 240 deg to 300 deg"
    )
    assert notes["when"] == "only with a liner of at least 3 mm and at most 6 mm"
    assert told.dimensions == ("ap at popliteal: the tape's value -3 mm, within 2 mm, by bar",)
    assert told.end == "lengthened 3 mm, from inflection; 0 mm to 5 mm allowed"
    assert told.brim == "patella-apex - lateral-condyle - popliteal, 5 mm proximal; flared 8 mm over 15 mm, all"
    assert told.limits == (("volume", "-9 % to +4 %"), ("reduction", "at most 12 mm"))
    assert told.needs == ("knee",)


def test_every_shipped_rulebook_is_told_whole() -> None:
    for name in list_rulebooks():
        book = load_rulebook(name)
        told = describe(book)
        assert {line.name for line in told.regions} == set(book.regions)
        assert all(line.amount and line.place and line.extent and line.feather for line in told.regions)
        assert len(told.overall) == (len(book.says.overall.rows) if book.says.overall else 0)
