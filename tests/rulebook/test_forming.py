"""Walls that are formed, as a rulebook says them: what is taken, what is refused, what becomes of it on a limb."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from rectify.errors import RectifyError
from rectify.limb.spot import Spot
from rectify.rulebook.describe import describe
from rectify.rulebook.facts import Facts
from rectify.rulebook.plan import Form, Plan, RegionPlan, Sector
from rectify.rulebook.resolve import resolve
from rectify.rulebook.write import plan_digest, plan_from_yaml, plan_to_yaml
from tests.rulebook.books import BAR, HEAD_UP, book_text, load_text
from tests.rulebook.fake import CapsuleChart, FakeLimb, transtibial

FLAT = """\
  wall:
    action: flatten
    amount: 4 mm
    allow: [0 mm, 8 mm]
    at: popliteal
    distal: 50 mm
    shape: {oval: {along: 60 mm, around: 50 mm}}
    most: {in: 10 mm, out: 3 mm}
    feather: 20 mm
    evidence: common practice
"""
SEAT = """\
  seat:
    action: shelf
    amount: 20 mm
    allow: [15 mm, 25 mm]
    at: popliteal
    faces: posterior
    shape: {sector: {around: 40 mm}}
    feather: 20 mm
    evidence: common practice
"""
RAISED = """\
  front:
    action: raise
    amount: 50 mm
    allow: [40 mm, 60 mm]
    at: mid-patellar-tendon
    shape: {sector: {around: 60 mm}}
    most: {in: 8 mm, out: 8 mm}
    feather: 20 mm
    evidence: common practice
"""
SQUEEZE = """\
  lock:
    action: squeeze
    amount: 8 mm
    allow: [0 mm, 12 mm]
    between: [mid-patellar-tendon, {at: mid-patellar-tendon, distal: 40 mm}]
    shape: band
    feather: 20 mm
    evidence: common practice
"""


def planned(folder: Path, regions: str, limb: FakeLimb | None = None, **more: object) -> Plan:
    book = load_text(folder, book_text(regions))
    return resolve(book, limb or transtibial(), Facts(), scan_sha256="0" * 64, **more)


def only(plan: Plan) -> RegionPlan:
    (region,) = plan.regions
    return region


def refused(folder: Path, regions: str) -> str:
    with pytest.raises(RectifyError) as caught:
        planned(folder, regions)
    return str(caught.value)


# -- resolved ---------------------------------------------------------------------------------------


def test_a_flat_wall_looks_outwards_and_leans_as_the_skin_does(tmp_path: Path) -> None:
    region = only(planned(tmp_path, FLAT))
    assert region.form == Form(180.0, 0.0, 10.0, 3.0, 3.0, "ml")
    assert region.blend == "outside" and region.forms and region.allow_mm == (0.0, 8.0)
    said = only(planned(tmp_path, FLAT + "    faces: medial\n    tilt: -4 deg\n    corner: 6 mm\n"))
    assert said.form == Form(-90.0, -4.0, 10.0, 3.0, 6.0, "ml")
    angle = only(planned(tmp_path, FLAT + "    faces: 200 deg\n"))
    assert angle.form is not None and angle.form.faces_deg == pytest.approx(-160.0)


def test_a_shelf_a_raised_wall_and_a_squeeze_become_numbers(tmp_path: Path) -> None:
    tall = transtibial(CapsuleChart(top_mm=-80.0))
    seat, front, lock = planned(tmp_path, SEAT + RAISED + SQUEEZE, tall).regions
    assert seat.shape == Sector(40.0) and seat.form == Form(180.0, 5.0, 0.0, 0.0, 6.0)
    assert front.shape == Sector(60.0) and front.form == Form(0.0, 0.0, 8.0, 8.0, 5.0)
    assert lock.form == Form(0.0, 0.0, 0.0, 0.0, 0.0, "ml") and lock.asked_mm == 8.0


def test_what_is_formed_is_tuned_like_any_region(tmp_path: Path) -> None:
    plan = planned(tmp_path, FLAT, sets=("wall.change=+2mm",), by="JT-cpo", why="gapping")
    assert only(plan).asked_mm == 6.0 and only(plan).tuned[0].text == "amount 4 mm -> 6 mm"
    with pytest.raises(RectifyError, match="past allow"):
        planned(tmp_path, FLAT, sets=("wall.amount=9mm",), by="JT-cpo", why="gapping")


def test_the_plan_is_written_and_read_back_equal(tmp_path: Path) -> None:
    plan = planned(tmp_path, FLAT + SEAT + RAISED + SQUEEZE, transtibial(CapsuleChart(top_mm=-80.0)))
    assert plan_from_yaml(plan_to_yaml(plan)) == plan


def test_a_plan_without_walls_keeps_the_text_and_the_digest_it_had(tmp_path: Path) -> None:
    plan = planned(tmp_path, BAR)
    text = plan_to_yaml(plan)
    assert not [word for word in ("form:", "fall:", "radii_mm", "flare_mm") if word in text]
    run_out = replace(plan, regions=(replace(plan.regions[0], fall="run-out"),))
    assert "fall: run-out" in plan_to_yaml(run_out) and plan_digest(run_out) != plan_digest(plan)
    assert plan_from_yaml(plan_to_yaml(run_out)) == run_out


def test_a_form_without_its_action_is_no_plan(tmp_path: Path) -> None:
    text = plan_to_yaml(planned(tmp_path, FLAT)).replace("action: flatten", "action: reduce")
    with pytest.raises(RectifyError, match="does not go with reduce"):
        plan_from_yaml(text)


# -- refused ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("regions", "key", "words"),
    [
        (BAR + "    tilt: 4 deg\n", "regions.bar.tilt", "does not belong to reduce"),
        (BAR.replace("{oval: {along: 36 mm, around: 50 mm}}", "{sector: {around: 50 mm}}"), "shape", "is raised, or"),
        (FLAT.replace("    most: {in: 10 mm, out: 3 mm}\n", ""), "regions.wall.most", "is missing"),
        (FLAT.replace("in: 10 mm", "in: 6 mm"), "regions.wall.most", "the wall may lie 8 mm deep"),
        (FLAT.replace("4 mm", "4 % of radius"), "regions.wall.amount", "wanted: mm"),
        (FLAT + "    profile: dome\n", "regions.wall.profile", "is dome"),
        (FLAT + "    faces: postrior\n", "regions.wall.faces", "did you mean posterior?"),
        (FLAT + "    faces: 400 deg\n", "regions.wall.faces", "must be 360 deg or less"),
        (FLAT + "    tilt: 60 deg\n", "regions.wall.tilt", "must be 45 deg or less"),
        (FLAT + "    narrow: ml\n", "regions.wall.narrow", "keys of flatten: faces, tilt, most, corner"),
        (SEAT + "    most: {in: 3 mm}\n", "regions.seat.most", "keys of shelf: faces, tilt, corner"),
        (SEAT + "    tilt: -5 deg\n", "regions.seat.tilt", "0 to 30 deg"),
        (SEAT.replace("{sector: {around: 40 mm}}", "{oval: 40 mm}"), "regions.seat.shape", "shelf with sector"),
        (SQUEEZE.replace("squeeze", "flatten") + "    most: {in: 12 mm}\n", "shape", "flatten with oval"),
        (FLAT.replace("out: 3 mm", "outt: 3 mm"), "regions.wall.most.outt", "did you mean out?"),
    ],
)  # fmt: skip
def test_what_cannot_be_meant_is_refused_in_words(tmp_path: Path, regions: str, key: str, words: str) -> None:
    told = refused(tmp_path, regions)
    assert key in told and words in told and "book.yaml:" in told


DEEP = SEAT.replace("20 mm", "58 mm", 1).replace("25 mm", "60 mm")


@pytest.mark.parametrize(("regions", "what"), [(RAISED, "a wall"), (DEEP, "a shelf")])
def test_where_the_capture_ends_below_what_is_formed_it_is_refused(tmp_path: Path, regions: str, what: str) -> None:
    low = transtibial(CapsuleChart(top_mm=-42.0))
    book = load_text(tmp_path, book_text(regions))
    with pytest.raises(RectifyError) as caught:
        resolve(book, low, Facts(), scan_sha256="0" * 64)
    told = str(caught.value)
    assert f"the capture ends below what {what} needs" in told and "it reaches 4" in told


def test_a_tuning_that_fits_no_action_is_refused_and_one_that_fits_replaces(tmp_path: Path) -> None:
    from rectify.rulebook.tuning import read_tune
    from rectify.rulebook.yamltext import parse_yaml

    def tuned(change: str) -> Plan:
        book = load_text(tmp_path, book_text(FLAT))
        entry = f"tune:\n  - {{by: JT, on: 2026-11-20, why: test, regions: {{wall: {change}}}}}\n"
        tune = read_tune(parse_yaml(entry).mapping()["tune"], book, lambda _: (None, None))
        return resolve(book, transtibial(), Facts(), tune, scan_sha256="0" * 64)

    form = only(tuned("{tilt: 6 deg, corner: 1 mm, most: {in: 9 mm}}")).form
    assert form is not None and (form.tilt_deg, form.corner_mm, form.in_mm, form.out_mm) == (6.0, 1.0, 9.0, 0.0)
    with pytest.raises(RectifyError, match="no longer fits together"):
        tuned("{most: {in: 5 mm}}")


def test_a_technician_reads_how_a_wall_is_formed(tmp_path: Path) -> None:
    lines = describe(load_text(tmp_path, book_text(FLAT + SEAT + SQUEEZE + RAISED))).regions
    told = {line.name: (line.action, line.profile, line.extent) for line in lines}
    assert told["wall"] == ("flat wall", "at most 10 mm in, 3 mm out", "60 mm along, 50 mm around")
    assert told["seat"] == ("shelf", "faces posterior", "40 mm around, up to the edge")
    assert told["lock"][1] == "ml narrower, the tape as it was"
    assert told["front"][0] == "raised wall"


# -- a region between others, and falls ---------------------------------------------------------------

BETWEEN = """\
  between:
    action: reduce
    amount: 1 mm
    allow: [0 mm, 2 mm]
    between-regions: [bar, fibular-head]
    shape: {gap: {margin: 3 mm}}
    feather: 4 mm
    fall: cosine
    evidence: common practice
"""


def test_a_gap_lies_between_its_regions_and_follows_them(tmp_path: Path) -> None:
    from rectify.rulebook.footprint import carried
    from rectify.rulebook.places import Places

    limb = transtibial()
    plan = planned(tmp_path, BAR + BETWEEN + HEAD_UP, limb)  # in the rulebook's order, whichever is laid out first
    bar, between, head = plan.regions
    assert [bar.name, between.name, head.name] == ["bar", "between", "fibular-head"] and between.fall == "cosine"
    angles = [spot.angle_deg for spot in between.shape.ring]
    # the bar ends at 29 deg in its middle, the head's feather begins at 84; round each its neighbour curls a little
    assert 18.0 < min(angles) < 34.0 and 78.0 < max(angles) < 95.0
    places, at = Places(limb), between.anchor.spot
    area = carried(places, at, at, between.shape)
    assert area.distance(carried(places, at, bar.anchor.spot, bar.shape)) == pytest.approx(3.0, abs=0.6)
    assert area.distance(carried(places, at, head.anchor.spot, head.shape)) == pytest.approx(3.0 + 12.0, abs=0.6)


def test_a_gap_without_room_or_without_a_neighbour_is_left_out_and_says_so(tmp_path: Path) -> None:
    thin = transtibial(CapsuleChart(radius=22.0))
    plan = planned(tmp_path, BAR + BETWEEN.replace("margin: 3 mm", "margin: 30 mm") + HEAD_UP, thin)
    (said,) = [w.message for w in plan.warnings if w.where == "between"]
    assert said.startswith("left out: no room between")
    told = refused(tmp_path, BAR + BETWEEN)
    assert "no region fibular-head here" in told
    loose = BETWEEN.replace("    between-regions: [bar, fibular-head]\n", "    at: popliteal\n")
    assert "gap with between-regions" in refused(tmp_path, BAR + loose + HEAD_UP)


def test_extents_may_follow_the_limb_within_bounds(tmp_path: Path) -> None:
    share = "{share: 20 % of limb, least: 24 mm, most: 30 mm}"
    text = BAR.replace("along: 36 mm", f"along: {share}").replace("feather: 16 mm", "feather: 8 mm")
    text = text.replace("5 mm\n", "3 mm\n", 1)
    found = {}
    for centre in (50.0, 90.0, 200.0):  # the limb ends at centre + 50 mm
        limb = transtibial(CapsuleChart(centre_mm=centre))
        found[centre] = only(planned(tmp_path, text, limb)).shape.along_mm
    assert found == pytest.approx({50.0: 24.0, 90.0: 28.0, 200.0: 30.0})
    distal = "    distal: {share: 50 % of radius, least: 4 mm, most: 20 mm}\n"
    assert only(planned(tmp_path, BAR + distal)).anchor.spot == Spot(20.0, 0.0)
    for wrong, words in (
        ("{share: 20 % of limb, least: 24 mm}", "most: is missing"),
        ("{share: 20 %, least: 24 mm, most: 30 mm}", "say of what"),
        ("{share: 20 % of limb, least: 34 mm, most: 30 mm}", "runs from 34 mm down to 30 mm"),
        ("{share: 20 % of limb, leats: 24 mm, most: 30 mm}", "did you mean least?"),
        ("20 % of limb", "is '20 % of limb'"),
    ):
        assert words in refused(tmp_path, BAR.replace("along: 36 mm", f"along: {wrong}"))


def test_when_may_ask_how_long_and_of_what_shape_the_limb_is(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(BAR + "    when: {length: {short: 0.5}, shape: [conical, cylindrical]}\n"))

    def asked(**facts: str) -> list[float]:
        plan = resolve(book, transtibial(), Facts(**facts), scan_sha256="0" * 64)
        return [region.asked_mm for region in plan.regions]

    assert asked(length="short", shape="conical") == [2.5] and asked(length="long", shape="conical") == [5.0]
    assert asked(length="short", shape="bulbous") == [] and asked(shape="conical") == [5.0]


# -- the brim ---------------------------------------------------------------------------------------

LINE = (
    "brim: {line: [patella-apex, {at: lateral-condyle, radius: 12 mm}, popliteal-crease, "
    "{at: medial-condyle, proximal: 2 mm}]"
)


def test_a_corner_of_the_trimline_may_say_its_own_radius(tmp_path: Path) -> None:
    book = load_text(tmp_path, book_text(BAR, more=f"{LINE}, corner-radius: 20 mm}}\n"))
    brim = resolve(book, transtibial(), Facts(), scan_sha256="0" * 64).brim
    assert brim is not None and brim.radii_mm == (20.0, 12.0, 20.0, 20.0, 20.0, 20.0)  # the crease is a line of three
    alike = load_text(tmp_path, book_text(BAR, more=f"{LINE.replace('12 mm', '20 mm')}, corner-radius: 20 mm}}\n"))
    same = resolve(alike, transtibial(), Facts(), scan_sha256="0" * 64).brim
    assert same is not None and same.radii_mm == () and same.corner_radius_mm == 20.0
    assert "corner 12 mm" in describe(book).brim


@pytest.mark.parametrize(
    ("out", "over", "limit", "words"),
    [
        ("8 mm", "6 mm", "", "turns out too steeply"),
        ("8 mm", "15 mm", "limits: {flare: 6 mm}\n", "is 8 mm, past the limit"),
    ],
)
def test_a_flare_that_plastic_will_not_follow_is_refused(
    tmp_path: Path, out: str, over: str, limit: str, words: str
) -> None:
    with pytest.raises(RectifyError, match=words):
        load_text(tmp_path, book_text(BAR, more=f"{LINE}, flare: {{out: {out}, over: {over}}}}}\n{limit}"))


def test_a_steep_flare_is_told(tmp_path: Path) -> None:
    from rectify.rulebook.checks import check_rulebook

    book = load_text(tmp_path, book_text(BAR, more=f"{LINE}, flare: {{out: 8 mm, over: 12 mm}}}}\n"))
    (found,) = [f for f in check_rulebook(book) if f.code == "steep-flare"]
    assert not found.refused and "53 deg" in str(found.error) and "over 14 mm or more" in str(found.error)
