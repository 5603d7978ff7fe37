"""What does not depend on the mesh or the amount: bits that stay, amounts of zero, more that is more, order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import assume, given
from hypothesis import strategies as st

from rectify.rulebook.plan import Plan
from tests.guarantees.drawn import LIMBS, limb, plans, rectified, regions
from tests.guarantees.tier import examples
from tests.made import plan


def on_a_limb(**options: object) -> st.SearchStrategy[tuple[str, Plan]]:
    return st.sampled_from(list(LIMBS)).flatmap(lambda name: st.tuples(st.just(name), plans(limb(name), **options)))


def bits(points: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(points).view(np.uint64)


@examples(14)
@given(on_a_limb())
def test_vertices_that_nothing_touches_keep_their_bits(drawn):
    one, what = limb(drawn[0]), drawn[1]
    outcome = rectified(one, what)
    assume(outcome is not None)
    still = (outcome.asked.weight == 0).all(axis=0)
    if outcome.asked.overall is not None:
        still &= (outcome.asked.overall.move == 0).all(axis=1)
    if what.end is not None and what.end.amount_mm > 0:
        still &= -one.mesh.vertices[:, 2] <= what.end.from_level_mm - 40.0  # above it, and above its blend
    assert np.array_equal(bits(outcome.mesh.vertices[still]), bits(one.mesh.vertices[still]))
    assert outcome.mesh.faces is one.mesh.faces or np.array_equal(outcome.mesh.faces, one.mesh.faces)


def emptied(what: Plan) -> Plan:
    """The same plan with every amount at zero."""
    return replace(
        what,
        regions=tuple(replace(r, asked_mm=0.0, rulebook_mm=0.0, measured_from="reduced") for r in what.regions),
        overall=what.overall and replace(what.overall, rows=tuple(replace(r, percent=0.0) for r in what.overall.rows)),
        end=what.end and replace(what.end, amount_mm=0.0),
    )


@examples(10)
@given(on_a_limb())
def test_amounts_of_zero_change_no_bit(drawn):
    one, what = limb(drawn[0]), emptied(drawn[1])
    outcome = rectified(one, what)
    assume(outcome is not None)
    assert np.array_equal(bits(outcome.mesh.vertices), bits(one.mesh.vertices))
    assert outcome.volumes.change_ml == 0.0 and outcome.guarded.rounds == 0
    assert all(found.volume_ml == 0.0 and not found.backed_off for found in outcome.regions)


@examples(10)
@given(st.data())
def test_more_asked_is_more_done_at_every_vertex(data):
    name = data.draw(st.sampled_from(list(LIMBS)))
    one = limb(name)
    what = data.draw(plans(one, 3.0, overall=False))
    what = replace(what, regions=tuple(replace(r, measured_from="reduced") for r in what.regions))
    more = data.draw(st.floats(0.05, 2.0))
    first = what.regions[0]
    grown = replace(what, regions=(replace(first, asked_mm=first.asked_mm + more), *what.regions[1:]))
    one_outcome, two_outcome = rectified(one, what), rectified(one, grown)
    assume(one_outcome is not None and two_outcome is not None)
    assume(one_outcome.guarded.rounds == two_outcome.guarded.rounds == 0)
    gain = two_outcome.move - one_outcome.move
    if first.action == "build-up":
        assert gain.min() >= -1e-9  # mm, rounding
    else:
        assert gain.max() <= 1e-9
    assert np.abs(gain).max() <= more + 1e-9
    # by region: more volume of its own kind, and at its core no less
    sign = 1.0 if first.action == "build-up" else -1.0
    assert sign * (two_outcome.regions[0].volume_ml - one_outcome.regions[0].volume_ml) >= -1e-9


@examples(10)
@given(st.data())
def test_where_the_guard_steps_in_more_asked_is_never_much_less_done(data):
    # backing off may cost more of a steeper move, but the core of a region that asks more must not fall far below
    one = limb(data.draw(st.sampled_from(["usual", "bulbous", "short, left"])))
    region = data.draw(regions(one, "one", 8.0))
    amounts = [4.0, 8.0, 12.0]
    got = [rectified(one, plan(replace(region, asked_mm=mm))) for mm in amounts]
    assume(all(outcome is not None and outcome.regions[0].core_vertices for outcome in got))
    done = [outcome.regions[0].achieved_mm for outcome in got]
    assert done[1] >= 0.8 * done[0] and done[2] >= 0.8 * done[1]


@examples(10)
@given(on_a_limb(), st.randoms(use_true_random=False))
def test_the_order_of_regions_does_not_matter(drawn, random):
    one, what = limb(drawn[0]), drawn[1]
    order = list(range(len(what.regions)))
    random.shuffle(order)
    assume(order != sorted(order))
    shuffled = replace(what, regions=tuple(what.regions[i] for i in order))
    first, second = rectified(one, what), rectified(one, shuffled)
    assume(first is not None)
    assert np.abs(first.mesh.vertices - second.mesh.vertices).max() < 1e-9  # mm: sums in another order
    by_name = {found.region.name: found for found in second.regions}
    for found in first.regions:
        other = by_name[found.region.name]
        assert abs(found.volume_ml - other.volume_ml) < 1e-9
        assert found.backed_off == other.backed_off and found.core_vertices == other.core_vertices
    assert sorted(w.where for w in first.warnings) == sorted(w.where for w in second.warnings)
