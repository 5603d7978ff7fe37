"""Where regions come to lie, against the closed forms of a cylinder of radius 50 mm."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from rectify.errors import CaseError, RulesError
from rectify.rulebook.plan import Band, EndCap, Outline, Oval, Strip
from tests.rulebook.books import BAR, book_text, load_text
from tests.rulebook.fake import CapsuleChart, absent, mark, transtibial
from tests.rulebook.test_resolve import codes, planned, region, tunings

R = 50.0
OVAL = "shape: {oval: {along: 36 mm, around: 50 mm}}"


def laid(tmp_path: Path, place: str, shape: str, action: str = "build-up", **more: object):  # type: ignore[no-untyped-def]
    text = BAR.replace("at: mid-patellar-tendon", place).replace(OVAL, f"shape: {shape}").replace("reduce", action)
    return region(planned(load_text(tmp_path, book_text(text)), **more), "bar")  # type: ignore[arg-type]


def degrees(arc_mm: float) -> float:
    return math.degrees(arc_mm / R)


def test_an_oval_lies_at_its_moved_landmark(tmp_path: Path) -> None:
    bar = laid(
        tmp_path,
        "at: fibular-head\n    distal: 10 mm\n    posterior: 5 mm",
        "{oval: {along: 3 cm, around: 40 % of radius, turn: -10 deg}}",
    )
    assert (bar.anchor.spot.station_mm, bar.anchor.spot.angle_deg) == (
        24.0,
        pytest.approx(115.0 + degrees(5.0), abs=1e-9),
    )
    assert bar.shape == Oval(30.0, 20.0, -10.0)
    assert (bar.anchor.landmark, bar.anchor.source) == ("fibular-head", "marked")


def test_an_oval_on_a_path_lies_so_far_along_it(tmp_path: Path) -> None:
    path = "path: [{at: tibial-tubercle, angle: 0 deg}, {at: distal-tibia, angle: 0 deg}]\n    along-path: "
    assert laid(tmp_path, path + "30 mm", "{oval: 20 mm}").anchor.spot.station_mm == pytest.approx(51.0, abs=1e-9)
    assert laid(tmp_path, path + "25 %", "{oval: 20 mm}").anchor.spot.station_mm == pytest.approx(21 + 89 / 4, abs=1e-9)


def test_a_strip_is_cut_back_at_its_ends_and_keeps_its_bends(tmp_path: Path) -> None:
    path = "path: [{at: tibial-tubercle, along-path: 10 mm}, tibial-crest, {at: distal-tibia, along-path: 15 mm}]"
    bar = laid(tmp_path, path, "{strip: {width: 12 mm}}")
    assert isinstance(bar.shape, Strip)
    assert [spot.station_mm for spot in bar.shape.path[1:-1]] == [35.0, 60.0, 90.0]
    first = math.hypot(14.0, R * math.radians(3.0))
    assert bar.shape.path[0].station_mm == pytest.approx(21.0 + 14.0 * 10.0 / first, abs=1e-9)
    last = math.hypot(20.0, R * math.radians(2.0))
    assert bar.shape.path[-1].station_mm == pytest.approx(110.0 - 20.0 * 15.0 / last, abs=1e-9)
    assert bar.shape.widths_mm == (12.0,) * 5


def test_widths_are_spread_evenly_along_what_is_left_of_the_path(tmp_path: Path) -> None:
    path = "path: [{at: tibial-tubercle, angle: 0 deg, along-path: 9 mm}, {at: distal-tibia, angle: 0 deg}]"
    bar = laid(tmp_path, path, "{strip: {width: [10 mm, 30 mm, 20 mm]}}")
    assert isinstance(bar.shape, Strip)
    assert [spot.station_mm for spot in bar.shape.path] == pytest.approx([30.0, 70.0, 110.0], abs=1e-9)
    assert bar.shape.widths_mm == pytest.approx((10.0, 30.0, 20.0), abs=1e-9)


def test_a_strip_beside_a_path_runs_parallel_to_it(tmp_path: Path) -> None:
    path = "path: [{at: tibial-tubercle, angle: 0 deg}, {at: distal-tibia, angle: 0 deg}]\n    lateral: 30 % of radius"
    bar = laid(tmp_path, path, "{strip: {width: 12 mm}}")
    assert isinstance(bar.shape, Strip)
    assert [spot.angle_deg for spot in bar.shape.path] == pytest.approx([degrees(15.0)] * 2, abs=1e-9)
    assert bar.anchor.spot.station_mm == pytest.approx((21 + 110) / 2, abs=1e-9)


def test_a_path_runs_on_without_an_absent_landmark_in_its_middle(tmp_path: Path) -> None:
    text = (
        BAR.replace("at: mid-patellar-tendon", "path: [tibial-tubercle, tibial-crest, distal-tibia]")
        .replace(OVAL, "shape: {strip: {width: 12 mm}}")
        .replace("reduce", "build-up")
    )
    plan = planned(load_text(tmp_path, book_text(text)), transtibial(tibial_crest=absent()))
    shape = region(plan, "bar").shape
    assert isinstance(shape, Strip) and len(shape.path) == 2
    assert [w.message for w in plan.warnings if w.code == "landmark-absent"] == ["path runs on without tibial-crest"]


def test_a_path_cut_back_to_nothing_leaves_a_reduction_out_and_refuses_a_build_up(tmp_path: Path) -> None:
    text = BAR.replace(
        "at: mid-patellar-tendon",
        "path: [{at: fibular-head, along-path: 45 mm}, {at: distal-fibula, along-path: 45 mm}]",
    ).replace(OVAL, "shape: {strip: {width: 36 mm}}")
    plan = planned(load_text(tmp_path, book_text(text)))
    assert not plan.regions
    (warn,) = [warn for warn in plan.warnings if warn.code == "region-left-out"]
    assert warn.severity == "look" and "its ends are cut back by 90 mm" in warn.message
    with pytest.raises(RulesError, match=r"regions\.bar\.path: leaves nothing of the path"):
        planned(load_text(tmp_path, book_text(text.replace("reduce", "build-up"))))


def test_an_outline_without_a_place_has_its_anchor_in_the_middle_of_its_ring(tmp_path: Path) -> None:
    corners = (("tibial-tubercle", 20), ("distal-tibia", 20), ("distal-tibia", 60), ("tibial-tubercle", 60))
    ring = "[" + ", ".join(f"{{at: {name}, angle: {angle} deg}}" for name, angle in corners) + "]"
    text = BAR.replace("    at: mid-patellar-tendon\n", "").replace(OVAL, f"shape: {{outline: {ring}}}")
    bar = region(planned(load_text(tmp_path, book_text(text))), "bar")
    assert isinstance(bar.shape, Outline) and len(bar.shape.ring) == 4
    assert bar.anchor.spot.station_mm == pytest.approx((21 + 110) / 2, abs=1e-9)
    assert bar.anchor.spot.angle_deg == pytest.approx(40.0, abs=1e-9)


def test_ring_places_without_a_landmark_move_from_the_region_s_own_place(tmp_path: Path) -> None:
    ring = "[{proximal: 16 mm}, {anterior: 15 mm}, {distal: 16 mm}, {posterior: 15 mm}]"
    bar = laid(tmp_path, "at: fibular-head\n    distal: 2 mm", f"{{outline: {ring}}}")
    assert isinstance(bar.shape, Outline)
    assert [spot.station_mm for spot in bar.shape.ring] == [0.0, 16.0, 32.0, 16.0]
    assert bar.shape.ring[1].angle_deg == pytest.approx(115.0 - degrees(15.0), abs=1e-9)
    assert bar.anchor.spot.station_mm == 16.0


def test_a_free_mark_gives_its_ring_and_what_is_no_ring_is_refused(tmp_path: Path) -> None:
    chart = CapsuleChart()
    ring = [(60, 30), (60, 60), (90, 60), (90, 30), (60, 30)]
    text = (
        BAR.replace("    at: mid-patellar-tendon\n", "")
        .replace(OVAL, "shape: {outline: mark-graft}")
        .replace("reduce", "build-up")
    )
    book = load_text(tmp_path, book_text(text))
    shape = region(planned(book, transtibial(mark_graft=mark(chart, *ring))), "bar").shape
    assert isinstance(shape, Outline) and len(shape.ring) == 4  # the closing point is not taken twice
    with pytest.raises(RulesError, match="mark-graft is no ring"):
        planned(book, transtibial(mark_graft=mark(chart, (60, 30), (60, 60))))
    with pytest.raises(RulesError, match="the ring crosses itself on this limb"):
        planned(book, transtibial(mark_graft=mark(chart, (60, 30), (90, 60), (60, 60), (90, 30))))


def test_a_band_lies_between_its_levels_and_crossed_ones_are_refused(tmp_path: Path) -> None:
    bar = laid(tmp_path, "between: [{at: inflection, proximal: 40 mm}, inflection]", "band")
    assert bar.shape == Band(80.0, 120.0)
    assert (bar.anchor.spot.station_mm, bar.anchor.spot.angle_deg) == (100.0, 0.0)
    with pytest.raises(RulesError, match="the levels cross on this limb"):
        laid(tmp_path, "between: [inflection, {at: inflection, proximal: 40 mm}]", "band")


def test_an_end_cap_reaches_from_the_pole(tmp_path: Path) -> None:
    text = BAR.replace("    at: mid-patellar-tendon\n", "").replace("reduce", "build-up")
    by_reach = load_text(tmp_path, book_text(text.replace(OVAL, "shape: {end-cap: {reach: 30 mm}}")))
    assert region(planned(by_reach), "bar").shape == EndCap(30.0)
    by_level = load_text(tmp_path, book_text(text.replace(OVAL, "shape: {end-cap: {from: inflection}}")))
    shape = region(planned(by_level), "bar").shape
    assert isinstance(shape, EndCap)
    assert shape.reach_mm == pytest.approx(R * math.pi / 2, abs=1e-9)  # a quarter of the meridian


def test_a_side_that_may_be_either_is_refused_with_line_and_key(tmp_path: Path) -> None:
    with pytest.raises(
        RulesError, match=r"regions\.bar\.anterior: mid-patellar-tendon lies at 0 deg: anterior is already"
    ):
        laid(tmp_path, "at: mid-patellar-tendon\n    anterior: 5 mm", "{oval: 30 mm}")


def test_tunings_move_and_widen_from_where_it_is(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text())
    entries = (
        "regions: {bar: {move: {distal: 4 mm, lateral: 5 mm}}}",
        "regions: {bar: {move: {distal: 2 mm}, widen: {along: +6 mm, around: -2 mm}}}",
    )
    bar = region(planned(book, tune=tunings(book, *entries)), "bar")
    assert bar.anchor.spot.station_mm == 6.0
    assert bar.anchor.spot.angle_deg == pytest.approx(degrees(5.0), abs=1e-9)
    assert bar.shape == Oval(42.0, 48.0)
    assert [t.text for t in bar.tuned] == [
        "moved 4 mm distal, 5 mm lateral",
        "moved 2 mm distal; widened along +6 mm, around -2 mm",
    ]


def test_a_tuning_that_says_a_new_place_forgets_the_old_moves(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(BAR + "    distal: 3 mm\n"))
    entries = ("regions: {bar: {move: {distal: 4 mm}}}", "regions: {bar: {at: popliteal, proximal: 1 mm}}")
    spot = region(planned(book, tune=tunings(book, *entries)), "bar").anchor.spot
    assert (spot.station_mm, spot.angle_deg) == (4.0, 180.0)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ("widen: {width: +2 mm}", "widen: does not fit the shape"),
        ("widen: {along: -40 mm}", "widen: leaves nothing of the region"),
        ("move: {anterior: 5 mm}", r"move\.anterior: it lies at 0 deg: anterior is already"),
        ("at: mid-patellar-tendon, posterior: 5 mm", r"bar\.posterior: .* posterior is opposite"),
        ("path: [popliteal, distal-tibia]", "no longer fits together"),
        ("shape: band", "no longer fits together"),
    ],
)
def test_a_tuning_that_cannot_be_laid_out_points_into_the_case(tmp_path: Path, change: str, match: str) -> None:
    book = load_text(tmp_path, book_text())
    with pytest.raises(CaseError, match=match) as caught:
        planned(book, tune=tunings(book, f"regions: {{bar: {{{change}}}}}"))
    assert (caught.value.path, caught.value.line) == ("case.yaml", 2)


def test_a_region_beyond_the_capture_is_left_out_and_must_be_looked_at(tmp_path: Path) -> None:
    text = BAR.replace("at: mid-patellar-tendon", "at: patella-centre")
    plan = planned(load_text(tmp_path, book_text(text)), transtibial(CapsuleChart(top_mm=-35.0)))
    (warn,) = [warn for warn in plan.warnings if warn.code == "beyond-capture"]
    assert (warn.severity, warn.message) == ("look", "left out: it lies beyond the capture, 5 mm above its edge")
    assert "beyond-capture" not in codes(
        planned(load_text(tmp_path, book_text(text)), transtibial(CapsuleChart(top_mm=-40.0)))
    )
