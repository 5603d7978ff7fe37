"""A tuned amount is the amount, whichever way it was said; and a plan used again gives the same files."""

from __future__ import annotations

import re
import shutil
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import rectify
from rectify.case import Case
from rectify.data import demo_folder
from rectify.engine import Outcome, rectify_limb
from rectify.rulebook.plan import Plan
from tests.guarantees.tier import examples
from tests.running import contents

# regions of the patellar-tendon-bearing rulebook that nothing about RB-101 scales, and what tuning may make of them, mm
FREE = {
    "patellar-tendon": (2.0, 7.0),
    "medial-tibial-flare": (1.0, 5.0),
    "anteromedial-tibia": (1.0, 3.0),
    "popliteal": (1.0, 7.0),
    "tibial-crest": (2.0, 4.0),
    "fibular-head": (3.0, 6.0),
    "distal-tibia": (3.0, 7.0),
    "hamstring-medial": (3.0, 8.0),
}


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of a demo case, for rulebooks of its own; without tape, so that no dimension moves an amount."""
    return without_tape(tmp_path_factory.mktemp("tuning"))


def without_tape(place: Path) -> Path:
    folder = Path(shutil.copytree(demo_folder() / "RB-101", place / "RB-101"))
    text = (folder / "case.yaml").read_text()
    (folder / "case.yaml").write_text(re.sub(r"tape:\n(  - .*\n)+", "", text))
    return folder


@cache
def opened(folder: Path) -> Case:
    return rectify.open_case(folder)


def amounts() -> st.SearchStrategy[dict[str, float]]:
    """One to three regions and an amount for each: tenths of a mm, as a person writes them."""
    one = st.sampled_from(list(FREE)).flatmap(
        lambda name: st.tuples(
            st.just(name), st.integers(round(10 * FREE[name][0]), round(10 * FREE[name][1])).map(lambda n: n / 10)
        )
    )
    return st.lists(one, min_size=1, max_size=3, unique_by=lambda pair: pair[0]).map(dict)


def own_rulebook(folder: Path, values: dict[str, float]) -> Path:
    """The shipped rulebook with these amounts written into it."""
    regions = "\n".join(f"  {name}: {{amount: {mm:g} mm}}" for name, mm in values.items())
    book = folder / "own.yaml"
    book.write_text(
        "format: 1\nextends: transtibial-patellar-tendon-bearing\nname: Own amounts\nstatus: usable\nrevision: 1\n"
        f"regions:\n{regions}\n"
    )
    return book


def done(case: Case, plan: Plan) -> Outcome:
    return rectify_limb(case.limb, plan)


@examples(5)
@given(amounts())
def test_a_set_is_the_same_as_a_rulebook_with_that_amount(place, values):
    case = opened(place)
    sets = [f"{name}.amount={mm:g}mm" for name, mm in values.items()]
    by_set = done(case, case.plan(sets=sets, by="KW", why="tried"))
    by_book = done(case, case.plan(own_rulebook(place, values)))
    assert by_set.mesh.vertices.tobytes() == by_book.mesh.vertices.tobytes()
    for one, two in zip(by_set.regions, by_book.regions, strict=True):
        assert one.region.asked_mm == two.region.asked_mm and one.volume_ml == two.volume_ml
        if one.region.name in values:
            assert one.region.asked_mm == values[one.region.name]


@examples(4)
@given(amounts())
def test_a_change_is_the_same_as_the_amount_it_comes_to(place, values):
    case = opened(place)
    plain = {region.name: region.asked_mm for region in case.plan().regions}
    by_amount = case.plan(sets=[f"{n}.amount={mm:g}mm" for n, mm in values.items()], by="KW", why="tried")
    changes = [f"{n}.change={mm - plain[n]:+.9f}mm" for n, mm in values.items() if mm != plain[n]]
    if not changes:
        return
    by_change = case.plan(sets=changes, by="KW", why="tried")
    one, two = done(case, by_amount), done(case, by_change)
    assert np.abs(one.mesh.vertices - two.mesh.vertices).max() < 1e-6  # mm: nine decimals of the change
    asked = {r.name: r.asked_mm for r in by_change.regions}
    assert all(asked[name] == pytest.approx(mm, abs=1e-8) for name, mm in values.items())


@examples(4)
@given(amounts())
def test_what_is_not_tuned_keeps_its_amount_and_its_place(place, values):
    case = opened(place)
    plain, tuned = case.plan(), case.plan(sets=[f"{n}.amount={v:g}mm" for n, v in values.items()], by="KW", why="so")
    assert [r.name for r in plain.regions] == [r.name for r in tuned.regions]
    for one, two in zip(plain.regions, tuned.regions, strict=True):
        if one.name not in values:
            assert one == two
        else:
            assert two.anchor == one.anchor and two.shape == one.shape and two.rulebook_mm == one.rulebook_mm


def entry(name: str, mm: float) -> str:
    said = f"regions: {{{name}: {{amount: {mm:g} mm}}}}"
    return f"  - {{by: KW-cpo, on: 2026-03-12, after: fitting-1, why: redness, {said}}}\n"


def test_the_later_of_two_tunings_counts_and_both_are_kept(tmp_path):
    folder = without_tape(tmp_path)
    alone = opened(folder).plan(sets=["fibular-head.amount=4.5mm"], by="KW", why="redness")
    text = (folder / "case.yaml").read_text()
    (folder / "case.yaml").write_text(text + "tune:\n" + entry("fibular-head", 5.5) + entry("fibular-head", 4.5))
    case = rectify.open_case(folder)
    twice = case.plan()
    assert done(case, twice).mesh.vertices.tobytes() == done(case, alone).mesh.vertices.tobytes()
    head = next(region for region in twice.regions if region.name == "fibular-head")
    assert len(head.tuned) == 2 and len(twice.tune) == 2


SETS = {
    "RB-101": ("fibular-head.amount=4.7mm", "popliteal.change=-1.3mm", "patellar-tendon.amount=1/4in"),
    "RB-103": ("tibial-crest.change=+0.35mm",),
    "RB-105": (),
}


@pytest.mark.parametrize("code", SETS)
def test_a_plan_used_again_gives_the_same_stl_3mf_and_plan(tmp_path, code):
    folder = Path(shutil.copytree(demo_folder() / code, tmp_path / code))
    how = {"by": "KW", "why": "tried", "on": "2026-11-20"} if SETS[code] else {}
    first = rectify.apply(rectify.open_case(folder), sets=SETS[code], **how)
    first.save(tmp_path / "first", without=("page",))
    plan = tmp_path / "first" / "plan.yaml"
    # whatever the case says of tunings afterwards, the plan is taken as it stands
    text = (folder / "case.yaml").read_text()
    (folder / "case.yaml").write_text(text + ("tune:\n" + entry("fibular-head", 3.2) if code == "RB-101" else ""))
    second = rectify.apply(rectify.open_case(folder), plan)
    second.save(tmp_path / "second", without=("page",))
    one, two = contents(tmp_path / "first"), contents(tmp_path / "second")
    same = [name for name in one if name.endswith((".stl", ".3mf", "trimline.json", "plan.yaml"))]
    assert len(same) >= 3
    for name in same:
        assert one[name] == two[name], name
    # and once more from the second plan, put inside the case's folder
    shutil.copy(tmp_path / "second" / "plan.yaml", folder / "again.yaml")
    third = rectify.apply(rectify.open_case(folder), folder / "again.yaml")
    assert third.mesh.vertices.tobytes() == first.mesh.vertices.tobytes()
