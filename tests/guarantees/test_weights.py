"""A region's weight at a vertex is what its outline says, wherever the vertex lies and however it was looked for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rectify.engine.field import ask
from rectify.errors import Faults
from rectify.limb.spot import Spot
from rectify.rulebook.plan import EndCap, Oval
from tests.guarantees.drawn import LIMBS, limb, plans, rectified
from tests.guarantees.tier import examples
from tests.made import build_up, plan, reduction


@examples(30)
@given(st.sampled_from(list(LIMBS)).flatmap(lambda name: st.tuples(st.just(name), plans(limb(name), overall=False))))
def test_the_weight_of_a_vertex_is_the_same_looked_for_near_and_everywhere(drawn):
    one, what = limb(drawn[0]), drawn[1]
    try:
        asked = ask(one, what)
    except Faults:
        assume(False)
    stations, angles = one.chart.locate(one.mesh.vertices)
    for region, weight, near in zip(what.regions, asked.weights, asked.weight, strict=True):
        everywhere = weight.at(stations, angles)
        assert np.abs(near - everywhere).max() < 1e-12, region.shape
        assert near.min() >= 0.0 and near.max() <= 1.0


@pytest.mark.parametrize("name", ["usual", "thin, conical", "bulbous", "thigh"])
@pytest.mark.parametrize(("reach", "feather"), [(25.0, 18.0), (40.0, 12.0), (60.0, 14.0), (110.0, 8.0)])
@pytest.mark.parametrize("make", [build_up, reduction])
def test_an_end_cap_has_its_whole_weight_at_the_pole_and_falls_off_evenly(name, reach, feather, make):
    one = limb(name)
    pole = Spot(one.chart.pole_mm, 0.0)
    asked = ask(one, plan(make("end", 2.0, pole, EndCap(reach), feather)))
    to_pole = one.chart.to_pole(*one.chart.locate(one.mesh.vertices))
    full = reach if make is build_up else reach - feather
    assert (asked.weight[0][to_pole < full - 0.5] == 1.0).all()
    order = np.argsort(to_pole)
    assert (np.diff(asked.weight[0][order]) <= 1e-9).all()  # a function of the way to the pole alone


@pytest.mark.parametrize("across", [36.0, 60.0, 80.0])
def test_an_oval_round_the_pole_has_no_hole(across):
    one = limb("usual")
    at = replace(one.landmarks["distal-end"].spots[0])
    asked = ask(one, plan(build_up("end", 2.0, at, Oval(across, across), 8.0)))
    to_pole = one.chart.to_pole(*one.chart.locate(one.mesh.vertices))
    assert (asked.weight[0][to_pole < 0.4 * across] == 1.0).all()


def test_a_pad_over_the_end_is_as_thick_at_the_tip_as_beside_it():
    one = limb("bulbous")
    outcome = rectified(one, plan(build_up("pad", 4.0, Spot(one.chart.pole_mm, 0.0), EndCap(45.0), 14.0)))
    to_pole = one.chart.to_pole(*one.chart.locate(one.mesh.vertices))
    assert outcome.guarded.rounds == 0
    assert outcome.move[to_pole < 44.0] == pytest.approx(4.0, abs=1e-9)
