"""What was captured is rectified already: nothing of the rulebook is made again, changes are made on top of it."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from rectify.errors import CaseError, Faults
from rectify.rulebook.facts import Facts, TapeValue
from tests.rulebook.books import BAR, HEAD_UP, book_text, load_text
from tests.rulebook.fake import absent, transtibial
from tests.rulebook.test_resolve import codes, planned, region, tunings

COPY = Facts(surface="socket-inside", rectified=True, shaping="none")
MODEL = Facts(surface="positive-model", rectified=True)
OVERALL = """\
overall:
  basis: circumference
  rows:
    - {at: mid-patellar-tendon, reduce: 3 %, allow: [2 %, 5 %]}
    - {at: distal-end, proximal: 30 mm, reduce: 1 %}
  evidence: common practice
"""
END = "end: {lengthen: 4 mm, allow: [2 mm, 8 mm], evidence: common practice}\n"
BRIM = "brim: {line: [patella-apex, {at: mid-patellar-tendon, angle: 120 deg}, popliteal]}\n"
AP = "dimensions: [{measure: ap, at: popliteal, target: {from: tape, change: -2 mm}, by: [bar], within: 2 mm}]\n"
WHOLE = book_text(BAR + HEAD_UP, more=OVERALL + END + BRIM)


def test_nothing_is_made_again_and_that_is_said(tmp_path: Path) -> None:
    plan = planned(load_text(tmp_path, WHOLE), facts=COPY)
    assert plan.regions == () and plan.overall is None and plan.end is None and plan.brim is None
    (warned,) = plan.warnings
    assert (warned.code, warned.severity, warned.where) == ("rectified-already", "note", "scan.rectified")
    assert "nothing is made again" in warned.message and "the captured edge is the socket's own" in warned.message
    assert warned.message in plan.conditions


def test_a_rectified_model_keeps_the_rulebooks_trimline(tmp_path: Path) -> None:
    plan = planned(load_text(tmp_path, WHOLE), facts=MODEL)
    assert plan.regions == () and plan.brim is not None
    assert "edge" not in plan.warnings[0].message
    bare = transtibial(patella_apex=None)
    lacking = planned(load_text(tmp_path, WHOLE), bare, MODEL)
    assert lacking.brim is None and "brim-left-out" in codes(lacking)


def test_a_change_is_made_on_top_of_what_is_there(tmp_path: Path) -> None:
    book = load_text(tmp_path, WHOLE)
    tune = tunings(book, "regions: {fibular-head: {change: +1 mm}}", "regions: {fibular-head: {change: +0.5 mm}}")
    plan = planned(book, facts=COPY, tune=tune)
    (head,) = plan.regions
    assert (head.name, head.action, head.rulebook_mm, head.asked_mm, head.change_mm) == (
        "fibular-head",
        "build-up",
        0.0,
        1.5,
        1.5,
    )
    assert head.allow_mm is None
    assert [change.text for change in head.tuned] == [
        "1 mm more than the captured shape carries",
        "1.5 mm more than the captured shape carries",
    ]
    assert any(text.startswith("fibular-head: what was captured carries it") for text in plan.conditions)


def test_less_than_what_is_there_is_made_the_other_way_round(tmp_path: Path) -> None:
    book = load_text(tmp_path, WHOLE)
    bar = region(planned(book, facts=COPY, tune=tunings(book, "regions: {bar: {change: -1.5 mm}}")), "bar")
    assert (bar.action, bar.asked_mm, bar.blend) == ("build-up", 1.5, "inside")  # within the line where it was pressed
    plan = planned(book, facts=COPY, tune=tunings(book, "regions: {fibular-head: {change: -1 mm}}"))
    head = region(plan, "fibular-head")
    assert (head.action, head.asked_mm, head.blend) == ("reduce", 1.0, "outside")
    turned = [warn for warn in plan.warnings if warn.code == "turned-round"]
    assert [(warn.severity, warn.where) for warn in turned] == [("look", "fibular-head")]
    assert turned[0].message == "1 mm less than the captured shape carries: made as a reduce"


def test_room_over_a_protected_place_is_not_taken_back(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(HEAD_UP, more="protected: [fibular-head]\n"))
    with pytest.raises(CaseError, match=r"regions\.fibular-head\.change: reaches the protected fibular-head"):
        planned(book, facts=COPY, tune=tunings(book, "regions: {fibular-head: {change: -1 mm}}"))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("regions: {bar: {amount: 6 mm}}", r"regions\.bar\.amount: sets the amount of what is in the captured shape"),
        ("regions: {bar: {drop: yes}}", r"regions\.bar\.drop: leaves out what is in the captured shape"),
        ("regions: {bar: {move: {distal: 4 mm}}}", r"regions\.bar: moves or shapes what is in the captured shape"),
        ("regions: {bar: {widen: {along: +4 mm}}}", "moves or shapes"),
        ("regions: {bar: {feather: 18 mm}}", "moves or shapes"),
        ("end: {amount: 6 mm}", r"end\.amount: sets the amount of what"),
        ("end: {change: -1 mm}", r"makes it -1 mm, past allow"),
        ("end: {change: +9 mm}", r"makes it 9 mm, past allow.*wanted: 0 mm to 8 mm"),
        ("overall: {change: -0.5 %}", r"makes it -0\.5 %.*what is worn makes a copy wider"),
        ("overall: {change: +6 %}", r"past allow"),
        ("regions: {bar: {change: +9 mm}}", r"makes it 9 mm, past allow.*-7 mm to 7 mm"),
        ("regions: {bar: {change: -9 mm}}", r"makes it -9 mm, past allow"),
    ],
)
def test_what_cannot_be_done_to_a_copy_is_refused_with_what_can(tmp_path: Path, change: str, said: str) -> None:
    book = load_text(tmp_path, WHOLE)
    with pytest.raises((CaseError, Faults)) as caught:
        planned(book, facts=COPY, tune=tunings(book, change))
    assert re.search(said, " ".join(str(caught.value).split())), str(caught.value)


def test_a_wall_that_was_formed_is_not_formed_again(tmp_path: Path) -> None:
    book = load_text(tmp_path, WHOLE)
    walls = {name: says.model_copy(update={"action": "flatten"}) for name, says in book.says.regions.items()}
    book = replace(book, says=book.says.model_copy(update={"regions": walls}))
    assert planned(book, facts=COPY).regions == ()
    with pytest.raises(CaseError, match=r"bar\.change: forms anew a wall that is in the captured shape already"):
        planned(book, facts=COPY, tune=tunings(book, "regions: {bar: {change: +1 mm}}"))


def test_a_change_may_say_its_own_place_and_shape(tmp_path: Path) -> None:
    book = load_text(tmp_path, WHOLE)
    moved = "regions: {bar: {change: +1 mm, move: {distal: 6 mm}, feather: 14 mm}}"
    bar = region(planned(book, facts=COPY, tune=tunings(book, moved)), "bar")
    assert bar.anchor.spot.station_mm == pytest.approx(6.0) and bar.feather_mm == 14.0


def test_limits_hold_for_a_change_of_either_sign(tmp_path: Path) -> None:
    more = "limits: {reduction: 5 mm, build-up: 2 mm}\n"
    book = load_text(tmp_path, book_text(more=more))
    for change, limit in (("+6 mm", "5 mm"), ("-3 mm", "2 mm")):
        with pytest.raises(CaseError, match="past the limit") as caught:
            planned(book, facts=COPY, tune=tunings(book, f"regions: {{bar: {{change: {change}}}}}"))
        assert caught.value.wanted == f"at most {limit}, the limit of this rulebook"


def test_a_region_that_is_added_is_made_as_anywhere(tmp_path: Path) -> None:
    book = load_text(tmp_path, WHOLE)
    spur = "{action: build-up, amount: 3 mm, at: distal-tibia, shape: {oval: 25 mm}, feather: 12 mm}"
    add = f"regions: {{spur: {{add: {spur}}}}}"
    (made,) = planned(book, facts=COPY, tune=tunings(book, add)).regions
    assert (made.name, made.asked_mm) == ("spur", 3.0)


def test_the_overall_reduction_and_the_end_change_from_nothing(tmp_path: Path) -> None:
    book = load_text(tmp_path, WHOLE)
    plan = planned(book, facts=COPY, tune=tunings(book, "overall: {change: +0.5 %}, end: {change: +3 mm}"))
    assert plan.overall is not None and [row.percent for row in plan.overall.rows] == [0.5, 0.5]
    assert plan.end is not None and (plan.end.amount_mm, plan.end.rulebook_mm) == (3.0, 0.0)
    anew = tunings(book, "overall: {rows: [{at: mid-patellar-tendon, reduce: 2 %}]}")
    rows = planned(book, facts=COPY, tune=anew).overall
    assert rows is not None and [row.percent for row in rows.rows] == [2.0]


def test_a_rulebook_that_speaks_of_rectified_captures_is_followed(tmp_path: Path) -> None:
    again = BAR + "    when: {rectified: {yes: 0.4}}\n"
    plan = planned(load_text(tmp_path, book_text(again + HEAD_UP)), facts=COPY)
    assert [(r.name, r.asked_mm) for r in plan.regions] == [("bar", 2.0)]
    only = HEAD_UP + "    when: {rectified: no}\n"
    assert planned(load_text(tmp_path, book_text(only, more=END)), facts=COPY).regions == ()


def test_nobody_need_mark_what_nothing_rests_on(tmp_path: Path) -> None:
    more = "needs: {capture-includes: knee, landmarks: [tibial-crest], shaping: hand}\nprotected: [fibular-neck]\n"
    book = load_text(tmp_path, book_text(BAR + HEAD_UP, more=more + AP + BRIM))
    gone = dict.fromkeys(("fibular_neck", "fibular_head", "popliteal", "patella_apex", "tibial_crest"))
    plan = planned(book, transtibial(**gone), COPY)
    assert plan.needs == () and codes(plan) == {"rectified-already", "landmark-absent"}
    changed = tunings(book, "regions: {fibular-head: {change: +1 mm}}")
    with pytest.raises(Exception, match="fibular-head is not marked"):
        planned(book, transtibial(**gone), COPY, tune=changed)
    assert planned(book, transtibial(fibular_head=absent()), COPY, tune=changed).regions == ()


def test_a_dimension_of_a_copy_is_told_and_moves_nothing(tmp_path: Path) -> None:
    facts = Facts(surface="socket-inside", rectified=True, tape=(TapeValue("ap", "popliteal", 0.0, 96.0),))
    (found,) = planned(load_text(tmp_path, book_text(more=AP)), facts=facts).dimensions
    assert (found.measure, found.target_mm, found.by) == ("ap", None, ())
