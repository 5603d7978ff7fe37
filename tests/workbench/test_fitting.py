"""What is proposed after a fitting: seat before place, in small steps, within `allow`, with a source, never applied."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

import rectify
from rectify.case.version import Finding
from rectify.data import demo_folder
from rectify.workbench.fitting import ORDER, propose


@pytest.fixture(scope="module")
def plan():
    return rectify.open_case(demo_folder() / "RB-102").plan()


def region(plan, name):
    return next(r for r in plan.regions if r.name == name)


def test_nothing_found_proposes_nothing(plan):
    assert propose((), plan, 300.0) == []


def test_a_red_fibular_head_on_a_limb_that_sank_is_looked_at_last(plan):
    found = (Finding(kind="redness", where="fibular-head"), Finding(kind="seated-deep"), Finding(kind="rotation"))
    steps = [proposal.step for proposal in propose(found, plan, 300.0)]
    assert steps == sorted(steps, key=ORDER.index) and steps[-1] == "place"
    assert not propose(found, plan, 300.0)[0].change


def test_where_it_is_pressed_a_build_up_grows_by_a_millimetre_and_a_reduction_shrinks(plan):
    for name, step in (("distal-tibia", 1.0), ("patellar-tendon", -1.0)):
        (one,) = [p for p in propose((Finding(kind="pain", where=name),), plan, 300.0) if p.change]
        low, high = region(plan, name).allow_mm
        wanted = min(max(region(plan, name).asked_mm + step, low), high)
        assert one.change == {"region": name, "amount": pytest.approx(wanted, abs=0.01)}


def test_a_gap_does_the_opposite(plan):
    (one,) = propose((Finding(kind="gap", where="popliteal"),), plan, 300.0)
    assert one.change["amount"] > region(plan, "popliteal").asked_mm


def test_nothing_is_proposed_past_what_is_allowed(plan):
    own = region(plan, "fibular-head")
    full = replace(plan, regions=tuple(replace(r, asked_mm=own.allow_mm[1]) if r is own else r for r in plan.regions))
    (one,) = propose((Finding(kind="pain", where="fibular-head"),), full, 300.0)
    assert one.change == {} and "end of what is allowed" in one.says


def test_socks_become_the_percentage_that_their_thickness_is_of_the_girth(plan):
    # a ring of thickness t about a circle: 2 pi t more girth; 3 ply 1.2 mm (Sanders et al. 2012, as cited there)
    (one,) = propose((Finding(kind="sock-ply", ply=3),), plan, 300.0)
    assert f"{100 * 2 * math.pi * 1.2 / 300.0:.1f} %" in one.says and "Sanders" in one.source


def test_lasting_redness_and_blanching_stop_the_wearing_first(plan):
    for finding in (Finding(kind="blanching", where="fibular-head"), Finding(kind="redness", where="x", minutes=15)):
        assert any("Stop wearing" in p.says and p.step == "seat" for p in propose((finding,), plan, 300.0))


def test_every_proposal_has_a_reason_and_a_source(plan):
    kinds = ("seated-deep", "seated-high", "pistoning", "rotation", "redness", "blanching", "pain", "gap", "other")
    found = tuple(Finding(kind=kind, where="fibular-head", minutes=20) for kind in kinds)
    assert all(p.why and p.source for p in propose(found, plan, 300.0))
