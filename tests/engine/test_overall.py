"""The overall reduction: what a tape reads level by level, and what is done to the end."""

from __future__ import annotations

import re
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rectify.engine import rectify_limb
from rectify.engine.field import ask
from rectify.engine.overall import end_move, percent_at, spared
from rectify.engine.places import places_of
from rectify.limb.measure import measure_levels
from rectify.limb.spot import Spot
from rectify.rulebook.plan import End, Oval, Spare
from tests import made
from tests.made import assert_sound_outcome, build_up, overall, plan, reduction

POINTS = 0.02  # percentage points of circumference: rectify's own bound
BONES = ("tibial-crest", "tibial-tubercle", "fibular-head", "distal-tibia", "distal-fibula")


def bones(limb):
    return tuple(Spare(spots=limb.landmarks[name].spots, radius_mm=8.0, landmark=name) for name in BONES)


def against(limb, rows, outcome=None, step=10.0, **options):
    """Levels, percent asked and percent got where both sections are closed."""
    asked = overall(*rows, **options)
    outcome = outcome or rectify_limb(limb, plan(overall=asked))
    levels = np.arange(np.ceil(limb.chart.top_mm / step) * step, limb.end_level_mm, step)
    before, after = measure_levels(limb.mesh, levels), measure_levels(outcome.mesh, levels)
    size = "circumference" if asked.basis == "circumference" else "area"
    there = before.closed & after.closed
    got = 100.0 * (1.0 - getattr(after, size) / getattr(before, size))
    return levels[there], percent_at(asked, levels)[there], got[there], outcome


# -- by level -------------------------------------------------------------------------------------


@pytest.mark.parametrize("percent", [1.0, 3.0, 5.0])
@pytest.mark.parametrize("name", ["capsule_limb", "cone_limb", "fine_limb", "transfemoral_limb"])
def test_every_tape_is_as_much_shorter_as_asked(name, percent, request):
    limb = request.getfixturevalue(name)
    last = limb.inflection_mm - 30.0
    rows = [(limb.chart.top_mm, percent), (last, percent)]
    if percent < 5.0:  # the reduced surface alone: with regions off the model is that
        reduced = limb.mesh.with_vertices(ask(limb, plan(overall=overall(*rows))).base)
        levels, asked, got, _ = against(limb, rows, SimpleNamespace(mesh=reduced))
    else:
        levels, asked, got, outcome = against(limb, rows)
        assert_sound_outcome(outcome)
        assert {warning.code for warning in outcome.warnings} <= {"coarse-scan"}
    wall = levels <= last
    assert wall.sum() > 8
    assert got[wall] == pytest.approx(asked[wall], abs=POINTS)
    # in the fade of 30 mm the move is a curve that the mesh follows with straight edges
    assert got[~wall] == pytest.approx(asked[~wall], abs=4 * POINTS)


@pytest.mark.parametrize("percent", [1.0, 5.0])
def test_with_bone_spared_the_rest_makes_up_the_tape(fine_limb, percent):
    last = fine_limb.inflection_mm - 30.0
    rows = [(fine_limb.chart.top_mm, percent), (last, percent)]
    levels, asked, got, outcome = against(fine_limb, rows, spare=bones(fine_limb))
    wall = levels <= last
    assert got[wall] == pytest.approx(asked[wall], abs=POINTS)
    assert_sound_outcome(outcome)
    # and bone is where it was: to the bit, within 8 mm of a marked point (less half a mm for the arc's reading)
    v = fine_limb.mesh.vertices
    stays = (outcome.mesh.vertices == v).all(axis=1)
    for name in BONES:
        for point in fine_limb.landmarks[name].points:
            near = np.linalg.norm(v - point, axis=1) < 6.5
            assert near.any() and stays[near].all(), name


def test_on_the_transfemoral_limb_spared_places_stay_too(transfemoral_limb):
    marks = transfemoral_limb.landmarks
    spare = tuple(Spare(spots=marks[n].spots, radius_mm=10.0) for n in ("greater-trochanter", "distal-femur"))
    last = transfemoral_limb.inflection_mm - 30.0
    rows = [(transfemoral_limb.chart.top_mm, 3.0), (last, 3.0)]
    levels, asked, got, outcome = against(transfemoral_limb, rows, spare=spare)
    assert got[levels <= last] == pytest.approx(asked[levels <= last], abs=POINTS)
    assert_sound_outcome(outcome)


def test_by_volume_every_section_holds_as_much_less_as_asked(fine_limb):
    last = fine_limb.inflection_mm - 30.0
    rows = [(fine_limb.chart.top_mm, 6.0), (last, 6.0)]
    for spare in ((), bones(fine_limb)):
        levels, asked, got, _ = against(fine_limb, rows, basis="volume", spare=spare)
        wall = levels <= last
        assert got[wall] == pytest.approx(asked[wall], abs=POINTS)


def test_a_capsule_shrinks_by_the_closed_form():
    # 5 % of circumference is 0.05 R = 2.5 mm of radius; 9.75 % of the wall's volume: 1 - (1 - p)²
    limb = made.capsule_limb(edge_mm=2.5)
    outcome = rectify_limb(limb, plan(overall=overall((-60.0, 5.0), (140.0, 5.0), fade=0.0)))
    wall = (limb.mesh.vertices[:, 2] > -125.0) & (limb.mesh.vertices[:, 2] < 55.0)
    radius = np.hypot(*outcome.mesh.vertices[wall, :2].T)
    assert radius == pytest.approx(47.5, abs=0.01)  # mm; the smoothed normal is not quite the vertex's
    assert np.array_equal(outcome.mesh.vertices[wall, 2], limb.mesh.vertices[wall, 2])  # a level keeps its level
    profile = measure_levels(outcome.mesh, np.array([0.0, 60.0])), measure_levels(limb.mesh, np.array([0.0, 60.0]))
    assert 100 * (1 - profile[0].area / profile[1].area) == pytest.approx(9.75, abs=0.01)


def test_nothing_moves_outward(transtibial_limb, transfemoral_limb):
    for limb, spare in ((transtibial_limb, bones(transtibial_limb)), (transfemoral_limb, ())):
        rows = [(limb.chart.top_mm, 4.0), (60.0, 2.5), (limb.inflection_mm - 20.0, 0.0)]
        _, _, _, outcome = against(limb, rows, spare=spare)
        assert outcome.move.max() < 0.02  # mm; where the spline of the move runs out


# -- between and beyond rows ----------------------------------------------------------------------


def test_between_rows_the_percentage_is_monotone_and_beyond_them_it_fades():
    asked = overall((0.0, 5.0), (50.0, 4.0), (100.0, 1.0), fade=20.0)
    levels = np.linspace(-40.0, 140.0, 721)
    percent = percent_at(asked, levels)
    assert percent_at(asked, np.array([0.0, 50.0, 100.0])) == pytest.approx([5.0, 4.0, 1.0])
    between = (levels >= 0) & (levels <= 100)
    assert (np.diff(percent[between]) <= 1e-12).all()
    assert (percent[(levels <= -20.0) | (levels >= 120.0)] == 0.0).all()
    assert percent_at(asked, np.array([-10.0, 110.0])) == pytest.approx([2.5, 0.5])  # half way: half
    assert np.abs(np.diff(percent)).max() < 0.25 * 1.2 * 1.875 * 5.0 / 20.0  # no jump


@given(st.lists(st.integers(0, 90).map(lambda n: n / 10), min_size=1, max_size=5), st.integers(0, 40))
def test_no_level_asks_for_more_than_its_rows(percents, fade):
    asked = overall(*[(30.0 * i, p) for i, p in enumerate(percents)], fade=fade)
    found = percent_at(asked, np.linspace(-60.0, 200.0, 200))
    assert found.min() >= -1e-12 and found.max() <= max(percents) + 1e-9


def test_rows_may_differ_and_each_level_gets_its_own(fine_limb):
    rows = [(0.0, 4.0), (60.0, 2.5), (fine_limb.inflection_mm, 1.0)]
    levels, asked, got, outcome = against(fine_limb, rows, fade=25.0)
    between = (levels >= 0) & (levels <= fine_limb.inflection_mm)
    assert got[between] == pytest.approx(asked[between], abs=POINTS)
    above = outcome.limb.mesh.vertices[:, 2] > 26.0
    assert np.array_equal(outcome.mesh.vertices[above], fine_limb.mesh.vertices[above])


# -- sparing --------------------------------------------------------------------------------------


def test_a_spared_disc_is_whole_within_and_nothing_a_fade_beyond(capsule_limb):
    chart = capsule_limb.chart
    asked = overall((0.0, 3.0), spare=(Spare(spots=(Spot(60.0, 0.0),), radius_mm=8.0),), spare_fade_mm=15.0)
    r = np.array([0.0, 7.8, 15.5, 23.3, 40.0])
    found = spared(chart, asked, np.full(5, 60.0), np.degrees(r / 50.0))
    assert found == pytest.approx([1.0, 1.0, 0.5, 0.0, 0.0], abs=0.01)
    assert spared(chart, asked, 60.0 + r, np.zeros(5)) == pytest.approx([1.0, 1.0, 0.5, 0.0, 0.0], abs=0.01)


def test_a_spared_window_of_levels_and_angles_goes_the_way_of_increasing_angle(capsule_limb):
    chart = capsule_limb.chart
    window = Spare(stations_mm=(0.0, 40.0), angles_deg=(250.0, 290.0))  # a medial wall
    asked = overall((0.0, 3.0), spare=(window,), spare_fade_mm=10.0)

    def at(station, angle):
        return spared(chart, asked, np.array([station]), np.array([angle]))[0]

    assert at(20.0, -90.0) == 1.0 and at(1.0, -109.0) == 1.0 and at(39.0, 289.0) == 1.0
    assert at(20.0, 90.0) == 0.0 and at(20.0, 0.0) == 0.0 and at(60.0, -90.0) == 0.0
    assert 0 < at(45.0, -90.0) < 1 and 0 < at(20.0, -65.0) < 1
    over_the_back = Spare(stations_mm=(0.0, 40.0), angles_deg=(170.0, 190.0))
    asked = overall((0.0, 3.0), spare=(over_the_back,), spare_fade_mm=10.0)
    assert at(20.0, 180.0) == 1.0 and at(20.0, -175.0) == 1.0 and at(20.0, 0.0) == 0.0


def test_where_sparing_leaves_too_little_the_move_is_held_and_that_is_told(capsule_limb):
    nearly_all = Spare(stations_mm=(20.0, 100.0), angles_deg=(-140.0, 140.0))
    asked = overall((0.0, 3.0), (120.0, 3.0), spare=(nearly_all,))
    outcome = rectify_limb(capsule_limb, plan(overall=asked))
    told = [w for w in outcome.warnings if w.code == "spare-takes-too-much"]
    assert len(told) == 1 and told[0].severity == "look" and "less than asked" in told[0].message
    assert -outcome.move.min() <= 2.0 * 0.03 * 50.0 * 1.02  # the factor is held to 2 (and the spline between levels)
    assert_sound_outcome(outcome)


@pytest.mark.parametrize("percent", [5.0, 8.0])
def test_where_a_ridge_is_too_sharp_for_the_reduction_it_backs_off_and_that_is_told(ridge_limb, percent):
    # 5 % is 2.7 mm inward; the ridge's crest turns round within 3 mm and its flanks would pass through each other
    outcome = rectify_limb(ridge_limb, plan(overall=overall((0.0, percent), (130.0, percent))))
    assert_sound_outcome(outcome)
    assert any(w.severity == "look" for w in outcome.warnings)
    away = np.abs(ridge_limb.chart.locate(ridge_limb.mesh.vertices)[1]) > 60.0
    level = np.abs(-ridge_limb.mesh.vertices[:, 2] - 70.0) < 40.0
    # off the ridge the wall has gone in by about what was asked
    assert -np.median(outcome.move[away & level]) == pytest.approx(percent / 100 * 52.0, rel=0.15)


# -- finished -------------------------------------------------------------------------------------


def finished_plan(limb, percent, **options):
    at = {name: limb.landmarks[name].spots[0] for name in ("mid-patellar-tendon", "fibular-head")}
    regions = (
        reduction("tendon", 4.0, at["mid-patellar-tendon"], Oval(36.0, 50.0), 16.0),
        reduction("popliteal", 3.0, Spot(8.0, 180.0), Oval(44.0, 48.0), 16.0, **options),
        build_up("head", 3.0, at["fibular-head"], Oval(30.0, 28.0), 12.0),
    )
    rows = ((limb.chart.top_mm, percent), (limb.inflection_mm - 30.0, percent))
    return regions, rows


def test_finished_percentages_are_true_of_the_model_with_its_regions(fine_limb):
    regions, rows = finished_plan(fine_limb, 3.0, measured_from="capture")  # one of them; the others from the reduced
    end = End("lengthen", 3.0, fine_limb.inflection_mm)
    outcome = rectify_limb(fine_limb, plan(*regions, overall=overall(*rows, holds="finished"), end=end))
    levels, percent, got, _ = against(fine_limb, rows, outcome)
    wall = levels <= rows[1][0]
    assert got[wall] == pytest.approx(percent[wall], abs=POINTS)
    assert_sound_outcome(outcome)
    # measured before the regions, the same percentages come out otherwise: the regions take their own from the tape
    before = rectify_limb(fine_limb, plan(*regions, overall=overall(*rows), end=end))
    _, _, other, _ = against(fine_limb, rows, before)
    assert np.abs(other[wall] - percent[wall]).max() > 0.5


def test_finished_percentages_hold_but_where_bone_leaves_too_little_and_that_is_told(transtibial_limb):
    # a build-up over a spared fibular head and the spared crest leave little to make up 3 % of the tape
    regions, rows = finished_plan(transtibial_limb, 3.0)
    asked = overall(*rows, holds="finished", spare=bones(transtibial_limb))
    outcome = rectify_limb(transtibial_limb, plan(*regions, overall=asked))
    told = [w.message for w in outcome.warnings if w.code == "spare-takes-too-much"]
    assert len(told) == 1
    low, high = (float(x) for x in re.search(r"from level (-?\d+) to (-?\d+) mm", told[0]).groups())
    levels, percent, got, _ = against(transtibial_limb, rows, outcome, step=2.0)
    wall = levels <= rows[1][0]
    off = wall & (np.abs(got - percent) > 2 * POINTS)
    assert off.any() and (got[off] < percent[off] + 5 * POINTS).all()  # a spline overshoots beside a held level
    assert low - 4.0 <= levels[off].min() and levels[off].max() <= high + 4.0  # two steps between solved levels
    assert_sound_outcome(outcome)


# -- the open top and the end ---------------------------------------------------------------------


def test_above_the_highest_closed_section_its_move_carries_on(transfemoral_limb):
    limb = transfemoral_limb
    rows = [(limb.chart.top_mm, 4.0), (120.0, 4.0)]
    outcome = rectify_limb(limb, plan(overall=overall(*rows)))
    top_closed = -limb.edge[:, 2].min()
    v = limb.mesh.vertices
    moved = np.linalg.norm(outcome.mesh.vertices - v, axis=1)
    open_part = -v[:, 2] < top_closed - 3.0
    at_top = np.abs(-v[:, 2] - (top_closed + 3.0)) < 3.0
    assert open_part.sum() > 100
    # mm: the same move, not the same percentage of a section that is not there
    assert moved[open_part] == pytest.approx(np.median(moved[at_top]), rel=0.02)
    assert np.isnan(outcome.levels_after.circumference[~outcome.levels_after.closed]).all()


def test_an_end_that_is_lengthened_is_longer_by_that_and_its_wall_stays(transtibial_limb):
    limb = transtibial_limb
    outcome = rectify_limb(limb, plan(end=End("lengthen", 5.0, limb.inflection_mm)))
    v, w = limb.mesh.vertices, outcome.mesh.vertices
    assert -w[:, 2].min() == pytest.approx(limb.end_level_mm + 5.0, abs=1e-9)
    wall = -v[:, 2] <= limb.inflection_mm
    assert np.array_equal(w[wall], v[wall])
    assert np.array_equal(w[:, :2], v[:, :2])  # a stretch along the axis
    assert (v[:, 2] - w[:, 2] >= 0).all()
    assert_sound_outcome(outcome)


def test_an_end_that_is_padded_grows_along_its_normals(capsule_limb):
    outcome = rectify_limb(capsule_limb, plan(end=End("pad", 6.0, 160.0)))
    v, w = capsule_limb.mesh.vertices, outcome.mesh.vertices
    assert w[:, 2].min() == pytest.approx(-206.0, abs=0.01)
    shift = w - v
    cap = np.linalg.norm(shift, axis=1) > 0.5
    out = (v - np.array([0.0, 0.0, -150.0]))[cap] / 50.0
    cosine = np.einsum("ij,ij->i", shift[cap], out) / np.linalg.norm(shift[cap], axis=1)
    assert np.degrees(np.arccos(np.clip(cosine, -1, 1))).max() < 2.5  # the smoothed normal on faces of 3 mm
    assert np.array_equal(w[-v[:, 2] <= 160.0], v[-v[:, 2] <= 160.0])
    assert_sound_outcome(outcome)


def test_the_rise_of_the_end_is_full_at_the_tip_and_flat_at_both_ends():
    level = np.array([100.0, 110.0, 125.0, 149.999, 150.0])
    normals = np.tile([0.0, 0.6, -0.8], (5, 1))
    shift = end_move(End("pad", 4.0, 110.0), 150.0, level, normals)
    assert shift[0].tolist() == [0.0, 0.0, 0.0] and np.linalg.norm(shift[1]) == 0.0
    assert np.linalg.norm(shift[4]) == pytest.approx(4.0) and np.linalg.norm(shift[3]) == pytest.approx(4.0, abs=1e-6)
    longer = end_move(End("lengthen", 4.0, 110.0), 150.0, level, normals)
    assert longer[4].tolist() == [0.0, 0.0, -4.0]


def test_a_plan_without_rows_or_end_moves_nothing(transtibial_limb):
    outcome = rectify_limb(transtibial_limb, plan())
    assert outcome.mesh.vertices.tobytes() == transtibial_limb.mesh.vertices.tobytes()
    places = places_of(transtibial_limb)
    assert np.linalg.norm(places.normals, axis=1) == pytest.approx(1.0, abs=1e-12)
