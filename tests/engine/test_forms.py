"""Walls that are formed, against closed forms on a cylinder, an ellipse and a cone.

A cylinder of radius R cut by a plane a mm inside its skin loses a segment: its chord is 2 sqrt(R² - (R - a)²), its area
R² acos((R - a) / R) - (R - a) sqrt(2 R a - a²) (Zwillinger D (ed.), CRC Standard Mathematical Tables and Formulas,
the circle; title from memory). The perimeter of an ellipse is held against a series that the code does not use.
"""

from __future__ import annotations

from dataclasses import replace
from math import acos, pi, radians, sqrt, tan

import numpy as np
import pytest
from scipy.integrate import quad

from rectify.engine import rectify_limb
from rectify.engine.forms import Fold, within
from rectify.errors import RulesError
from rectify.limb.measure import measure_levels
from rectify.limb.spot import Spot
from rectify.rulebook.plan import Band, Dimension, Form, Oval, Sector
from tests import made
from tests.made import assert_sound, assert_sound_outcome, build_up, overall, plan, region

R = 50.0
BACK, SEAT, FRONT = Spot(50.0, 180.0), Spot(-20.0, 180.0), Spot(20.0, 0.0)


@pytest.fixture(scope="module")
def tube():
    """A cylinder of radius 50 mm from level -60 to 150, 2 mm edges, a hemisphere below."""
    return made.capsule_limb(edge_mm=2.0)


def flatten(mm, at=BACK, shape=None, *, most=(12.0, 0.0), corner=0.0, tilt=0.0, feather=15.0, name="flat"):
    form = Form(faces_deg=at.angle_deg, tilt_deg=tilt, in_mm=most[0], out_mm=most[1], corner_mm=corner)
    return region(name, "flatten", mm, at, shape or Oval(200.0, 140.0), feather, blend="outside", form=form)


def squeeze(mm, levels=(20.0, 100.0), feather=20.0, narrow="ml"):
    at = Spot(sum(levels) / 2, 0.0)
    return region("squeeze", "squeeze", mm, at, Band(*levels), feather, blend="outside", form=Form(narrow=narrow))


def shelf(mm, at=SEAT, *, around=40.0, corner=6.0, tilt=8.0, feather=25.0):
    form = Form(faces_deg=at.angle_deg, tilt_deg=tilt, corner_mm=corner)
    return region("seat", "shelf", mm, at, Sector(around), feather, blend="outside", form=form)


def raised(mm, at=FRONT, *, around=50.0, most=(20.0, 20.0), tilt=0.0, feather=20.0):
    form = Form(faces_deg=at.angle_deg, tilt_deg=tilt, in_mm=most[0], out_mm=most[1], corner_mm=2.0)
    return region("wall", "raise", mm, at, Sector(around), feather, blend="outside", form=form)


# -- a flat wall ------------------------------------------------------------------------------------


def test_a_flat_wall_takes_a_segment_off_a_cylinder(tube):
    a = 6.0
    outcome = rectify_limb(tube, plan(flatten(a)))
    assert_sound_outcome(outcome)
    found = outcome.regions[0]
    assert found.achieved_mm == pytest.approx(a, abs=0.02)  # mm; the chart reads the anchor's radius to that
    assert found.form.off_max_mm < 1e-9 and found.form.off_rms_mm < 1e-9  # vertices are put on the plane
    levels = np.array([30.0, 50.0, 70.0])
    was, now = measure_levels(tube.mesh, levels), measure_levels(outcome.mesh, levels)
    segment = R * R * acos((R - a) / R) - (R - a) * sqrt(2 * R * a - a * a)
    # 2 mm edges: the chord is met up to half an edge from where it should end, a sliver of 0.5 * 1 * 0.5 mm²
    assert was.area - now.area == pytest.approx(segment, rel=0.01)
    assert was.ap - now.ap == pytest.approx(a, abs=0.05)
    chord = 2 * sqrt(R * R - (R - a) ** 2)
    tape = 2 * R * acos((R - a) / R) - chord  # the arc less the chord
    # mm: an edge of 2 mm cuts off each of the two corners of 28 degrees, by up to 2 (1 - cos 14°)
    assert (was.circumference - now.circumference >= tape - 0.01).all()
    assert was.circumference - now.circumference == pytest.approx(tape, abs=2 * 2 * (1 - np.cos(radians(14.0))) + 0.01)


def test_the_volume_a_flat_wall_takes_is_its_segment_times_its_height(tube):
    # a wall over a band of known height, with an outline so wide that it plays no part: 80 mm, fading over 20 mm
    a, height = 4.0, 80.0
    band = replace(flatten(a, feather=20.0), shape=Band(10.0, 10.0 + height))
    front = replace(band, form=replace(band.form, in_mm=a))  # the far side is held to 4 mm too: a closed form all round

    outcome = rectify_limb(tube, plan(front))
    # every point more than a mm outside the plane moves: the section is cut along the plane, and where the plane is
    # deeper than `in` allows (the far side never is: it lies behind it) nothing is left to do
    segment = R * R * acos((R - a) / R) - (R - a) * sqrt(2 * R * a - a * a)

    def at_share(share):  # of the feather: every point of the segment goes that share of its way
        return segment * share

    blend = quad(lambda t: at_share(6 * t**5 - 15 * t**4 + 10 * t**3), 0, 1)[0] * 20.0
    assert -outcome.volumes.change_ml == pytest.approx((segment * height + 2 * blend) / 1000.0, rel=0.01)


@pytest.mark.parametrize("tilt", [-4.0, 0.0, 5.0])
def test_a_tilted_wall_leans_by_its_angle(tube, tilt):
    outcome = rectify_limb(tube, plan(flatten(5.0, tilt=tilt, shape=Oval(70.0, 30.0))))
    assert_sound_outcome(outcome)
    core = outcome.asked.core(0, outcome.plan)
    v = outcome.mesh.vertices[core]
    fit = np.linalg.lstsq(np.column_stack([v[:, 2], v[:, 0], np.ones(len(v))]), v[:, 1], rcond=None)[0]
    assert -fit[0] == pytest.approx(tan(radians(tilt)), abs=1e-6)  # posterior is -y: the top leans out
    assert abs(fit[1]) < 1e-6


def test_bounds_hold_a_wall_back_and_the_report_says_how_much_is_flat(tube):
    # 10 mm at its middle, held to 4 mm: the middle is no plane any more
    deep = flatten(4.0, most=(4.0, 0.0), shape=Oval(60.0, 60.0))
    outcome = rectify_limb(tube, plan(deep))
    assert -outcome.move.min() <= 4.0 + 1e-6
    over = flatten(3.0, most=(6.0, 2.0), corner=2.0, shape=Oval(60.0, 60.0))  # half chord 17 mm, the plane out 2 mm
    found = rectify_limb(tube, plan(over)).regions[0].form
    assert 40.0 < found.on_percent < 99.0 and found.off_max_mm < 1e-9


def test_a_bound_is_rounded_by_a_parabola():
    form = Form(in_mm=8.0, out_mm=0.0, corner_mm=2.0)
    moves = within(np.array([-5.0, -2.0, 0.0, 2.0, 5.0, -20.0]), form, 5.0)
    assert moves == pytest.approx([-5.0, -2.0, -0.5, 0.0, 0.0, -8.0])
    x = np.linspace(-12, 4, 4001)
    slope = np.diff(within(x, form, 5.0)) / np.diff(x)
    assert slope.min() > -1e-9 and slope.max() < 1 + 1e-9 and np.abs(np.diff(slope)).max() < 0.002  # no kink


def test_walls_square_to_each_other_leave_each_other_flat(tube):
    back = flatten(5.0, Spot(50.0, 180.0), Oval(120.0, 140.0), name="back")
    inner = flatten(5.0, Spot(50.0, -90.0), Oval(120.0, 140.0), name="inner")
    outcome = rectify_limb(tube, plan(back, inner))
    assert_sound_outcome(outcome)
    for found in outcome.regions:
        assert found.form.off_max_mm < 1e-9


# -- a squeeze --------------------------------------------------------------------------------------


def ellipse_perimeter(a: float, b: float) -> float:
    """By the series in h = ((a - b) / (a + b))²: pi (a + b) (1 + h/4 + h²/64 + h³/256 + 25 h⁴/16384 + ...) (Ivory 1796,
    Bessel 1825; the terms from memory, held against numerical integration here)."""
    h = ((a - b) / (a + b)) ** 2
    terms = 1 + h / 4 + h**2 / 64 + h**3 / 256 + 25 * h**4 / 16384 + 49 * h**5 / 65536
    value = pi * (a + b) * terms
    check = quad(lambda t: sqrt((a * np.sin(t)) ** 2 + (b * np.cos(t)) ** 2), 0, 2 * pi)[0]
    assert value == pytest.approx(check, rel=1e-9)
    return value


@pytest.mark.parametrize("mm", [4.0, 12.0])
@pytest.mark.parametrize("narrow", ["ml", "ap"])
def test_a_squeezed_circle_is_the_ellipse_of_the_same_girth(tube, mm, narrow):
    outcome = rectify_limb(tube, plan(squeeze(mm, narrow=narrow)))
    assert_sound_outcome(outcome)
    levels = np.arange(22.0, 100.0, 7.0)
    was, now = measure_levels(tube.mesh, levels), measure_levels(outcome.mesh, levels)
    other = "ap" if narrow == "ml" else "ml"
    assert getattr(was, narrow) - getattr(now, narrow) == pytest.approx(mm, abs=0.02)
    assert now.circumference == pytest.approx(was.circumference, rel=1e-4)
    small, large = getattr(now, narrow) / 2, getattr(now, other) / 2
    for s, b, c in zip(small, large, now.circumference, strict=True):
        assert ellipse_perimeter(b, s) == pytest.approx(c, rel=3e-4)  # a hull of 2 mm chords: 7e-5 short of the curve
    found = outcome.regions[0]
    assert found.achieved_mm == pytest.approx(mm, abs=0.02) and found.form.girth_percent < 0.01


def test_a_squeeze_moves_points_within_their_level_only(tube):
    outcome = rectify_limb(tube, plan(squeeze(8.0)))
    assert np.array_equal(outcome.mesh.vertices[:, 2], tube.mesh.vertices[:, 2])
    away = (-tube.mesh.vertices[:, 2] < 0.0) | (-tube.mesh.vertices[:, 2] > 120.0)
    assert np.array_equal(outcome.mesh.vertices[away], tube.mesh.vertices[away])


def test_a_squeeze_above_every_closed_section_is_refused(transfemoral_limb):
    top = transfemoral_limb.chart.top_mm
    with pytest.raises(RulesError, match="no circumference to keep") as caught:
        rectify_limb(transfemoral_limb, plan(squeeze(4.0, (top + 6.0, top + 20.0), 4.0), amputation="transfemoral"))
    assert caught.value.key == "regions.squeeze.between"


# -- a shelf ----------------------------------------------------------------------------------------


def test_a_fold_keeps_lengths_and_reaches_its_plane():
    fold = Fold(np.array([0.0, -1.0, 0.0]), radians(8.0), 22.0, 6.0, 3.0, np.array([0.0, -R, 20.0]))
    high = np.linspace(-20.0, 60.0, 4001)
    out, up = fold.laid(high)
    way = np.hypot(np.diff(out), np.diff(up))
    assert way == pytest.approx(np.diff(high), rel=1e-5)  # a sheet is folded, not stretched
    flat = (high > fold.flat[0]) & (high < fold.flat[1])
    assert fold.flat[1] - fold.flat[0] == pytest.approx(22.0 - (6.0 + 3.0) * tan(radians(41.0)))
    assert up[flat] == pytest.approx(tan(radians(8.0)) * out[flat], abs=1e-9)
    assert out[-1] == pytest.approx(22.0 * np.cos(radians(8.0))) and out[0] == 0.0
    done = high > fold.skin_mm
    assert np.ptp(out[done]) < 1e-9 and not np.ptp(out[high > fold.skin_mm - 1.0]) < 1e-9


def test_a_seat_is_flat_at_its_tilt_and_as_deep_as_asked(tube):
    outcome = rectify_limb(tube, plan(shelf(20.0)))
    assert_sound(outcome.closed)
    assert outcome.checks.self_intersections == 0
    found = outcome.regions[0]
    assert found.achieved_mm == pytest.approx(20.0, abs=1e-6)
    assert found.form.off_max_mm < 1e-9 and not found.backed_off
    # seen by itself: faces whose normal is the seat's, and where they lie
    corner = outcome.mesh.vertices[outcome.mesh.faces]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    area = np.linalg.norm(normal, axis=1) / 2
    seat = normal @ [0.0, -np.sin(radians(8.0)), -np.cos(radians(8.0))] > 2 * area * (1 - 1e-10)
    # its flat part is 20 mm less two leads deep; over 40 mm of arc its chord is 2 R sin(0.4) wide
    lead = (6.0 + 3.0) * tan(radians(41.0))
    assert area[seat].sum() == pytest.approx((20.0 - lead) * 2 * R * np.sin(0.4), rel=0.2)  # edges of 2 mm
    across = corner[seat].reshape(-1, 3)
    assert np.ptp(across[:, 2] - 20.0 + tan(radians(8.0)) * (across[:, 1] + R)) < 1e-6


# -- a wall that goes straight up -------------------------------------------------------------------


@pytest.mark.parametrize("corner", [0.0, 5e-324, 1e-9])
def test_a_shelf_with_next_to_no_corner_is_one_with_none(tube, corner):
    sharp, other = (rectify_limb(tube, plan(shelf(10.0, corner=mm))) for mm in (0.0, corner))
    assert np.abs(sharp.mesh.vertices - other.mesh.vertices).max() < 1e-6  # mm


def test_above_its_level_a_wall_goes_straight_up():
    cone = made.cone_limb(70.0, 40.0, edge_mm=2.5)
    at = Spot(0.0, 0.0)
    outcome = rectify_limb(cone, plan(raised(50.0, at)))
    assert_sound_outcome(outcome)
    found = outcome.regions[0]
    assert found.form.off_max_mm < 0.05 and found.form.on_percent > 95.0  # mm: the chart's reading of the foot
    assert found.achieved_mm == pytest.approx(50.0)
    v = outcome.mesh.vertices
    column = (np.abs(v[:, 0]) < 8.0) & (v[:, 1] > 0) & (v[:, 2] > 22.0)
    radius = np.hypot(v[column, 0], v[column, 1])
    foot = np.interp(0.0, [-60.0, 150.0], [70.0, 40.0])
    assert radius == pytest.approx(foot, abs=0.1)
    was = np.hypot(*cone.mesh.vertices[column, :2].T)
    assert (was - radius).max() > 6.0  # where the cone had gone on growing


# -- together ---------------------------------------------------------------------------------------


def everything(amount=1.0):
    return plan(
        squeeze(6.0 * amount),
        flatten(5.0, Spot(50.0, 180.0), Oval(90.0, 90.0), corner=3.0, name="back"),
        raised(50.0, Spot(-2.0, 30.0), around=40.0),
        shelf(16.0, Spot(-20.0, 190.0)),
        build_up("pad", 3.0, Spot(60.0, 170.0), Oval(24.0, 24.0), 10.0),
        overall=overall((0.0, 3.0), (120.0, 2.0)),
    )


def test_the_mirrored_limb_gives_the_mirrored_walls():
    limb = made.elliptic_limb(116.0, 104.0)
    other = made.mirror_of(limb)
    one, two = rectify_limb(limb, everything()), rectify_limb(other, everything())
    assert_sound(one.closed)
    assert np.abs(two.mesh.vertices * made.MIRROR - one.mesh.vertices).max() < 1e-6  # mm, rectify's own bound


def test_amounts_of_nothing_change_no_bit(tube):
    nothing = plan(squeeze(0.0), shelf(0.0), raised(0.0, most=(0.0, 0.0)), flatten(0.0, most=(0.0, 0.0), corner=3.0))
    outcome = rectify_limb(tube, nothing)
    assert outcome.mesh.vertices.tobytes() == tube.mesh.vertices.tobytes()


def test_a_region_on_a_formed_wall_is_measured_from_that_wall(tube):
    outcome = rectify_limb(tube, everything())
    pad = outcome.regions[-1]
    assert pad.achieved_mm == pytest.approx(3.0, abs=0.05) and np.abs(pad.error_mm).max() < 0.1


def test_forming_is_not_counted_as_reduction_or_build_up(tube):
    limits = replace(plan().limits, reduction_mm=4.0, build_up_mm=4.0, circumference_percent=(-4.0, 4.0))
    outcome = rectify_limb(tube, replace(everything(), limits=limits))
    assert outcome.move.max() > 10.0 and np.abs(outcome.worked).max() < 4.0
    assert outcome.breaches == ()


def test_a_dimension_moves_a_wall_and_a_squeeze_to_its_target(tube):
    from rectify.engine.dimensions import solve_dimensions

    wall = replace(flatten(3.0, shape=Oval(110.0, 110.0)), allow_mm=(1.0, 10.0))
    tight = replace(squeeze(4.0, (130.0, 140.0), 10.0), name="tight", allow_mm=(0.0, 12.0))
    wanted = (
        Dimension("ap", 50.0, "here", 2 * R - 6.0, ("flat",), 0.2),
        Dimension("ml", 134.0, "there", 2 * R - 7.0, ("tight",), 0.2),
    )
    solved = solve_dimensions(tube, plan(wall, tight, dimensions=wanted))
    assert solved.regions["flat"].amount_mm == pytest.approx(6.0, abs=0.11)
    assert solved.regions["tight"].amount_mm == pytest.approx(7.0, abs=0.11)
