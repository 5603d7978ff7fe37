"""The overall reduction, the end, the dimensions and the brim, resolved."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from rectify.errors import CaseError, RulesError
from rectify.limb.spot import Spot
from rectify.rulebook import Facts, TapeValue
from rectify.rulebook.plan import Dimension, End, OverallRow, Spare
from tests.rulebook.books import BAR, book_text, load_text
from tests.rulebook.fake import CapsuleChart, absent, mark, transtibial
from tests.rulebook.test_resolve import codes, planned, tunings

OVERALL = """\
overall:
  basis: circumference
  evidence: common practice
  rows:
    - {at: mid-patellar-tendon, reduce: 3 %, allow: [2 %, 5 %]}
    - {at: distal-end, proximal: 30 mm, reduce: 1 %}
"""


def with_overall(tmp_path: Path, text: str = OVERALL, more: str = "", limb=None, **given: object):  # type: ignore[no-untyped-def]
    return planned(load_text(tmp_path, book_text(more=text + more)), limb, **given)  # type: ignore[arg-type]


# -- overall ------------------------------------------------------------------------------------------


def test_rows_become_levels_and_defaults_are_those_of_the_language(tmp_path: Path) -> None:
    overall = with_overall(tmp_path).overall
    assert overall is not None
    assert (overall.basis, overall.holds, overall.fade_mm, overall.spare_fade_mm) == (
        "circumference",
        "before-regions",
        30.0,
        15.0,
    )
    assert overall.rows == (
        OverallRow(0.0, 3.0, "mid-patellar-tendon"),
        OverallRow(pytest.approx(140.0, abs=1e-9), 1.0, "distal-end, 30 mm proximal"),  # type: ignore[arg-type]
    )
    assert overall.spare == ()


def test_rows_that_cross_on_a_short_limb_are_refused_with_both_levels(tmp_path: Path) -> None:
    low = OVERALL.replace("at: mid-patellar-tendon", "at: mid-patellar-tendon, distal: 100 mm")
    assert with_overall(tmp_path, low).overall is not None
    with pytest.raises(RulesError, match=r"overall\.rows: the rows cross on this limb") as caught:
        with_overall(tmp_path, low, limb=transtibial(CapsuleChart(centre_mm=80.0)))
    assert caught.value.found == (
        "mid-patellar-tendon, 100 mm distal at 100 mm, then distal-end, 30 mm proximal at 100 mm"
    )


@pytest.mark.parametrize(("liner", "percent"), [(3.0, 2.0), (6.0, 3.0), (9.0, 4.0), (20.0, 4.0)])
def test_a_factor_scales_every_row_and_is_held_to_allow(tmp_path: Path, liner: float, percent: float) -> None:
    when = "  when: {liner: {3 mm: 0.5, 6 mm: 1, 9 mm: 1.33333333333333333}}\n"
    plan = with_overall(tmp_path, OVERALL + when, facts=Facts(liner_mm=liner))
    assert plan.overall is not None
    assert plan.overall.rows[0].percent == pytest.approx(percent, abs=1e-9)
    assert ("amount-held-to-allow" in codes(plan)) is (liner == 3.0)


def test_rows_may_depend_on_the_limb(tmp_path: Path) -> None:
    rows = """\
overall:
  basis: volume
  evidence: common practice
  rows:
    - {at: mid-patellar-tendon, reduce: 3 %, when: {tissue: firm}}
    - {at: mid-patellar-tendon, reduce: 6 %, when: {tissue: [average, soft]}}
"""
    for tissue, percent in (("firm", 3.0), ("soft", 6.0)):
        overall = with_overall(tmp_path, rows, facts=Facts(tissue=tissue)).overall
        assert overall is not None and [row.percent for row in overall.rows] == [percent]
    plan = with_overall(tmp_path, rows)
    assert plan.overall is None
    assert "overall left out: none of its rows holds for this limb" in plan.conditions
    assert "fact-not-said" in codes(plan)


def test_tunings_change_every_row_within_allow(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(more=OVERALL))
    plan = planned(book, tune=tunings(book, "overall: {change: +0.5 %}", "overall: {fade: 20 mm}"))
    assert plan.overall is not None
    assert ([row.percent for row in plan.overall.rows], plan.overall.fade_mm) == ([3.5, 1.5], 20.0)
    assert "overall: +0.5 % on every row by JT-0: reason 0" in plan.conditions
    with pytest.raises(CaseError, match=r"makes it 5\.1 % at mid-patellar-tendon, past allow") as caught:
        planned(book, tune=tunings(book, "overall: {change: +2.1 %}"))
    assert (caught.value.key, caught.value.wanted) == ("tune[0].overall.change", "2 % to 5 %")
    beyond = "overall: {change: +2.1 %, beyond-allow: {by: JT, why: agreed}}"
    assert {w.severity for w in planned(book, tune=tunings(book, beyond)).warnings if w.code == "beyond-allow"} == {
        "look"
    }
    with pytest.raises(CaseError, match=r"makes it -1 %"):
        planned(book, tune=tunings(book, "overall: {change: -2 %, beyond-allow: {by: JT, why: agreed}}"))


@pytest.mark.parametrize("liner", [0.0, 3.0, 6.0])
def test_a_row_said_anew_for_this_limb_is_meant_as_it_stands(tmp_path: Path, liner: float) -> None:
    """What the rulebook multiplies its own rows by is not for a number that a person set."""
    book = load_text(tmp_path, book_text(more=OVERALL + "  when: {liner: {0 mm: 1, 3 mm: 0.5}}\n"))
    rows = "overall: {rows: [{at: mid-patellar-tendon, reduce: 5 %, allow: [2 %, 5 %]}]}"
    plan = planned(book, facts=Facts(liner_mm=liner), tune=tunings(book, rows))
    assert plan.overall is not None
    assert [row.percent for row in plan.overall.rows] == [5.0]


def test_tuned_rows_replace_the_old_ones_with_their_changes(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(more=OVERALL))
    rows = "overall: {rows: [{at: inflection, reduce: 2 %}]}"
    plan = planned(book, tune=tunings(book, "overall: {change: +0.5 %}", rows))
    assert plan.overall is not None and plan.overall.rows == (OverallRow(120.0, 2.0, "inflection"),)
    with pytest.raises(CaseError, match="there is no overall reduction to change"):
        bare = load_text(tmp_path, book_text())
        planned(bare, tune=tunings(bare, "overall: {change: +0.5 %}"))


def test_what_is_spared_becomes_discs_paths_and_windows(tmp_path: Path) -> None:
    window = "{levels: [0 mm, {at: inflection, proximal: 20 mm}], angles: [240 deg, 300 deg]}"
    spare = f"  spare: [fibular-head, {{of: tibial-crest, within: 18 mm}}, {window}]\n"
    overall = with_overall(tmp_path, OVERALL + spare).overall
    assert overall is not None
    assert overall.spare == (
        Spare(spots=(Spot(14.0, 115.0),), radius_mm=12.0, landmark="fibular-head"),
        Spare(spots=(Spot(35.0, 2.0), Spot(60.0, -2.0), Spot(90.0, -2.0)), radius_mm=18.0, landmark="tibial-crest"),
        Spare(stations_mm=(0.0, 100.0), angles_deg=(240.0, 300.0)),
    )
    with pytest.raises(RulesError, match="the levels of the window cross"):
        with_overall(tmp_path, OVERALL + "  spare: [{levels: [40 mm, 0 mm]}]\n")


def test_an_absent_landmark_is_not_spared_and_not_missed(tmp_path: Path) -> None:
    overall = with_overall(
        tmp_path, OVERALL + "  spare: [fibular-head]\n", limb=transtibial(fibular_head=absent())
    ).overall
    assert overall is not None and overall.spare == ()


def test_protected_landmarks_and_estimated_bone_are_spared_without_being_said(tmp_path: Path) -> None:
    limb = transtibial(tibial_tubercle=mark(CapsuleChart(), (21, 5), source="estimated", uncertainty_mm=7.0))
    overall = with_overall(tmp_path, OVERALL, "protected: [fibular-neck]\n", limb).overall
    assert overall is not None
    assert {spare.landmark: spare.radius_mm for spare in overall.spare} == {
        "fibular-neck": 12.0,
        "tibial-tubercle": 17.0,
    }
    said = with_overall(tmp_path, OVERALL + "  spare: [{of: tibial-tubercle, within: 5 mm}]\n", limb=limb).overall
    assert said is not None and said.spare[0].radius_mm == 17.0  # never nearer than its own clearance


def test_a_row_at_an_absent_landmark_must_be_looked_at(tmp_path: Path) -> None:
    rows = OVERALL.replace("at: mid-patellar-tendon", "at: tibial-tubercle")
    plan = with_overall(tmp_path, rows, limb=transtibial(tibial_tubercle=absent()))
    assert plan.overall is not None and len(plan.overall.rows) == 1
    assert [(w.code, w.severity) for w in plan.warnings] == [("landmark-absent", "look")]


def test_a_row_at_a_line_needs_to_be_told_where(tmp_path: Path) -> None:
    with pytest.raises(RulesError, match=r"overall\.rows\[0\]: tibial-crest is a line"):
        with_overall(tmp_path, OVERALL.replace("at: mid-patellar-tendon", "at: tibial-crest"))


# -- the end ------------------------------------------------------------------------------------------

END = "end: {lengthen: 4 mm, allow: [2 mm, 8 mm]}\n"


def test_an_end_begins_at_the_inflection_unless_it_says_otherwise(tmp_path: Path) -> None:
    assert with_overall(tmp_path, "", END).end == End("lengthen", 4.0, 120.0, 4.0)
    other = with_overall(tmp_path, "", "end: {pad: 6 mm, from: {at: distal-end, proximal: 40 mm}}\n").end
    assert other is not None and (other.kind, other.amount_mm) == ("pad", 6.0)
    assert other.from_level_mm == pytest.approx(130.0, abs=1e-9)


def test_an_end_follows_when_and_is_held_to_allow(tmp_path: Path) -> None:
    text = "end: {lengthen: 4 mm, allow: [3 mm, 8 mm], when: {suspension: {pin: 0, suction: 0.5}}}\n"
    assert with_overall(tmp_path, "", text, facts=Facts(suspension="pin")).end is None
    plan = with_overall(tmp_path, "", text, facts=Facts(suspension="suction"))
    assert plan.end is not None and plan.end.amount_mm == 3.0
    assert "amount-held-to-allow" in codes(plan, "end")


def test_tunings_of_the_end_are_bound_by_allow(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(more=END))
    end = planned(book, tune=tunings(book, "end: {change: +2 mm}", "end: {from: distal-tibia}")).end
    assert end is not None and (end.amount_mm, end.rulebook_mm, end.from_level_mm) == (6.0, 4.0, 110.0)
    assert [t.text for t in end.tuned] == ["from distal-tibia", "amount 4 mm -> 6 mm"]
    with pytest.raises(CaseError, match=r"tune\[0\]\.end\.amount: makes it 9 mm, past allow"):
        planned(book, tune=tunings(book, "end: {amount: 9 mm}"))
    beyond = planned(book, tune=tunings(book, "end: {amount: 9 mm, beyond-allow: {by: JT, why: agreed}}"))
    assert beyond.end is not None and beyond.end.tuned[0].beyond_allow == "JT: agreed"
    assert planned(book, tune=tunings(book, "end: {drop: yes}")).end is None
    with pytest.raises(CaseError, match="nothing is done to the end"):
        bare = load_text(tmp_path, book_text())
        planned(bare, tune=tunings(bare, "end: {change: +2 mm}"))


def test_an_absent_inflection_leaves_the_end_alone_and_must_be_looked_at(tmp_path: Path) -> None:
    plan = with_overall(tmp_path, "", END, limb=transtibial(inflection=absent()))
    assert plan.end is None and ("landmark-absent", "look") in {(w.code, w.severity) for w in plan.warnings}


def test_a_line_is_no_level_until_it_says_where(tmp_path: Path) -> None:
    with pytest.raises(RulesError, match=r"end\.from: tibial-crest is a line"):
        with_overall(tmp_path, "", "end: {pad: 6 mm, from: tibial-crest}\n")
    book = load_text(tmp_path, book_text(more=END))
    with pytest.raises(CaseError, match=r"tune\[0\]\.end\.from: tibial-crest is a line"):
        planned(book, tune=tunings(book, "end: {from: tibial-crest}"))
    window = "  spare: [{levels: [0 mm, tibial-crest]}]\n"
    with pytest.raises(RulesError, match=r"overall\.spare\[0\]\.levels: tibial-crest is a line"):
        with_overall(tmp_path, OVERALL + window)


def test_a_free_mark_is_spared_and_kept_clear_of_where_it_is_there(tmp_path: Path) -> None:
    book = load_text(
        tmp_path,
        book_text(BAR + "    keep-clear: {of: mark-scar, by: 4 mm}\n", more=OVERALL + "  spare: [mark-scar]\n"),
    )
    without = planned(book)
    assert without.overall is not None and without.overall.spare == ()
    assert without.regions[0].keep_clear == () and without.warnings == ()
    scarred = planned(book, transtibial(mark_scar=mark(CapsuleChart(), (12, 20))))
    assert scarred.overall is not None and scarred.overall.spare[0].landmark == "mark-scar"
    assert [disc.landmark for disc in scarred.regions[0].keep_clear] == ["mark-scar"]


# -- dimensions ---------------------------------------------------------------------------------------

DIMENSION = """\
dimensions:
  - {measure: MEASURE, at: mid-patellar-tendon, distal: 20 mm, target: TARGET, by: [bar], within: 2 mm}
"""


def dimension(tmp_path: Path, facts: Facts, measure: str = "ap", target: str = "{from: tape}"):  # type: ignore[no-untyped-def]
    return with_overall(tmp_path, "", DIMENSION.replace("MEASURE", measure).replace("TARGET", target), facts=facts)


def test_a_target_comes_from_the_tape_nearest_to_its_level(tmp_path: Path) -> None:
    tape = (
        TapeValue("ap", "mid-patellar-tendon", 24.0, 100.0, over="liner"),
        TapeValue("ap", "tibial-tubercle", 0.0, 104.0, over="liner"),  # at 21 mm
        TapeValue("ml", "mid-patellar-tendon", 20.0, 90.0, over="liner"),
    )
    plan = dimension(tmp_path, Facts(tape=tape))
    assert plan.dimensions == (Dimension("ap", 20.0, "mid-patellar-tendon, 20 mm distal", 104.0, ("bar",), 2.0),)


@pytest.mark.parametrize(
    ("measure", "target", "expected"),
    [
        ("ap", "{from: tape}", 112.0),
        ("ap", "{from: tape, change: -3 mm}", 109.0),
        ("ap", "{from: tape, change: -5 %}", 106.4),
        ("circumference", "{from: tape}", 300.0 + 2 * math.pi * 6.0),
        ("ap", "104 mm", 104.0),
    ],
)
def test_a_value_over_skin_gets_the_liner_that_will_be_worn(
    tmp_path: Path, measure: str, target: str, expected: float
) -> None:
    tape = (
        TapeValue("ap", "mid-patellar-tendon", 20.0, 100.0),
        TapeValue("circumference", "mid-patellar-tendon", 20.0, 300.0),
    )
    plan = dimension(tmp_path, Facts(tape=tape, worn_mm=6.0), measure, target)
    assert plan.dimensions[0].target_mm == pytest.approx(expected, abs=1e-9)


def test_a_tape_that_says_nothing_there_gives_no_target_and_says_so(tmp_path: Path) -> None:
    far = (TapeValue("ap", "mid-patellar-tendon", 25.1, 100.0), TapeValue("ap", "nowhere", 20.0, 100.0))
    plan = dimension(tmp_path, Facts(tape=far, worn_mm=0.0))
    assert plan.dimensions[0].target_mm is None and codes(plan) == {"no-tape"}
    edge = (TapeValue("ap", "mid-patellar-tendon", 25.0, 100.0),)
    assert dimension(tmp_path, Facts(tape=edge, worn_mm=0.0)).dimensions[0].target_mm == 100.0
    assert "wear-not-said" in codes(dimension(tmp_path, Facts(tape=edge)))


def test_a_dimension_forgets_regions_that_are_not_there(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(more=DIMENSION.replace("MEASURE", "ap").replace("TARGET", "104 mm")))
    assert planned(book, tune=tunings(book, "regions: {bar: {drop: yes}}")).dimensions[0].by == ()


# -- the brim -----------------------------------------------------------------------------------------

BRIM = """\
brim:
  line: [{at: patella-apex, proximal: 5 mm}, lateral-condyle, popliteal-crease, medial-condyle]
  corner-radius: 30 mm
  flare: {out: 8 mm, over: 15 mm, where: posterior}
"""


def test_a_brim_becomes_spots_and_a_line_in_it_is_taken_whole(tmp_path: Path) -> None:
    brim = with_overall(tmp_path, "", BRIM).brim
    assert brim is not None
    assert [(spot.station_mm, spot.angle_deg) for spot in brim.line] == [
        (-26.0, 0.0), (-25.0, 90.0), (-12.0, 160.0), (-12.0, 180.0), (-12.0, -160.0), (-25.0, -90.0),
    ]  # fmt: skip
    assert (brim.corner_radius_mm, brim.flare_out_mm, brim.flare_over_mm, brim.flare_where) == (
        30.0,
        8.0,
        15.0,
        "posterior",
    )


def test_a_brim_off_the_capture_or_on_what_is_absent_must_be_looked_at(tmp_path: Path) -> None:
    plan = with_overall(tmp_path, "", BRIM, limb=transtibial(CapsuleChart(top_mm=-25.5)))
    assert ("brim-beyond-capture", "look") in {(w.code, w.severity) for w in plan.warnings}
    plan = with_overall(tmp_path, "", BRIM, limb=transtibial(popliteal_crease=absent()))
    assert plan.brim is None and "landmark-absent" in codes(plan, "brim")


def test_tunings_change_the_brim_by_its_keys(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(more=BRIM))
    plan = planned(book, tune=tunings(book, "brim: {corner-radius: 20 mm}"))
    assert plan.brim is not None and plan.brim.corner_radius_mm == 20.0 and len(plan.brim.line) == 6
    assert "brim: corner-radius said anew by JT-0: reason 0" in plan.conditions
    bare = load_text(tmp_path, book_text())
    with pytest.raises(CaseError, match="this rulebook has no brim to change"):
        planned(bare, tune=tunings(bare, "brim: {corner-radius: 20 mm}"))
    line = "brim: {line: [patella-apex, lateral-condyle, popliteal]}"
    assert planned(bare, tune=tunings(bare, line)).brim is not None
