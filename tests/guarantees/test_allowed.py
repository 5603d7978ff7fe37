"""Every shipped rulebook on limbs of its kind, tuned anywhere it allows: sound, within its limits or said not to be."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import assume, given
from hypothesis import strategies as st

from rectify.engine import Outcome, rectify_limb
from rectify.rulebook.facts import Facts
from rectify.rulebook.plan import Plan
from tests.guarantees.books import BOOKS, LIMBS, facts, limb_for, limbs_for, resolved, shares, tuned
from tests.guarantees.drawn import rectified
from tests.guarantees.test_sound import assert_guaranteed, counted
from tests.guarantees.tier import examples

CUT_POINTS = 0.02  # percentage points of volume: a plane cut and capped in another way
NEAR_MM = 0.15  # faces of 5 to 6 mm over bone: what is achieved reads so much too large or small


def sets_of(amounts: dict[str, float]) -> tuple[str, ...]:
    return tuple(f"{name}.amount={mm:.6f}mm" for name, mm in amounts.items())


def assert_within_limits_or_told(outcome: Outcome) -> None:
    """What the rulebook limits, counted anew: where it does not hold, and only there, a breach says so.

    Walls that are formed and the brim's flare are no amounts, and what forms the brim is no volume of the limb.
    """
    limits, told = outcome.plan.limits, {breach.code for breach in outcome.breaches}
    limb, bare = outcome.limb, outcome.limb.closed_over(outcome.unbrimmed.vertices)
    shift = outcome.mesh.vertices - limb.mesh.vertices - outcome.asked.form
    move = (shift * outcome.asked.places.normals).sum(axis=1)
    broken, near = set(), set()
    if limits.reduction_mm is not None and -move.min() > limits.reduction_mm + 1e-5:
        broken.add("limit-reduction")
    if limits.build_up_mm is not None and move.max() > limits.build_up_mm + 1e-5:
        broken.add("limit-build-up")
    if limits.volume_percent is not None:
        cut = {
            "plane_origin": [0.0, 0.0, -outcome.volumes.plane_level_mm],
            "plane_normal": [0.0, 0.0, -1.0],
            "cap": True,
        }
        models = (trimesh.Trimesh(m.vertices, m.faces, process=False) for m in (limb.closed, bare))
        before, after = (model.slice_plane(**cut).volume for model in models)
        percent = 100.0 * (after / before - 1.0)
        assert outcome.volumes.change_percent == pytest.approx(percent, abs=CUT_POINTS)
        low, high = limits.volume_percent
        if not low < percent < high:
            broken.add("limit-volume")
        if min(abs(percent - low), abs(percent - high)) < CUT_POINTS:
            near.add("limit-volume")
    told &= {"limit-reduction", "limit-build-up", "limit-volume"}
    assert broken - near == told - near


def assert_as_asked(outcome: Outcome, amounts: dict[str, float]) -> None:
    """Tuned amounts are what is asked; nothing achieves more than that, and what achieves less has backed off."""
    for found in outcome.regions:
        region = found.region
        if region.name in amounts:
            assert region.asked_mm == pytest.approx(amounts[region.name], abs=1e-5)
            assert region.allow_mm[0] - 1e-6 <= region.asked_mm <= region.allow_mm[1] + 1e-6
        if found.core_vertices:
            assert found.achieved_mm <= region.asked_mm + NEAR_MM, region.name
            assert found.backed_off or found.achieved_mm >= region.asked_mm - max(NEAR_MM, 0.06 * region.asked_mm)


def as_far_as_accepted(book: str, name: str, said: Facts, of_allowed: list[float]) -> tuple[Plan, dict[str, float]]:
    """The tuned plan; where a feather would be too steep, so it is refused, all go back towards the rulebook's own."""
    plain = resolved(book, name, said)
    own = {region.name: region.asked_mm for region in plain.regions}
    amounts = tuned(plain, of_allowed)
    for share in np.linspace(1.0, 0.0, 11):
        these = {region: own[region] + share * (mm - own[region]) for region, mm in amounts.items()}
        plan = resolved(book, name, said, sets_of(these))
        if plan is not None:
            return plan, these
    raise AssertionError(f"{book} on {name}: not even its own amounts are accepted as a tuning")


@pytest.mark.parametrize("book", BOOKS)
def test_at_the_ends_of_what_is_allowed_every_rulebook_gives_a_sound_model(book, tell):
    name = limbs_for(book)[0]
    said = Facts(shaping="pressure" if book == "transtibial-hydrostatic" else "none", tissue="average", liner_mm=0.0)
    done = []
    for of_allowed in ([1.0], [0.0, 1.0]):
        plan, amounts = as_far_as_accepted(book, name, said, of_allowed)
        outcome = rectify_limb(limb_for(book, name), plan)
        assert_guaranteed(outcome)
        assert_within_limits_or_told(outcome)
        assert_as_asked(outcome, amounts)
        done.append(outcome)
    backed = sum(o.guarded.rounds > 0 for o in done)
    over = sum(bool(o.breaches) for o in done)
    tell(
        f"ends of what is allowed, {book}: {len(done)} sound, {backed} after backing off, {over} past a limit and told"
    )


def test_any_rulebook_on_any_limb_tuned_anywhere_it_allows_gives_a_sound_model(tell):
    outcomes: list[Outcome | None] = []

    @examples(24)
    @given(
        st.sampled_from(BOOKS).flatmap(lambda b: st.tuples(st.just(b), st.sampled_from(limbs_for(b)), facts(b))),
        shares(),
    )
    def run(drawn: tuple[str, str, Facts], of_allowed: list[float]) -> None:
        book, name, said = drawn
        plain = resolved(book, name, said)
        amounts = tuned(plain, of_allowed) if plain is not None else {}
        plan = resolved(book, name, said, sets_of(amounts)) if amounts else plain
        outcome = rectified(limb_for(book, name), plan) if plan is not None else None
        outcomes.append(outcome)
        assume(outcome is not None)
        assert_guaranteed(outcome)
        assert_within_limits_or_told(outcome)
        assert_as_asked(outcome, amounts)

    run()
    counted(tell, outcomes, "rulebooks tuned within what they allow")
    assert sum(o is not None for o in outcomes) * 2 >= len(outcomes)  # not too many may be refused


def test_there_is_a_limb_for_every_rulebook():
    assert all(limbs_for(book) for book in BOOKS) and len(BOOKS) >= 12
    assert {name for book in BOOKS for name in limbs_for(book)} == set(LIMBS)
