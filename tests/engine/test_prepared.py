"""An amount turned up and down on a prepared limb, against rectifying it anew."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rectify.engine import prepare, rectify_limb
from rectify.engine.field import ask
from rectify.errors import RulesError
from rectify.limb.spot import Spot
from tests.made import assert_sound_outcome, build_up, overall, plan, reduction


def two_regions(**more):
    """A build-up in front and a reduction behind that do not meet."""
    return (build_up("crest", 3.0, Spot(40.0, 0.0), **more), reduction("popliteal", 4.0, Spot(30.0, 180.0)))


PLANS = {
    "regions alone": plan(*two_regions()),
    "on a reduced wall": plan(*two_regions(), overall=overall((-20.0, 3.0), (120.0, 3.0))),
    "true of the finished model": plan(
        *two_regions(), overall=overall((-20.0, 3.0), (120.0, 3.0), holds="finished")
    ),
    "from the capture": plan(*two_regions(measured_from="capture"), overall=overall((-20.0, 3.0), (120.0, 3.0))),
}


@pytest.mark.parametrize("name", PLANS)
def test_other_amounts_give_what_rectifying_anew_gives_to_the_bit(capsule_limb, name):
    prepared = prepare(capsule_limb, PLANS[name])
    for amounts in ({"crest": 4.5}, {"crest": 0.0, "popliteal": 6.0}, {}):
        anew = rectify_limb(capsule_limb, prepared.with_amounts(amounts))
        kept = prepared.guaranteed(amounts)
        assert np.array_equal(kept.mesh.vertices, anew.mesh.vertices)
        assert [r.achieved_mm for r in kept.regions] == [r.achieved_mm for r in anew.regions]
        assert kept.volumes == anew.volumes and kept.checks == anew.checks
        assert_sound_outcome(kept)
        # nothing backs off here, so what was asked is what came
        assert anew.guarded.rounds == 0
        assert np.abs(prepared.retuned(amounts) - anew.mesh.vertices).max() < 1e-12  # mm, rounding only


def test_what_is_asked_has_not_seen_the_guard_and_what_is_guaranteed_has(ridge_limb):
    prepared = prepare(ridge_limb, plan(reduction("ridge", 1.0, Spot(70.0, 0.0))))
    amounts = {"ridge": 9.0}  # more than the ridge is wide
    asked = prepared.retuned(amounts)
    outcome = prepared.guaranteed(amounts)
    assert outcome.guarded.rounds > 0
    anew = ask(ridge_limb, prepared.with_amounts(amounts))
    assert np.array_equal(asked, anew.base + anew.step)
    assert not np.array_equal(asked, outcome.mesh.vertices)
    assert_sound_outcome(outcome)


def test_the_plan_that_was_prepared_stays_as_it_was(capsule_limb):
    before = PLANS["regions alone"]
    prepared = prepare(capsule_limb, before)
    first = prepared.retuned({})
    prepared.retuned({"crest": 9.0})
    assert prepared.plan == before
    assert np.array_equal(prepared.retuned({}), first)


@pytest.mark.parametrize(
    ("amounts", "text"),
    [
        ({"crst": 3.0}, "no such region in the plan"),
        ({"crest": -1.0}, "is no amount"),
        ({"crest": float("nan")}, "is no amount"),
    ],
)
def test_what_cannot_be_is_refused(capsule_limb, amounts, text):
    prepared = prepare(capsule_limb, PLANS["regions alone"])
    with pytest.raises(RulesError, match=text):
        prepared.retuned(amounts)
    with pytest.raises(RulesError, match=text):
        prepared.guaranteed(amounts)


def test_walls_that_are_formed_are_formed_anew(capsule_limb):
    from rectify.rulebook.plan import Band, Form

    band = Band(20.0, 70.0)
    base = build_up("squeeze", 4.0, Spot(45.0, 0.0), shape=band)
    squeezed = replace(base, action="squeeze", form=Form(narrow="ml"))
    prepared = prepare(capsule_limb, plan(squeezed, *two_regions()))
    for amounts in ({"squeeze": 6.0}, {"crest": 5.0}):
        anew = ask(capsule_limb, prepared.with_amounts(amounts))
        # the step is added where it is not nothing, so that what stays keeps its bits
        assert np.abs(prepared.retuned(amounts) - (anew.base + anew.step)).max() < 1e-12
