"""What of the change lies inside the socket: closed forms on a capsule, and when a slimmer place above is told."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rectify.engine import rectify_limb
from rectify.limb.spot import Spot
from rectify.rulebook.plan import Brim, End
from tests import made
from tests.made import overall, plan

R, LENGTH = 50.0, 140.0  # mm: a capsule, its tip at level 140


@pytest.fixture(scope="module")
def capsule():
    return made.capsule_limb(R, LENGTH - R, 3.0, 60.0)


def brim_at(level: float) -> Brim:
    """Level round the limb, but for one lower place."""
    return Brim(tuple(Spot(level - 10.0 * (angle > 0), float(angle)) for angle in (0, 90, 180, 270)))


def test_without_a_trimline_there_is_no_inside(capsule):
    assert rectify_limb(capsule, plan()).inside is None


def test_inside_is_counted_below_the_lowest_place_of_the_trimline(capsule):
    rows = overall((-80.0, 3.0), (160.0, 3.0))
    outcome = rectify_limb(capsule, replace(plan(overall=rows), brim=brim_at(20.0)))
    inside = outcome.inside
    assert inside is not None and inside.plane_level_mm == 20.0
    wall = math.pi * R**2 * (LENGTH - R - 20.0)
    assert inside.before_ml == pytest.approx((wall + 2 / 3 * math.pi * R**3) / 1000.0, rel=2e-3)  # chords
    # what is lost above it is wall: 3 % of circumference is 1.5 mm of radius there
    top, lost = outcome.volumes.plane_level_mm, math.pi * (R**2 - (0.97 * R) ** 2)
    above = -lost * (20.0 - top) / 1000.0
    assert inside.after_ml - inside.before_ml == pytest.approx(outcome.volumes.change_ml - above, abs=0.2)  # chords
    assert outcome.volumes.change_ml < inside.after_ml - inside.before_ml < 0.0
    assert inside.end_ml == 0.0 and inside.change_percent == inside.change_without_end_percent


def test_what_is_done_to_the_end_is_taken_out_of_the_change(capsule):
    end = End("lengthen", 5.0, LENGTH - R)
    outcome = rectify_limb(capsule, replace(plan(end=end), brim=brim_at(20.0)))
    inside = outcome.inside
    assert inside is not None and inside.end_ml > 1.0
    assert inside.change_percent == pytest.approx(100 * inside.end_ml / inside.before_ml, abs=1e-3)  # nothing else
    assert inside.change_without_end_percent == pytest.approx(0.0, abs=1e-3)


def test_a_slimmer_place_above_a_wider_one_is_told_below_the_trimline_only():
    # a cone that widens distally by 44 % of girth; 5 % are passed over
    widening = made.cone_limb(45.0, 65.0, 4.0)
    told = rectify_limb(widening, replace(plan(), brim=brim_at(10.0))).warnings
    (warn,) = [w for w in told if w.code == "wider-below"]
    assert warn.severity == "note" and "mm less than at level" in warn.message
    assert "wider-below" not in {w.code for w in rectify_limb(widening, plan()).warnings}
    narrowing = made.cone_limb(65.0, 45.0, 4.0)
    told = rectify_limb(narrowing, replace(plan(), brim=brim_at(10.0))).warnings
    assert "wider-below" not in {w.code for w in told}
