"""The facts of a change, against closed forms, the engine's own figures, and the written contract."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
import trimesh

from rectify.limb.spot import Spot
from rectify.report import measure_facts, to_json
from rectify.rulebook.describe import both_bases
from rectify.rulebook.plan import Band, Brim, Dimension, Limits, OverallRow, Tuned, Warn
from tests import made
from tests.report.conftest import ANTERIOR, LATERAL, Write, demo, draft, patches, released, reported

# the keys that other people's programs rely on, in the order of the published format
PROMISED = {
    "": "format program case side amputation status release rulebook tune inputs landmarks volume levels regions "
    "lengths dimensions capture checks warnings cautions",
    "program": "name version",
    "rulebook": "name revision status sha256",
    "volume": "before_ml after_ml change_ml change_percent plane_level_mm model_before_ml model_after_ml brim_ml "
    "inside_socket",
    "checks": "watertight bodies self_intersections flipped_faces within_limits frame",
}
REGION = (
    "action from rulebook_mm change_mm asked_mm achieved_mm achieved_from_capture_mm achieved_from_reduced_mm core_xyz "
    "core_vertices peak_mm mean_mm area_mm2 volume_ml anchor overlaps backed_off tuned_by why evidence"
)
LEVEL = (
    "level_mm circumference_before_mm circumference_after_mm change_percent ap_before_mm ap_after_mm ml_before_mm "
    "ml_after_mm volume_before_ml volume_after_ml"
)


def test_the_promised_keys_are_there() -> None:
    facts = demo("RB-101").report
    for where, keys in PROMISED.items():
        assert set(keys.split()) <= set(facts[where] if where else facts), where
    assert set(REGION.split()) <= set(next(iter(facts["regions"].values())))
    assert set(LEVEL.split()) == set(facts["levels"][0])
    assert {"level_mm", "angle_deg", "landmark", "source", "uncertainty_mm"} == set(
        facts["regions"]["popliteal"]["anchor"]
    )
    assert {"xyz", "level_mm", "angle_deg", "source", "uncertainty_mm"} <= set(facts["landmarks"]["fibular-head"])
    assert {"code", "severity", "message", "where"} == set(facts["warnings"][0])


def test_the_json_has_no_nan_reads_back_equal_and_is_the_same_twice(write: Write) -> None:
    case = write()
    one, two = (to_json(reported(case, patches())[0]) for _ in range(2))
    assert one == two and one.endswith(b"}\n")
    facts = json.loads(one, parse_constant=lambda word: pytest.fail(f"{word} in the JSON"))
    assert to_json(facts) == one


def test_json_refuses_what_is_no_number_and_keeps_letters_as_they_are() -> None:
    with pytest.raises(ValueError, match="Out of range"):
        to_json({"peak_mm": float("nan")})
    assert "±".encode() in to_json({"message": "±5 mm"})


def test_circumferences_before_and_after_follow_the_closed_form(write: Write) -> None:
    facts, _ = reported(write(), made.plan(overall=made.overall((20.0, 3.0), (100.0, 3.0))))
    for row in facts["levels"]:
        if 30 <= row["level_mm"] <= 90:
            assert row["circumference_before_mm"] == pytest.approx(100 * np.pi, rel=1e-3)  # chords of 4 mm: 0.03 %
            assert row["change_percent"] == pytest.approx(-3.0, abs=0.02)  # percentage points: the engine's bound


def test_a_row_of_the_overall_reduction_counts_both_ways(write: Write) -> None:
    facts, _ = reported(write(), made.plan(overall=made.overall((20.0, 5.0), (100.0, 2.0))))
    first, second = facts["overall"]["rows"]
    assert (first["circumference_percent"], first["volume_percent"]) == (5.0, 9.75)  # 1 - 0.95²
    assert second["volume_percent"] == pytest.approx(3.96)  # 1 - 0.98²
    assert first["achieved_percent"] == pytest.approx(5.0, abs=0.02)


@pytest.mark.parametrize("percent", [0.0, 1.0, 5.0, 12.0])
def test_volume_and_circumference_are_each_others_inverse(percent: float) -> None:
    girth, volume = both_bases(percent, "circumference")
    assert both_bases(volume, "volume") == pytest.approx((girth, volume))


def test_a_row_by_volume_is_achieved_in_area(write: Write) -> None:
    plan = made.plan(overall=made.overall((20.0, 6.0), (100.0, 6.0), basis="volume"))
    row = reported(write(), plan)[0]["overall"]["rows"][0]
    assert row["asked_percent"] == row["volume_percent"] == 6.0
    assert row["achieved_percent"] == pytest.approx(6.0, abs=0.05)  # percentage points
    assert row["circumference_percent"] == pytest.approx(3.046, abs=1e-3)  # 1 - sqrt(0.94)


def test_volumes_agree_with_another_count(write: Write) -> None:
    facts, outcome = reported(write(), patches())
    after = trimesh.Trimesh(outcome.closed.vertices, outcome.closed.faces, process=False).volume / 1000.0
    volume = facts["volume"]
    assert volume["model_after_ml"] == pytest.approx(after, abs=1e-3)  # the printed decimals
    assert volume["change_ml"] == pytest.approx(volume["after_ml"] - volume["before_ml"], abs=2e-3)
    assert volume["change_percent"] == pytest.approx(100 * volume["change_ml"] / volume["before_ml"], abs=1e-3)
    assert volume["model_after_ml"] - volume["model_before_ml"] == pytest.approx(
        volume["change_ml"] + volume["brim_ml"], abs=3e-3
    )


def test_a_region_says_what_was_asked_what_came_and_which_way(write: Write) -> None:
    facts, _ = reported(write(), replace(patches(), overall=None))
    front, outside = facts["regions"]["front"], facts["regions"]["outside"]
    assert front["achieved_mm"] == pytest.approx(4.0, abs=0.05) and front["volume_ml"] > 0
    assert outside["achieved_mm"] == pytest.approx(3.0, abs=0.05) and outside["volume_ml"] < 0
    assert front["peak_mm"] <= 4.0 + 1e-3 and 0 < front["mean_mm"] < front["peak_mm"]
    assert front["core_off_mm"] <= 0.1
    assert (front["anchor"]["level_mm"], front["anchor"]["angle_deg"]) == (pytest.approx(40.0, abs=0.01), 0.0)
    assert facts["regions"]["outside"]["anchor"]["angle_deg"] == 90.0


def test_the_extremes_name_the_region_and_what_the_overall_reduction_did_there(write: Write) -> None:
    facts, outcome = reported(write(), patches())
    deepest = facts["extremes"]["reduction"]
    assert deepest["region"] == "outside" and deepest["angle_deg"] == pytest.approx(90.0, abs=25.0)
    assert deepest["amount_mm"] == pytest.approx(-outcome.move.min(), abs=1e-3)
    # 3 % of a circle of radius 50 mm is 1.5 mm of radius; the local 3 mm come on top
    assert deepest["overall_and_end_mm"] == pytest.approx(1.5, abs=0.01)
    assert deepest["amount_mm"] == pytest.approx(4.5, abs=0.05)


def test_a_flare_of_8_mm_is_not_the_largest_build_up(write: Write) -> None:
    ring = tuple(Spot(-10.0, float(angle)) for angle in (0, 90, 180, 270))
    brim = Brim(ring, flare_out_mm=8.0, flare_over_mm=15.0, flare_where="all")
    facts, outcome = reported(write(), made.plan(made.build_up("low", 3.0, Spot(60.0, 90.0)), brim=brim))
    assert outcome.move.max() > 7.0  # mm: the flare is there
    highest = facts["extremes"]["build_up"]
    assert highest["region"] == "low" and highest["amount_mm"] == pytest.approx(3.0, abs=0.05)


def test_what_lies_distal_of_a_level_is_a_cylinder_and_a_half_sphere(write: Write) -> None:
    facts, outcome = reported(write(), made.plan(made.build_up("front", 4.0, Spot(40.0, 0.0))))
    edge = outcome.limb.edge_mm
    for row in (r for r in facts["levels"] if 0.0 <= r["level_mm"] <= 140.0):
        whole = np.pi * 50.0**2 * (150.0 - row["level_mm"]) + 2.0 / 3.0 * np.pi * 50.0**3
        # a mesh of edge e in a sphere of radius r lies some e^2 / 8 r inside it, 0.2 % of its volume here
        assert row["volume_before_ml"] * 1000.0 == pytest.approx(whole, rel=3 * edge**2 / (8 * 50.0**2) + 0.002)
    gained = {r["level_mm"]: r["volume_after_ml"] - r["volume_before_ml"] for r in facts["levels"]}
    assert gained[100.0] == 0.0  # the region ends above
    assert gained[-10.0] == pytest.approx(facts["regions"]["front"]["volume_ml"], abs=0.01)  # and begins below


def test_nothing_done_is_told_as_null_and_not_as_zero(write: Write) -> None:
    facts, _ = reported(write(), made.plan())
    assert facts["overall"] is None and facts["end"] is None and facts["regions"] == {}
    assert facts["extremes"] == {"build_up": None, "reduction": None}
    assert facts["volume"]["change_ml"] == 0.0


def test_a_longer_end_is_told_in_the_end_and_in_the_lengths(write: Write) -> None:
    facts, _ = reported(write(marks="distal-tibia: [0, 50, -140]\n"), patches())
    assert facts["end"]["asked_mm"] == 5.0 and facts["end"]["achieved_mm"] == pytest.approx(5.0, abs=1e-3)
    whole, bone = facts["lengths"]
    assert (whole["from"], whole["to"]) == ("mid-patellar-tendon", "distal-end")
    assert whole["before_mm"] == pytest.approx(200.0, abs=0.05)  # 150 mm of wall and a radius of 50 mm
    assert whole["after_mm"] == pytest.approx(whole["before_mm"] + 5.0, abs=2e-3)
    assert (bone["to"], bone["before_mm"], bone["after_mm"]) == ("distal-tibia", pytest.approx(140.0, abs=1e-3), None)


def test_levels_above_an_oblique_edge_have_no_circumference() -> None:
    rows = demo("RB-105").report["levels"]
    assert rows[0]["circumference_before_mm"] is None and rows[0]["change_percent"] is None
    assert all(row["circumference_before_mm"] is not None for row in rows if 0 <= row["level_mm"] <= 200)


def test_a_core_that_others_cover_has_no_achieved_amount_and_is_told(write: Write) -> None:
    over = made.build_up("over", 4.0, Spot(40.0, ANTERIOR), Band(20.0, 60.0))
    under = made.reduction("under", 3.0, Spot(40.0, ANTERIOR), feather=8.0)
    facts, _ = reported(write(), made.plan(over, under))
    assert facts["regions"]["under"]["achieved_mm"] is None and facts["regions"]["under"]["core_vertices"] == 0
    assert facts["regions"]["under"]["overlaps"] == ["over"]
    assert ("core-covered", "look") in {(w["code"], w["severity"]) for w in facts["warnings"]}


def test_a_tuning_stands_with_who_when_and_why(write: Write) -> None:
    tuned = Tuned("JT-cpo", "2026-11-20", "redness after ten minutes", "fitting-1", "change +1 mm")
    front = made.build_up("front", 5.0, Spot(40.0, ANTERIOR), rulebook_mm=4.0, change_mm=1.0, tuned=(tuned,))
    facts, _ = reported(write(), made.plan(front, tune=({"by": "JT-cpo", "on": "2026-11-20"},)))
    region = facts["regions"]["front"]
    assert (region["rulebook_mm"], region["change_mm"], region["asked_mm"]) == (4.0, 1.0, 5.0)
    assert region["tuned_by"][0]["by"] == "JT-cpo" and region["tuned_by"][0]["after"] == "fitting-1"
    assert facts["tune"] == [{"by": "JT-cpo", "on": "2026-11-20"}]


def test_a_breached_limit_stops_comes_first_and_its_row_is_not_held(write: Write) -> None:
    plan = replace(patches(), limits=Limits(reduction_mm=2.0, build_up_mm=12.0, circumference_percent=(-8.0, 6.0)))
    facts, _ = reported(write(), plan, draft(Warn("not-released", "look", "it is a draft", "release")))
    assert facts["warnings"][0]["severity"] == "stop"
    assert facts["checks"]["within_limits"] is False
    rows = {row["limit"]: row for row in facts["limits"]}
    assert rows["reduction"]["held"] is False and rows["reduction"]["found_most"] > 2.0
    assert rows["build-up"]["held"] is True and rows["circumference"]["held"] is True
    assert -8.0 <= rows["circumference"]["found_least"] <= rows["circumference"]["found_most"] <= 6.0


def test_the_slope_found_stays_under_the_closed_form_of_the_feather(write: Write) -> None:
    plan = made.plan(made.build_up("front", 4.0, Spot(40.0, ANTERIOR), feather=12.0))
    slope = next(row for row in reported(write(), plan)[0]["limits"] if row["limit"] == "slope")
    wanted = np.degrees(np.arctan(1.875 * 4.0 / 12.0))  # quintic step, 32.0 degrees
    assert 0.8 * wanted < slope["found_most"] < 1.05 * wanted  # faces of 4 mm see a little less than the steepest point


def test_a_missed_dimension_needs_a_look_and_a_met_one_does_not(write: Write) -> None:
    def dimension(target: float | None) -> Dimension:
        return Dimension("ap", 60.0, "here", target, (), 2.0)

    plan = made.plan(dimensions=(dimension(95.0), dimension(101.0), dimension(None)))
    facts, _ = reported(write(), plan)
    assert [d["met"] for d in facts["dimensions"]] == [False, True, None]
    told = [w for w in facts["warnings"] if w["code"] == "dimension-missed"]
    assert len(told) == 1 and told[0]["message"].startswith("AP at here is 100 mm; 95 mm")


def test_the_gravest_warning_comes_first_wherever_it_came_up(write: Write) -> None:
    plan = made.plan(warnings=(Warn("slope", "note", "steep", "front"),))
    facts, _ = reported(write(), plan, draft(Warn("not-released", "look", "it is a draft", "release")))
    first, *others = (w["severity"] for w in facts["warnings"])
    assert first == "look" and set(others) == {"note"}


def test_a_warning_that_comes_up_twice_is_told_once(write: Write) -> None:
    warn = Warn("slope", "note", "steep", "front")
    facts, _ = reported(write(), made.plan(warnings=(warn, warn)))
    assert [w["code"] for w in facts["warnings"]].count("slope") == 1


def test_a_release_is_told_and_a_draft_has_none(write: Write) -> None:
    case = write()
    assert reported(case, made.plan(), released())[0]["release"] == {"by": "JT-cpo", "on": "2026-11-21"}
    facts, _ = reported(case, made.plan())
    assert facts["status"] == "draft" and facts["release"] is None


def test_what_the_case_says_of_the_limb_becomes_a_caution(write: Write) -> None:
    case = write("limb: {sensation: absent, circulation: reduced, skin: open, volume: changing}")
    cautions = " ".join(reported(case, made.plan(cautions=("Of the rulebook.",)))[0]["cautions"])
    for words in (
        "no sensation",
        "Circulation is reduced",
        "skin of this limb is open",
        "changing volume",
        "Of the rulebook.",
    ):
        assert words in cautions
    assert "does not say" not in cautions


def test_what_the_case_does_not_say_is_asked_for(write: Write) -> None:
    cautions = reported(write("limb: {sensation: normal}"), made.plan())[0]["cautions"]
    assert any("does not say: circulation, skin, volume" in c for c in cautions)
    assert any("check socket" in c for c in cautions)  # a rulebook without cautions gets the general ones


def test_the_frame_carries_the_scan_to_the_limb(write: Write) -> None:
    case = write()
    frame = np.array(reported(case, made.plan())[0]["checks"]["frame"])
    scan = case.scan.mesh.vertices
    assert np.linalg.det(frame[:3, :3]) == pytest.approx(1.0, abs=1e-8)
    assert np.abs(scan @ frame[:3, :3].T + frame[:3, 3] - case.captured.mesh.vertices).max() < 1e-5  # mm


def test_rows_without_a_level_of_their_own_keep_the_given_words(write: Write) -> None:
    overall = replace(made.overall((20.0, 3.0)), rows=(OverallRow(20.0, 3.0, "mid-patellar-tendon, 20 mm distal"),))
    assert reported(write(), made.plan(overall=overall))[0]["overall"]["rows"][0]["at"].endswith("20 mm distal")


def test_measures_of_a_capsule_follow_the_closed_forms(write: Write) -> None:
    facts = measure_facts(write(), step_mm=25.0)
    levels = [row["level_mm"] for row in facts["levels"]]
    assert all(level % 25.0 == 0 for level in levels) and {0.0, 25.0, 150.0} <= set(levels)
    at = next(row for row in facts["levels"] if row["level_mm"] == 50.0)
    assert at["circumference_mm"] == pytest.approx(100 * np.pi, rel=1e-3) and at["ap_mm"] == pytest.approx(
        100.0, rel=1e-3
    )
    assert facts["shape"]["class"] == "cylindrical"
    assert facts["lengths"][0]["length_mm"] == pytest.approx(200.0, abs=0.05)
    wall = 150.0 - facts["volume"]["plane_level_mm"]
    volume = (np.pi * 50.0**2 * wall + 2 / 3 * np.pi * 50.0**3) / 1000.0
    assert facts["volume"]["volume_ml"] == pytest.approx(volume, rel=3e-3)  # chords of 4 mm: 0.1 to 0.2 %
    json.loads(to_json(facts), parse_constant=pytest.fail)


def test_measures_are_of_the_captured_surface_whatever_will_be_worn(write: Write) -> None:
    bare, worn = measure_facts(write()), measure_facts(write("wear: [{liner: 6 mm}]"))
    assert bare["levels"] == worn["levels"] and bare["volume"] == worn["volume"]


def test_sides_are_told_by_angle_on_either_side(write: Write) -> None:
    for side in ("right", "left"):
        plan = made.plan(made.build_up("outside", 4.0, Spot(60.0, LATERAL)))
        facts, _ = reported(write(side=side), plan)
        x = facts["regions"]["outside"]["core_xyz"][0]
        assert x == pytest.approx(50.0 if side == "right" else -50.0, abs=0.5)
        assert facts["extremes"]["build_up"]["angle_deg"] == pytest.approx(90.0, abs=25.0)


def test_a_hand_shaped_cast_says_what_its_reductions_were_multiplied_by_and_its_build_ups_stay_whole() -> None:
    report = demo("RB-106").report  # PTB on the inside of a cast shaped by hand
    assert report["scan"]["shaping"] == "hand"
    conditions = report["rulebook"]["conditions"]
    for name, row in report["regions"].items():
        told = [text for text in conditions if text.startswith(f"{name}: ") and "shaping is hand: times 0." in text]
        assert bool(told) == (row["action"] == "reduce"), name
    assert report["regions"]["patellar-tendon"]["amount"] == "6 mm"
    assert report["regions"]["patellar-tendon"]["rulebook_mm"] < 6.0
    assert report["regions"]["fibular-head"]["rulebook_mm"] == 4.0
