"""The rulebook's limits, held against the finished shape: just inside, just outside, one by one."""

from __future__ import annotations

import re

import numpy as np
import pytest

from rectify.engine import rectify_limb
from rectify.limb.spot import Spot
from rectify.rulebook.plan import End, Limits, Oval
from tests.made import build_up, overall, plan, reduction

AT = Spot(60.0, 0.0)


def breached(limb, limits, *regions, **more):
    outcome = rectify_limb(limb, plan(*regions, limits=limits, **more))
    assert all(w.severity == "stop" for w in outcome.breaches)
    return outcome, {w.code: w for w in outcome.breaches}


def test_without_limits_nothing_is_breached(capsule_limb):
    assert breached(capsule_limb, Limits(), build_up("a", 12.0, AT, Oval(50.0, 50.0), 30.0))[1] == {}


@pytest.mark.parametrize(("allowed", "breach"), [(3.99, True), (4.0, False), (4.01, False)])
def test_depth_and_height_are_held_to_the_mm(capsule_limb, allowed, breach):
    deep = reduction("in", 4.0, AT, Oval(50.0, 50.0), 14.0)
    _, found = breached(capsule_limb, Limits(reduction_mm=allowed, build_up_mm=0.5), deep)
    assert ("limit-reduction" in found) is breach
    high = build_up("out", 4.0, AT, Oval(30.0, 30.0), 14.0)
    _, found = breached(capsule_limb, Limits(build_up_mm=allowed, reduction_mm=0.5), high)
    assert ("limit-build-up" in found) is breach
    if breach:
        assert "4.0 mm" in found["limit-build-up"].message and "3.99 mm" in found["limit-build-up"].message
        assert found["limit-build-up"].where == "limits.build-up"


def test_depth_counts_from_the_capture_overall_reduction_and_all(capsule_limb):
    deep = reduction("in", 4.0, AT, Oval(50.0, 50.0), 14.0)
    rows = overall((0.0, 3.0), (120.0, 3.0))  # 1.5 mm of radius
    _, found = breached(capsule_limb, Limits(reduction_mm=5.4), deep, overall=rows)
    assert set(found) == {"limit-reduction"}
    _, found = breached(capsule_limb, Limits(reduction_mm=5.6), deep, overall=rows)
    assert found == {}


def test_volume_is_held_in_both_directions(capsule_limb):
    deep, high = (make("a", 5.0, AT, Oval(44.0, 44.0), 12.0) for make in (reduction, build_up))
    outcome, _ = breached(capsule_limb, Limits(), deep)
    percent = outcome.volumes.change_percent
    assert percent < -0.1
    for low, breach in ((percent - 0.01, False), (percent + 0.01, True)):
        found = breached(capsule_limb, Limits(volume_percent=(low, 4.0)), deep)[1]
        assert ("limit-volume" in found) is breach
    gain = breached(capsule_limb, Limits(), high)[0].volumes.change_percent
    assert set(breached(capsule_limb, Limits(volume_percent=(-9.0, gain - 0.01)), high)[1]) == {"limit-volume"}
    assert breached(capsule_limb, Limits(volume_percent=(-9.0, gain + 0.01)), high)[1] == {}


@pytest.mark.parametrize(("measure", "angle"), [("ap", 0.0), ("ml", 90.0)])
def test_widths_are_held_where_they_change_most(capsule_limb, measure, angle):
    high = build_up("a", 6.0, Spot(60.0, angle), Oval(30.0, 30.0), 14.0)
    percent = 100.0 * 6.0 / 100.0  # 6 mm of a width of 100 mm
    for allowed, breach in ((percent - 0.2, True), (percent + 0.2, False)):
        limits = Limits(**{f"{measure}_percent": (-1.0, allowed)})
        found = breached(capsule_limb, limits, high)[1]
        assert set(found) == ({f"limit-{measure}"} if breach else set())
        if breach:
            assert re.search(r"level (5[0-9]|6[0-9]|70) mm", found[f"limit-{measure}"].message)
    other = Limits(**{f"{'ml' if measure == 'ap' else 'ap'}_percent": (-1.0, 1.0)})
    assert breached(capsule_limb, other, high)[1] == {}


def test_circumference_is_held_on_the_wall_and_not_where_the_end_turns_in(capsule_limb):
    rows = overall((0.0, 3.0), (120.0, 3.0))
    assert set(breached(capsule_limb, Limits(circumference_percent=(-2.9, 2.0)), overall=rows)[1]) == {
        "limit-circumference"
    }
    assert breached(capsule_limb, Limits(circumference_percent=(-3.1, 2.0)), overall=rows)[1] == {}
    # an end made 8 mm longer has far greater girths at its last levels; that is no breach of the wall's limit
    longer = End("lengthen", 8.0, capsule_limb.inflection_mm)
    assert breached(capsule_limb, Limits(circumference_percent=(-3.1, 2.0)), end=longer)[1] == {}


def test_every_breach_is_told_at_once(capsule_limb):
    limits = Limits(
        volume_percent=(-0.1, 0.1), reduction_mm=1.0, build_up_mm=1.0, ap_percent=(-0.5, 0.5),
        ml_percent=(-0.5, 0.5), circumference_percent=(-0.1, 0.1),
    )  # fmt: skip
    regions = (
        reduction("in", 5.0, AT, Oval(60.0, 60.0), 16.0),
        build_up("out", 5.0, Spot(60.0, 100.0), Oval(30.0, 30.0), 14.0),
    )
    _, found = breached(capsule_limb, limits, *regions, overall=overall((0.0, 2.0), (120.0, 2.0)))
    assert set(found) == {
        "limit-volume", "limit-reduction", "limit-build-up", "limit-ap", "limit-ml", "limit-circumference",
    }  # fmt: skip


def test_the_slope_limit_backs_off_instead(capsule_limb):
    steep = reduction("in", 12.0, AT, Oval(36.0, 36.0), 12.0)
    outcome, found = breached(capsule_limb, Limits(slope_deg=30.0), steep)
    assert found == {} and outcome.regions[0].backed_off


def test_open_sections_are_not_held_to_anything(transfemoral_limb):
    rows = overall((transfemoral_limb.chart.top_mm, 3.0), (150.0, 3.0))
    outcome, found = breached(transfemoral_limb, Limits(circumference_percent=(-3.05, 1.0)), overall=rows)
    assert found == {} and np.isnan(outcome.levels_before.circumference).any()
