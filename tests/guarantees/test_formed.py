"""Walls that are formed, drawn at random with everything else beside them: sound whatever is asked, and told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import assume, given
from hypothesis import strategies as st

from rectify.engine import Outcome
from rectify.limb.limb import Limb
from rectify.limb.spot import Spot
from rectify.rulebook.plan import FORMING, Band, Form, Oval, Plan, RegionPlan, Sector
from tests import made
from tests.guarantees.drawn import LIMBS, limb, plans, rectified
from tests.guarantees.test_poses import SAME_MM, assert_same, mirrored
from tests.guarantees.test_sound import assert_guaranteed, counted
from tests.guarantees.tier import examples


@st.composite
def walls(draw: st.DrawFn, one: Limb, name: str, most_mm: float) -> RegionPlan:
    """One wall to be formed: squeezed, flattened, raised or a seat, anywhere it makes sense and somewhat beyond."""
    action = draw(st.sampled_from(FORMING))
    top = float(one.profile.levels[one.profile.closed][0])
    low = max(one.inflection_mm, top + 60.0)
    angle, mm = draw(st.floats(-180.0, 180.0)), draw(st.floats(0.0, most_mm))
    corner, tilt = draw(st.floats(0.0, 8.0)), draw(st.floats(-10.0, 10.0))
    if action == "squeeze":
        start = draw(st.floats(top + 20.0, (top + low) / 2))
        shape: object = Band(start, start + draw(st.floats(30.0, 80.0)))
        at, form = Spot(start + 20.0, 0.0), Form(narrow=draw(st.sampled_from(["ml", "ap"])))
    else:
        level = draw(st.floats(top + 15.0, low)) if action == "flatten" else draw(st.floats(top, top + 40.0))
        at = Spot(level, angle)
        shape = Sector(draw(st.floats(25.0, 90.0)))
        if action == "flatten":
            shape = Oval(draw(st.floats(40.0, 120.0)), draw(st.floats(40.0, 120.0)))
        reach = draw(st.floats(2.0, 20.0))
        form = Form(angle, tilt, in_mm=reach, out_mm=draw(st.floats(0.0, 12.0)), corner_mm=corner)
    feather = draw(st.floats(10.0, 35.0))
    return made.region(name, action, mm, at, shape, feather, blend="outside", form=form)


@st.composite
def formed_plans(draw: st.DrawFn, one: Limb, most_mm: float) -> Plan:
    """A plan as any other, trimline and all, and one to three walls."""
    base = draw(plans(one, 5.0, brim=True))
    more = [draw(walls(one, f"wall-{i}", most_mm)) for i in range(draw(st.integers(1, 3)))]
    kept = base.regions[: draw(st.integers(0, 2))]
    return replace(base, regions=(*kept, *more))


def on_a_limb(most_mm: float) -> st.SearchStrategy[tuple[str, Plan]]:
    return st.sampled_from(list(LIMBS)).flatmap(
        lambda name: st.tuples(st.just(name), formed_plans(limb(name), most_mm))
    )


def test_any_walls_on_any_limb_give_a_sound_model(tell):
    outcomes: list[Outcome | None] = []

    @examples(24)
    @given(on_a_limb(12.0))
    def run(drawn: tuple[str, Plan]) -> None:
        outcome = rectified(limb(drawn[0]), drawn[1])
        outcomes.append(outcome)
        assume(outcome is not None)
        assert_guaranteed(outcome)
        held = outcome.guarded.formed
        assert held.min() >= 0.0 and held.max() <= 1.0
        assert (held.min() < 1.0) == any(w.code == "form-backed-off" for w in outcome.warnings)

    run()
    counted(tell, outcomes, "walls formed at random")
    assert sum(o is not None for o in outcomes) * 2 >= len(outcomes)


@examples(8)
@given(on_a_limb(10.0))
def test_the_mirrored_limb_gives_the_mirrored_walls(drawn):
    name, what = drawn
    one, two = rectified(limb(name), what), rectified(mirrored(name), what)
    assume(one is not None)
    assert_same(one, two, made.MIRROR, SAME_MM)  # planes and squeezes are solved to less


@examples(8)
@given(on_a_limb(10.0))
def test_vertices_that_no_wall_and_no_region_touches_keep_their_bits(drawn):
    one, what = limb(drawn[0]), replace(drawn[1], overall=None, end=None, brim=None)
    outcome = rectified(one, what)
    assume(outcome is not None)
    still = (outcome.asked.weight == 0).all(axis=0)
    assert np.array_equal(outcome.mesh.vertices[still], one.mesh.vertices[still])
