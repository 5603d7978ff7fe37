"""A rulebook resolved as a whole: what must be there, what is said, what is refused together."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from rectify.errors import CaseError, Faults, InputError, LandmarkError, RulesError
from rectify.rulebook import Facts, Plan, load_rulebook, resolve
from rectify.rulebook.load import Rulebook
from rectify.rulebook.plan import Limits, RegionPlan
from rectify.rulebook.tuning import Tuning, read_tune
from rectify.rulebook.yamltext import parse_yaml
from tests.rulebook.books import BAR, HEAD_UP, book_text, load_text
from tests.rulebook.fake import CapsuleChart, FakeLimb, absent, mark, transtibial

SCAN = "5f3c" * 16


def planned(book: Rulebook, limb: FakeLimb | None = None, facts: Facts | None = None, **more: object) -> Plan:
    return resolve(book, limb or transtibial(), facts or Facts(), scan_sha256=SCAN, **more)  # type: ignore[arg-type]


def region(plan: Plan, name: str) -> RegionPlan:
    return next(region for region in plan.regions if region.name == name)


def codes(plan: Plan, where: str | None = None) -> set[str]:
    return {warn.code for warn in plan.warnings if where is None or warn.where == where}


def tunings(book: Rulebook, *entries: str) -> tuple[Tuning, ...]:
    """Entries from what stands under by, on and why, one string each."""
    lines = ["tune:"]
    for index, entry in enumerate(entries):
        lines.append(f"  - {{by: JT-{index}, on: 2026-11-2{index}, why: reason {index}, {entry}}}")
    document = parse_yaml("\n".join(lines), path="case.yaml")
    return read_tune(document.mapping()["tune"], book, lambda keys: ("case.yaml", document.line(keys)))


def test_a_plan_carries_the_rulebook_and_the_scan_it_is_for(tmp_path: Path) -> None:
    more = "needs: {capture-includes: knee, landmarks: [tibial-crest]}\n"
    more += "protected: [fibular-neck]\ncautions: [look twice]\n"
    book = load_text(
        tmp_path, book_text(BAR + HEAD_UP, more=more + "limits: {volume: [-9 %, 4 %], reduction: 12 mm}\n")
    )
    plan = planned(book)
    assert (plan.name, plan.rulebook_key, plan.amputation, plan.status, plan.revision) == (
        "Test", "book", "transtibial", "usable", 1,
    )  # fmt: skip
    assert (plan.rulebook_sha256, plan.scan_sha256) == (book.sha256, SCAN)
    assert plan.limits == Limits(volume_percent=(-9.0, 4.0), reduction_mm=12.0)
    assert (plan.protected, plan.cautions) == (("fibular-neck",), ("look twice",))
    assert plan.needs == ("capture-includes knee", "landmark tibial-crest")
    assert [r.name for r in plan.regions] == ["bar", "fibular-head"]


def test_the_same_rulebook_and_limb_give_the_same_plan(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(BAR + HEAD_UP))
    assert planned(book) == planned(book)


def test_a_rulebook_for_another_amputation_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RulesError, match="is for a transtibial limb") as caught:
        planned(load_text(tmp_path, book_text()), replace(transtibial(), amputation="transfemoral"))
    assert caught.value.found == "a transfemoral limb" and caught.value.line == 3


def test_landmarks_nobody_marked_are_listed_at_once_with_who_needs_them(tmp_path: Path) -> None:
    more = "protected: [fibular-neck]\nend: {lengthen: 3 mm}\n"
    two = BAR + BAR.replace("bar:", "second-bar:") + HEAD_UP
    book = load_text(tmp_path, book_text(two, more=more))
    limb = transtibial(mid_patellar_tendon=None, fibular_neck=None, inflection=None)
    with pytest.raises(Faults) as caught:
        planned(book, limb)
    told = {error.message: error.wanted for error in caught.value.errors}
    assert told == {
        "mid-patellar-tendon is not marked": "it is needed by regions.bar, regions.second-bar",
        "fibular-neck is not marked": "it is needed by protected",
        "inflection is not marked": "it is needed by end",
    }
    assert all(isinstance(error, LandmarkError) for error in caught.value.errors)
    assert "write fibular-neck: absent where the limb has no such place" in str(caught.value)


def test_a_region_whose_landmark_is_absent_is_left_out_with_a_note(tmp_path: Path) -> None:
    plan = planned(load_text(tmp_path, book_text(BAR + HEAD_UP)), transtibial(fibular_head=absent()))
    assert [r.name for r in plan.regions] == ["bar"]
    (warn,) = [warn for warn in plan.warnings if warn.where == "fibular-head"]
    assert (warn.code, warn.severity, warn.message) == (
        "landmark-absent", "note", "left out: no fibular-head on this limb",
    )  # fmt: skip


def test_a_region_on_a_free_mark_is_left_out_where_the_limb_has_no_such_mark(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(BAR + HEAD_UP.replace("at: fibular-head", "at: mark-scar")))
    assert codes(planned(book), "fibular-head") == {"mark-missing"}
    chart = CapsuleChart()
    plan = planned(book, transtibial(mark_scar=mark(chart, (60, 40))))
    assert region(plan, "fibular-head").anchor.landmark == "mark-scar"


def test_a_capture_that_ends_below_the_knee_is_refused_where_the_knee_is_needed(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(HEAD_UP, more="needs: {capture-includes: [knee, medial-condyle]}\n"))
    assert planned(book, transtibial(CapsuleChart(top_mm=-30.0))).regions
    with pytest.raises(InputError, match="the capture does not include the knee") as caught:
        planned(book, transtibial(CapsuleChart(top_mm=-29.0)))
    assert caught.value.found == "it reaches 29 mm"
    chart = CapsuleChart()
    with pytest.raises(InputError, match="the capture does not include medial-condyle"):
        planned(book, transtibial(medial_condyle=mark(chart, (-25, -90), beyond_capture=True)))


def test_a_landmark_that_must_be_marked_is_asked_for_where_it_is_estimated(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(more="needs: {landmarks: [fibular-head]}\n"))
    assert "mark-needed" not in codes(planned(book))
    chart = CapsuleChart()
    plan = planned(book, transtibial(fibular_head=mark(chart, (14, 115), source="estimated", uncertainty_mm=6.0)))
    assert "mark-needed" in codes(plan, "fibular-head")


def test_conditions_and_factors_are_said_in_words(tmp_path: Path) -> None:
    when = "    when: {shaping: {hand: 0.5}, suspension: [suction]}\n"
    book = load_text(tmp_path, book_text(BAR + when + HEAD_UP))
    plan = planned(book, facts=Facts(shaping="hand", suspension="suction"))
    assert region(plan, "bar").rulebook_mm == pytest.approx(2.5, abs=1e-12)
    assert plan.conditions == ("bar: shaping is hand: times 0.5; suspension is suction",)
    plan = planned(book, facts=Facts(shaping="hand", suspension="pin"))
    assert [r.name for r in plan.regions] == ["fibular-head"]
    assert plan.conditions == (
        "bar left out: shaping is hand: times 0.5; suspension is pin, wanted suction",
    )  # fmt: skip
    plan = planned(book, facts=Facts(suspension="suction"))
    (warn,) = [warn for warn in plan.warnings if warn.code == "fact-not-said"]
    assert warn.message == "the case does not say shaping, and this asks for it: bar"


def test_tunings_are_kept_as_written_and_sets_come_last(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(BAR + HEAD_UP))
    tune = tunings(book, "regions: {bar: {amount: 4 mm}}")
    plan = planned(book, tune=tune, sets=["bar.change=+1mm"], by="AB", why="trial", on="2026-12-01")
    assert region(plan, "bar").asked_mm == 5.0
    assert plan.tune == (
        {"by": "JT-0", "on": "2026-11-20", "why": "reason 0", "regions": {"bar": {"amount": "4 mm"}}},
        {"by": "AB", "why": "trial", "on": "2026-12-01", "regions": {"bar": {"change": "+1mm"}}},
    )
    assert [(t.by, t.on, t.why, t.text) for t in region(plan, "bar").tuned] == [
        ("JT-0", "2026-11-20", "reason 0", "amount 5 mm -> 4 mm"),
        ("AB", "2026-12-01", "trial", "amount 4 mm -> 5 mm"),
    ]


def test_a_region_can_be_dropped_and_one_added(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(BAR + HEAD_UP))
    add = "{action: build-up, amount: 3 mm, at: mark-spur, shape: {oval: 25 mm}, feather: 12 mm}"
    tune = tunings(book, "regions: {fibular-head: {drop: yes}}", f"regions: {{spur: {{add: {add}}}}}")
    plan = planned(book, transtibial(mark_spur=mark(CapsuleChart(), (60, 40))), tune=tune)
    assert [r.name for r in plan.regions] == ["bar", "spur"]
    (dropped,) = [warn for warn in plan.warnings if warn.code == "region-dropped"]
    assert (dropped.severity, dropped.message) == ("look", "build-up dropped by JT-0: reason 0")
    spur = region(plan, "spur")
    assert (spur.rulebook_mm, spur.change_mm, spur.asked_mm, spur.why) == (0.0, 3.0, 3.0, "reason 1")
    assert [t.text for t in spur.tuned] == ["added"]
    with pytest.raises(LandmarkError, match="mark-spur is not marked"):
        planned(book, tune=tune)


def test_a_tuning_of_what_is_not_there_on_this_limb_is_noted(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(BAR + "    when: {tissue: soft}\n" + HEAD_UP))
    plan = planned(book, tune=tunings(book, "regions: {bar: {change: +1 mm}}"), facts=Facts(tissue="firm"))
    assert codes(plan, "bar") == {"tuning-of-nothing"}


def test_faults_of_rulebook_and_tunings_are_told_together(tmp_path: Path) -> None:
    crossing = BAR.replace("at: mid-patellar-tendon", "between: [distal-tibia, tibial-tubercle]").replace(
        "shape: {oval: {along: 36 mm, around: 50 mm}}", "shape: band"
    )
    book = load_text(tmp_path, book_text(crossing + HEAD_UP))
    with pytest.raises(Faults) as caught:
        planned(book, tune=tunings(book, "regions: {fibular-head: {amount: 9 mm}}"))
    kinds = {(type(error), error.path.rpartition("/")[2] if error.path else "") for error in caught.value.errors}
    assert kinds == {(RulesError, "book.yaml"), (CaseError, "case.yaml")}


def test_opposed_neighbours_are_noted_with_the_room_they_lack(tmp_path: Path) -> None:
    def noted(distal_mm: float) -> list[str]:
        near = HEAD_UP.replace("at: fibular-head", f"at: mid-patellar-tendon\n    distal: {distal_mm} mm")
        plan = planned(load_text(tmp_path, book_text(BAR + near)))
        return [warn.message for warn in plan.warnings if warn.code == "opposed-neighbours" and warn.severity == "note"]

    # from the bar's core (half of 36 mm less 16) to the other's outline (15 mm before its middle): distal - 17;
    # both slopes need 1.875 * (5 + 4) = 16.9 mm
    assert noted(30.0) == ["13 mm between its core and the build-up fibular-head; both slopes need 17 mm"]
    assert noted(34.1) == []


def test_a_build_up_in_the_core_of_a_reduction_must_be_looked_at(tmp_path: Path) -> None:
    over = HEAD_UP.replace("at: fibular-head", "at: mid-patellar-tendon")
    plan = planned(load_text(tmp_path, book_text(BAR + over)))
    looks = {(warn.code, warn.where) for warn in plan.warnings if warn.severity == "look"}
    assert looks == {("regions-cancel", "bar"), ("build-up-where-load", "fibular-head")}
    beside = HEAD_UP.replace("at: fibular-head", "at: mid-patellar-tendon\n    lateral: 18 mm")
    plan = planned(load_text(tmp_path, book_text(BAR + beside), "beside"))
    (warn,) = [warn for warn in plan.warnings if warn.code == "opposed-neighbours"]
    assert (warn.severity, warn.where) == ("look", "bar")


def test_every_shipped_transtibial_rulebook_resolves_on_short_and_long_limbs() -> None:
    for name in ("transtibial-base", "transtibial-patellar-tendon-bearing", "transtibial-total-surface-bearing"):
        for end in (110.0, 140.0, 200.0):
            plan = planned(load_rulebook(name), transtibial(CapsuleChart(top_mm=-80.0, centre_mm=end)))
            assert plan.regions
            assert not [warn for warn in plan.warnings if warn.severity == "stop"]


def test_a_made_limb_resolves_like_the_closed_form(tmp_path: Path, transtibial_limb) -> None:  # type: ignore[no-untyped-def]
    share = BAR.replace("bar:", "calf:").replace("mid-patellar-tendon", "popliteal").replace("5 mm", "9 % of radius")
    book = load_text(
        tmp_path,
        book_text(BAR.replace("at: mid-patellar-tendon", "at: mid-patellar-tendon\n    proximal: 6 mm") + share),
    )
    plan = resolve(book, transtibial_limb, Facts(), scan_sha256=SCAN)
    bar, calf = region(plan, "bar"), region(plan, "calf")
    # 6 mm proximal along the surface; the level is within 5 % of that, the wall being nearly upright
    risen = transtibial_limb.landmarks["mid-patellar-tendon"].level_mm - bar.anchor.spot.station_mm
    assert risen == pytest.approx(6.0, abs=0.3)
    radius = transtibial_limb.chart.mean_radius(calf.anchor.spot.station_mm)
    assert calf.rulebook_mm == pytest.approx(0.09 * radius, rel=1e-9)
