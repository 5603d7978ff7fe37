"""What stands against a region on one limb: slope, bone that is only estimated, protected places, discs."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from pathlib import Path

import pytest

from rectify.errors import CaseError, RulesError
from rectify.limb.spot import Spot
from rectify.rulebook.plan import Band, EndCap, KeepClear, Outline, Oval, Strip
from tests.rulebook.books import BAR, HEAD_UP, book_text, load_text
from tests.rulebook.fake import CapsuleChart, FakeMark, mark, transtibial
from tests.rulebook.test_resolve import codes, planned, region, tunings

CHART = CapsuleChart()
R = CHART.radius


def estimated(unsure: float, *places: tuple[float, float]) -> FakeMark:
    return mark(CHART, *places, source="estimated", uncertainty_mm=unsure)


# -- slope ------------------------------------------------------------------------------------------


def test_a_feather_is_held_to_what_the_mesh_leaves_and_says_so(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text())
    assert codes(planned(book)) == set()  # 16 mm fits 36 mm with a core of 4 mm
    coarse = planned(book, replace(transtibial(), edge_mm=3.0))  # two edges: 6 mm
    messages = {warn.code: warn.message for warn in coarse.warnings}
    assert messages["feather-held"] == "feather 16 mm does not fit, held to 15 mm"
    assert region(coarse, "bar").feather_mm == 16.0  # the plan keeps what was asked


@pytest.mark.parametrize(("fall", "most"), [("smooth", 5.3), ("cosine", 6.3), ("run-out", 5.6)])
def test_allow_ends_where_the_feather_as_held_on_this_limb_carries_no_more(
    tmp_path: Path, fall: str, most: float
) -> None:
    """On edges of 8 mm 36 mm leave 10 mm of feather: at 45 degrees 10 / 1.875, 10 / 1.571 and 10 / 1.778 mm."""
    book = load_text(tmp_path, book_text(BAR + f"    fall: {fall}\n"))
    assert region(planned(book), "bar").allow_mm == (2.0, 7.0)
    coarse = replace(transtibial(), edge_mm=8.0)
    plan = planned(book, coarse)
    assert region(plan, "bar").allow_mm == (2.0, most)
    (warn,) = [warn for warn in plan.warnings if warn.code == "allow-steep"]
    assert (warn.severity, warn.where, warn.message) == (
        "note",
        "bar",
        f"allow ends at {most:g} mm on this limb instead of 7 mm: a feather of 10 mm carries no more at 45 deg",
    )
    assert region(planned(book, coarse, sets=(f"bar.amount={most} mm",)), "bar").asked_mm == most
    with pytest.raises(RulesError, match=r"bar\.amount: makes the feather too steep"):
        planned(book, coarse, sets=(f"bar.amount={most + 0.1} mm",))


def test_a_slope_above_35_degrees_is_noted(tmp_path: Path) -> None:
    steep = BAR.replace("feather: 16 mm", "feather: 13 mm")
    plan = planned(load_text(tmp_path, book_text(steep)))
    (warn,) = [warn for warn in plan.warnings if warn.code == "slope"]
    slope = math.degrees(math.atan(1.875 * 5 / 13))
    assert (warn.severity, warn.message) == (
        "note",
        f"5 mm over 13 mm is {slope:.1f} deg steep; above 35 deg an edge is felt",
    )


def test_a_tuning_past_45_degrees_is_refused_with_the_feather_that_would_carry_it(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(BAR.replace("feather: 16 mm", "feather: 11 mm")))
    assert planned(book, tune=tunings(book, "regions: {bar: {amount: 5.8 mm}}"))  # 44.7 deg
    with pytest.raises(CaseError, match=r"regions\.bar\.amount: makes the feather too steep") as caught:
        planned(book, tune=tunings(book, "regions: {bar: {amount: 6 mm}}"))
    assert caught.value.wanted == "at most 45 deg: a feather of 11.3 mm"  # 1.875 * 6 = 11.25, rounded up
    assert planned(book, tune=tunings(book, "regions: {bar: {amount: 6 mm, feather: 11.3 mm}}"))


def test_where_the_feather_would_not_fit_the_size_that_would_carry_it_is_said(tmp_path: Path) -> None:
    book = load_text(
        tmp_path,
        book_text(BAR.replace("along: 36 mm", "along: 24 mm").replace("16 mm", "11 mm").replace("5 mm", "4 mm")),
    )
    with pytest.raises(CaseError, match="too steep") as caught:
        planned(book, tune=tunings(book, "regions: {bar: {change: +3 mm}}"))
    # 1.875 * 7 = 13.125; twice that and a core of 3 mm
    assert caught.value.wanted == "at most 45 deg: a feather of 13.2 mm, in a region at least 29.3 mm across"
    assert caught.value.key == "tune[0].regions.bar.change"


@pytest.mark.parametrize(
    ("change", "key"),
    [("feather: 9 mm", "feather"), ("shape: {oval: 20 mm}", "shape"), ("widen: {along: -18 mm}", "widen")],
)
def test_whatever_made_it_too_steep_is_pointed_at(tmp_path: Path, change: str, key: str) -> None:
    book = load_text(tmp_path, book_text())
    with pytest.raises(CaseError, match="makes the feather too steep") as caught:
        planned(book, tune=tunings(book, f"regions: {{bar: {{{change}}}}}"))
    assert caught.value.key == f"tune[0].regions.bar.{key}"


def test_an_added_region_too_steep_is_refused_in_the_case(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text())
    add = "{action: build-up, amount: 3 mm, at: popliteal, shape: {oval: 25 mm}, feather: 5 mm}"
    with pytest.raises(CaseError, match=r"new\.add\.feather: makes the feather too steep"):
        planned(book, tune=tunings(book, f"regions: {{new: {{add: {add}}}}}"))


def test_a_coarse_mesh_that_makes_the_rulebook_itself_too_steep_must_be_looked_at(tmp_path: Path) -> None:
    plan = planned(load_text(tmp_path, book_text()), replace(transtibial(), edge_mm=10.0))
    severities = {warn.severity for warn in plan.warnings if warn.code == "slope"}
    assert severities == {"look"}


def test_the_ends_of_a_short_strip_take_their_feather_from_its_length(tmp_path: Path) -> None:
    strip = (
        BAR.replace(
            "at: mid-patellar-tendon",
            "path: [{at: fibular-head, along-path: 42 mm}, {at: distal-fibula, along-path: 42 mm}]",
        )
        .replace("shape: {oval: {along: 36 mm, around: 50 mm}}", "shape: {strip: {width: 40 mm}}")
        .replace("5 mm", "3 mm")
    )
    plan = planned(load_text(tmp_path, book_text(strip)))
    # about 5 mm of path and discs of 40 mm at its ends: 45 mm long, so 21 mm each way would fit
    assert "feather-held" not in codes(plan)
    narrow = planned(load_text(tmp_path, book_text(strip.replace("width: 40 mm", "width: 32 mm"))))
    assert "feather-held" in codes(narrow)


# -- estimated places ---------------------------------------------------------------------------------


def test_a_build_up_over_estimated_bone_is_wider_by_the_uncertainty_and_must_be_looked_at(tmp_path: Path) -> None:
    plan = planned(load_text(tmp_path, book_text(HEAD_UP)), transtibial(fibular_head=estimated(6.0, (14, 115))))
    assert region(plan, "fibular-head").shape == Oval(42.0, 42.0)
    (warn,) = [warn for warn in plan.warnings if warn.code == "estimated-bone"]
    assert warn.severity == "look" and "give or take 6 mm" in warn.message


@pytest.mark.parametrize(
    ("place", "shape", "check"),
    [
        (
            "path: [fibular-head, distal-fibula]",
            "{strip: {width: 10 mm}}",
            lambda s: isinstance(s, Strip) and set(s.widths_mm) == {22.0},
        ),
        ("between: [fibular-head, distal-fibula]", "band", lambda s: s == Band(14.0 - 6.0, 102.0 + 6.0)),
        (
            "",
            "{end-cap: {from: tibia-end}}",
            lambda s: isinstance(s, EndCap) and abs(s.reach_mm - (R * math.pi / 2 - 5 + 6)) < 1e-6,
        ),
    ],
)
def test_every_shape_grows_over_estimated_bone(tmp_path: Path, place: str, shape: str, check) -> None:  # type: ignore[no-untyped-def]
    text = HEAD_UP.replace("    at: fibular-head\n", f"    {place}\n" if place else "").replace("{oval: 30 mm}", shape)
    limb = transtibial(
        fibular_head=estimated(6.0, (14, 115)), distal_fibula=mark(CHART, (102, 95)), tibia_end=estimated(6.0, (125, 0))
    )
    assert check(region(planned(load_text(tmp_path, book_text(text)), limb), "fibular-head").shape)


def test_an_outline_grows_away_from_its_middle(tmp_path: Path) -> None:
    ring = "{outline: [{proximal: 16 mm}, {anterior: 15 mm}, {distal: 16 mm}, {posterior: 15 mm}]}"
    book = load_text(tmp_path, book_text(HEAD_UP.replace("{oval: 30 mm}", ring)))
    shape = region(planned(book, transtibial(fibular_head=estimated(6.0, (14, 115)))), "fibular-head").shape
    assert isinstance(shape, Outline)
    assert [spot.station_mm for spot in shape.ring] == pytest.approx([14 - 22, 14, 14 + 22, 14], abs=1e-9)
    assert (shape.ring[1].angle_deg - 115.0) * math.radians(R) == pytest.approx(-21.0, abs=1e-9)


def test_a_marked_bone_changes_nothing(tmp_path: Path) -> None:
    limb = transtibial(fibular_head=mark(CHART, (14, 115), uncertainty_mm=2.0))
    plan = planned(load_text(tmp_path, book_text(HEAD_UP)), limb)
    assert region(plan, "fibular-head").shape == Oval(30.0, 30.0)
    assert region(plan, "fibular-head").anchor.uncertainty_mm == 2.0
    assert plan.warnings == ()


def test_a_reduction_keeps_its_uncertainty_and_10_mm_clear_of_estimated_bone(tmp_path: Path) -> None:
    # the tubercle estimated 21 mm below the bar's middle: 3 mm outside its outline
    plan = planned(load_text(tmp_path, book_text()), transtibial(tibial_tubercle=estimated(5.0, (21, 0))))
    assert region(plan, "bar").keep_clear == (KeepClear(Spot(21.0, 0.0), 15.0, "tibial-tubercle"),)
    assert codes(plan, "bar") == {"clear-of-estimated-bone"}
    assert {warn.severity for warn in plan.warnings} == {"look"}
    far = planned(load_text(tmp_path, book_text()), transtibial(tibial_tubercle=estimated(5.0, (33.1, 0))))
    assert region(far, "bar").keep_clear == ()  # 15.1 mm from the outline


def test_bone_that_only_a_trimline_names_is_not_kept_clear_of(tmp_path: Path) -> None:
    # the apex estimated 3 mm outside the bar's outline, and named by nothing but the brim
    brim = "brim: {line: [patella-apex, {at: mid-patellar-tendon, angle: 120 deg}, popliteal]}\n"
    limb = transtibial(patella_apex=estimated(5.0, (-21, 0)))
    plan = planned(load_text(tmp_path, book_text(more=brim)), limb)
    assert region(plan, "bar").keep_clear == () and "clear-of-estimated-bone" not in codes(plan, "bar")
    protected = planned(load_text(tmp_path, book_text(more=brim + "protected: [patella-apex]\n")), limb)
    assert [disc.landmark for disc in region(protected, "bar").keep_clear] == ["patella-apex"]


def test_tolerant_bone_may_be_reduced_where_it_is_estimated_but_must_be_looked_at(tmp_path: Path) -> None:
    flare = BAR.replace("mid-patellar-tendon", "medial-tibial-flare")
    plan = planned(load_text(tmp_path, book_text(flare)), transtibial(medial_tibial_flare=estimated(5.0, (25, -55))))
    assert region(plan, "bar").keep_clear == ()
    (warn,) = plan.warnings
    assert (warn.code, warn.severity) == ("estimated-place", "look")


def test_an_estimated_place_on_soft_tissue_is_only_noted(tmp_path: Path) -> None:
    calf = BAR.replace("mid-patellar-tendon", "popliteal")
    plan = planned(load_text(tmp_path, book_text(calf)), transtibial(popliteal=estimated(8.0, (5, 180))))
    assert [(warn.code, warn.severity) for warn in plan.warnings] == [("estimated-place", "note")]
    assert region(plan, "bar").anchor.source == "estimated"


def test_a_reduction_laid_out_on_estimated_tender_bone_is_left_out(tmp_path: Path) -> None:
    over = (
        BAR.replace("mid-patellar-tendon", "tibial-tubercle")
        .replace("36 mm", "34 mm")
        .replace("50 mm", "34 mm")
        .replace("feather: 16", "feather: 15")
    )
    plan = planned(load_text(tmp_path, book_text(over)), transtibial(tibial_tubercle=estimated(8.0, (21, 5))))
    assert not plan.regions
    assert "region-left-out" in codes(plan, "bar")


# -- protected places and discs -----------------------------------------------------------------------


def test_a_reduction_that_would_reach_a_protected_landmark_is_cut_back_and_must_be_looked_at(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(more="protected: [patella-apex, tibial-tubercle]\n"))
    plan = planned(book, transtibial(patella_apex=mark(CHART, (-15, 0), uncertainty_mm=1.0)))
    discs = {disc.landmark: disc for disc in region(plan, "bar").keep_clear}
    assert discs["patella-apex"].by_mm == 6.0  # 5 mm and its uncertainty
    assert discs["tibial-tubercle"].by_mm == 5.0  # near, not reached: kept clear without a word
    assert [(warn.code, warn.severity) for warn in plan.warnings] == [("protected-reached", "look")]


def test_a_tuning_that_takes_a_reduction_onto_a_protected_landmark_is_refused(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(more="protected: [fibular-neck]\n"))
    with pytest.raises(CaseError, match="reaches the protected fibular-neck") as caught:
        planned(book, tune=tunings(book, "regions: {bar: {at: fibular-neck, proximal: 10 mm}}"))
    assert caught.value.key == "tune[0].regions.bar.at"
    assert caught.value.wanted == "clear of it, as by keep-clear: {of: fibular-neck, by: 5 mm}"
    kept = "regions: {bar: {at: fibular-neck, proximal: 10 mm, keep-clear: {of: fibular-neck, by: 6 mm}}}"
    assert region(planned(book, tune=tunings(book, kept)), "bar").keep_clear[0].by_mm == 6.0


def test_build_ups_may_lie_on_protected_landmarks(tmp_path: Path) -> None:
    plan = planned(load_text(tmp_path, book_text(HEAD_UP, more="protected: [fibular-head]\n")))
    assert region(plan, "fibular-head").keep_clear == () and plan.warnings == ()


def test_a_disc_on_a_line_leaves_no_gap_along_it(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(HEAD_UP + "    keep-clear: {of: tibial-crest, by: 6 mm}\n"))
    discs = region(planned(book), "fibular-head").keep_clear
    stations = [disc.spot.station_mm for disc in discs]
    assert stations[0] == 35.0 and stations[-1] == pytest.approx(90.0, abs=1e-9)
    assert max(b - a for a, b in itertools.pairwise(stations)) <= 3.0 + 1e-9  # half a radius
    assert {disc.by_mm for disc in discs} == {6.0}


def test_a_build_up_of_which_discs_leave_no_core_is_refused(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(HEAD_UP + "    keep-clear: {of: fibular-head, by: 20 mm}\n"))
    with pytest.raises(RulesError, match=r"fibular-head\.shape: leaves no core") as caught:
        planned(book)
    assert caught.value.found is not None and "kept clear of fibular-head" in caught.value.found
