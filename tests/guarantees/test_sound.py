"""Whatever is asked of whatever limb: closed, outward, one body, no face turned over, no face through another."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rectify.engine import Outcome
from rectify.geometry.crossings import crossing_faces
from rectify.rulebook import list_rulebooks
from rectify.rulebook.plan import Plan
from tests import made
from tests.guarantees.drawn import BOOKS, LIMBS, book_plans, limb, plans, rectified
from tests.guarantees.tier import examples

LOST_MM = 1e-6  # what is lost less than that is not told


def lost_mm(outcome: Outcome, i: int) -> np.ndarray:
    """(n,) mm that each vertex lost of what region i asked of it."""
    region, guarded, asked = outcome.plan.regions[i], outcome.guarded, outcome.asked
    if region.forms:
        stage = next(stage for stage in asked.stages if stage.region == i)
        return (1.0 - guarded.formed) * np.linalg.norm(stage.after - stage.before, axis=1)
    normals, amount = asked.normals, region.asked_mm * (1.0 if region.action == "build-up" else -1.0)
    step = amount * normals
    if region.measured_from == "capture":  # to so far from the capture, wherever the reduced surface lies
        step = amount * asked.places.normals - (asked.base - asked.form - asked.capture)
    return (1.0 - guarded.share) * asked.share[i] * np.linalg.norm(step, axis=1)


def assert_guaranteed(outcome: Outcome) -> None:
    """Everything that is promised of an outcome, counted anew and by looking at every face."""
    made.assert_sound_outcome(outcome)
    known, now = crossing_faces(outcome.limb.closed), crossing_faces(outcome.closed)
    assert len(np.setdiff1d(now, known)) == 0, "faces pass through others that did not in the capture"
    assert outcome.checks.self_intersections == len(now)
    share = outcome.guarded.share
    assert share.min() >= 0.0 and share.max() <= 1.0
    # no vertex goes farther from the reduced surface than all regions together ask
    step = np.linalg.norm(outcome.mesh.vertices - outcome.asked.base, axis=1)
    assert (step <= np.linalg.norm(outcome.asked.step, axis=1) + 1e-9).all()
    # what was backed off is told, region by region, and nothing else is said to be
    told = {w.where.removeprefix("regions.") for w in outcome.warnings if w.code == "backed-off"}
    assert told == {r.region.name for r in outcome.regions if r.backed_off}
    _, angles = outcome.limb.chart.locate(outcome.limb.mesh.vertices)
    for i, found in enumerate(outcome.regions):
        lost = lost_mm(outcome, i)
        assert found.backed_off == bool(lost.max() > LOST_MM)
        if found.lost is not None:  # a vertex of the region lies where it says, and lost as much as any
            level, turn = -outcome.limb.mesh.vertices[:, 2], (angles - found.lost.angle_deg + 180.0) % 360.0 - 180.0
            there = (np.abs(level - found.lost.level_mm) < 1e-6) & (np.abs(turn) < 1e-6)
            assert lost[there].max() == pytest.approx(found.lost.mm, abs=1e-9)
            assert found.lost.mm == pytest.approx(lost.max(), abs=1e-9)


def counted(tell, outcomes: list[Outcome | None], what: str) -> None:
    done = [o for o in outcomes if o is not None]
    backed = sum(o.guarded.rounds > 0 for o in done)
    tell(f"{what}: {len(done)} sound, {backed} of them after backing off, {len(outcomes) - len(done)} refused")


@pytest.mark.parametrize("name", LIMBS)
def test_any_plan_on_any_limb_gives_a_sound_model(name, tell):
    outcomes: list[Outcome | None] = []

    @examples(3)
    @given(plans(limb(name), brim=True))
    def run(what: Plan) -> None:
        outcomes.append(rectified(limb(name), what))
        if outcomes[-1] is not None:
            assert_guaranteed(outcomes[-1])

    run()
    counted(tell, outcomes, f"plans at random, {name}")


def test_amounts_no_rulebook_would_ask_for_still_give_a_sound_model(tell):
    outcomes: list[Outcome | None] = []

    @examples(20)
    @given(st.sampled_from(list(LIMBS)).flatmap(lambda n: st.tuples(st.just(n), plans(limb(n), 20.0, brim=True))))
    def run(drawn: tuple[str, Plan]) -> None:
        outcomes.append(rectified(limb(drawn[0]), drawn[1]))
        if outcomes[-1] is not None:
            assert_guaranteed(outcomes[-1])

    run()
    counted(tell, outcomes, "plans of up to 20 mm")
    assert sum(o is not None and o.guarded.rounds > 0 for o in outcomes) >= 3  # the guard was needed


def test_any_shipped_rulebook_on_any_limb_gives_a_sound_model(tell):
    outcomes: list[Outcome | None] = []

    @examples(14)
    @given(book_plans())
    def run(drawn: tuple[str, Plan]) -> None:
        outcomes.append(rectified(limb(drawn[0]), drawn[1]))
        if outcomes[-1] is not None:
            assert_guaranteed(outcomes[-1])

    run()
    counted(tell, outcomes, "shipped rulebooks")


def test_every_shipped_rulebook_is_among_those_tried():
    tried = {book for books in BOOKS.values() for book in books}
    assert tried == {book for book in list_rulebooks() if not book.endswith("-base")}
    assert len(BOOKS) == 6 and all(BOOKS.values())
