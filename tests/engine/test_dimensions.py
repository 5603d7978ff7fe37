"""Dimensions: amounts are moved until the shape measures what was asked, by as little as does it, and never too far.

Oracles: a cylinder, on which a front and a back region take their amounts off AP and a band takes 2 pi times its own
off the tape; the finished model measured anew by the engine; the plan written down and carried out again.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import rectify
from rectify.data import demo_folder
from rectify.engine.apply import Outcome, rectify_limb
from rectify.engine.dimensions import solve_dimensions
from rectify.limb.limb import Limb
from rectify.limb.spot import Spot
from rectify.rulebook.facts import Facts, TapeValue
from rectify.rulebook.load import load_rulebook
from rectify.rulebook.plan import Band, Dimension, Limits, Oval, Plan, Solution
from rectify.rulebook.resolve import resolve
from rectify.rulebook.tuning import read_tune
from rectify.rulebook.write import plan_from_yaml, plan_to_yaml
from tests.made import build_up, mirror_of, overall, plan, reduction, region

REAL = Path(__file__).resolve().parents[2].parent / "shared" / "limbs" / "tt-right-medium"
PTB = "transtibial-patellar-tendon-bearing"
FRONT, BACK = Spot(60.0, 0.0), Spot(60.0, 180.0)
TENTH = 0.05 + 1e-9  # mm: half the step amounts come in


def front(mm: float = 3.0, allow: tuple[float, float] = (0.0, 6.0), **more: object):
    return reduction("front", mm, FRONT, Oval(44.0, 44.0), 16.0, allow_mm=allow, **more)


def back(mm: float = 3.0, allow: tuple[float, float] = (0.0, 6.0), **more: object):
    return reduction("back", mm, BACK, Oval(44.0, 44.0), 16.0, allow_mm=allow, **more)


def tips(target: float | None, by: tuple[str, ...] = ("front", "back"), within: float = 0.5) -> Dimension:
    """AP between the front and the back of the cylinder: 100 mm less the two amounts."""
    return Dimension("ap", 60.0, "there", target, by, within, between=(FRONT, BACK))


def jaws(target: float | None, by: tuple[str, ...], within: float = 0.5, measure: str = "ap") -> Dimension:
    return Dimension(measure, 60.0, "there", target, by, within)


def carried_out(limb: Limb, made: Plan, solution: Solution) -> Outcome:
    """The plan with the solved amounts, rectified."""
    amounts = {name: solved.amount_mm for name, solved in solution.regions.items()}
    regions = tuple(replace(r, asked_mm=amounts.get(r.name, r.asked_mm)) for r in made.regions)
    return rectify_limb(limb, replace(made, regions=regions))


def amounts_of(solution: Solution) -> dict[str, float]:
    return {name: solved.amount_mm for name, solved in solution.regions.items()}


# -- on a cylinder --------------------------------------------------------------------------------


@pytest.mark.parametrize("target", [90.0, 92.0, 96.0, 98.0])
def test_two_regions_share_what_is_to_be_moved_and_the_model_measures_it(capsule_limb: Limb, target: float) -> None:
    made = plan(front(), back(), dimensions=(tips(target),))
    solution = solve_dimensions(capsule_limb, made)
    each = (100.0 - target) / 2  # the smallest change in all goes half and half
    assert amounts_of(solution) == pytest.approx({"front": each, "back": each}, abs=TENTH)
    (outcome,) = carried_out(capsule_limb, made, solution).dimensions
    assert outcome.before_mm == pytest.approx(100.0, abs=0.03)  # mm: chords of 3 mm on a radius of 50
    assert outcome.after_mm == pytest.approx(target, abs=0.1) and outcome.met


def test_what_is_near_enough_moves_nothing(capsule_limb: Limb) -> None:
    solution = solve_dimensions(capsule_limb, plan(front(), back(), dimensions=(tips(94.4),)))
    assert solution.regions == {} and solution.reasons == (
        "near enough by the rulebook's amounts: nothing was moved for it",
    )


def test_a_region_stops_at_the_end_of_its_allow_and_the_other_goes_on(capsule_limb: Limb) -> None:
    made = plan(front(allow=(0.0, 4.0)), back(), dimensions=(tips(91.0),))
    solution = solve_dimensions(capsule_limb, made)
    assert amounts_of(solution) == pytest.approx({"front": 4.0, "back": 5.0}, abs=TENTH)
    assert solution.reasons == ("front 3 mm -> 4 mm, the most it may be; back 3 mm -> 5 mm",)
    assert carried_out(capsule_limb, made, solution).dimensions[0].met


@pytest.mark.parametrize(("target", "amount", "word"), [(80.0, 6.0, "most"), (120.0, 1.0, "least")])
def test_what_cannot_be_met_goes_to_the_ends_and_says_so(
    capsule_limb: Limb, target: float, amount: float, word: str
) -> None:
    made = plan(front(allow=(1.0, 6.0)), back(allow=(1.0, 6.0)), dimensions=(tips(target),))
    solution = solve_dimensions(capsule_limb, made)
    assert amounts_of(solution) == {"front": amount, "back": amount}
    assert solution.reasons[0].count(f"the {word} it may be") == 2
    assert carried_out(capsule_limb, made, solution).dimensions[0].met is False


def test_a_build_up_moves_the_other_way(capsule_limb: Limb) -> None:
    made = plan(
        build_up("front", 3.0, FRONT, Oval(30.0, 30.0), allow_mm=(0.0, 6.0)),
        dimensions=(tips(105.0, ("front",)),),
    )
    assert amounts_of(solve_dimensions(capsule_limb, made)) == pytest.approx({"front": 5.0}, abs=TENTH)


def test_a_band_is_set_by_the_tape_in_closed_form(capsule_limb: Limb) -> None:
    band = reduction("band", 2.0, Spot(60.0, 0.0), Band(30.0, 90.0), 15.0, allow_mm=(0.0, 6.0))
    made = plan(band, dimensions=(jaws(290.0, ("band",), measure="circumference"),))
    solution = solve_dimensions(capsule_limb, made)
    assert amounts_of(solution) == pytest.approx({"band": 50.0 - 290.0 / (2 * np.pi)}, abs=TENTH)
    assert carried_out(capsule_limb, made, solution).dimensions[0].after_mm == pytest.approx(290.0, abs=0.4)


def test_limits_and_what_the_overall_reduction_already_took_count(capsule_limb: Limb) -> None:
    """5 % of circumference moves the wall 2.5 mm inward: of a limit of 6 mm, 3.5 are left."""
    made = plan(
        front(),
        back(),
        overall=overall((0.0, 5.0), (100.0, 5.0)),
        dimensions=(tips(80.0),),
        limits=Limits(reduction_mm=6.0),
    )
    amounts = amounts_of(solve_dimensions(capsule_limb, made))
    assert amounts == pytest.approx({"front": 3.5, "back": 3.5}, abs=0.06)  # mm: the wall's move is solved to 0.01
    assert carried_out(capsule_limb, made, solve_dimensions(capsule_limb, made)).breaches == ()


def test_no_amount_passes_the_steepest_slope_that_its_feather_carries(capsule_limb: Limb) -> None:
    """45 degrees over a feather of 8 mm: 8 / 1.875 = 4.27 mm (closed form of the quintic blend)."""
    steep = reduction("front", 3.0, FRONT, Oval(44.0, 44.0), 8.0, allow_mm=(0.0, 6.0))
    amounts = amounts_of(solve_dimensions(capsule_limb, plan(steep, dimensions=(tips(90.0, ("front",)),))))
    assert amounts["front"] == pytest.approx(8.0 / 1.875, abs=TENTH) and amounts["front"] <= 8.0 / 1.875


def test_wide_jaws_touch_beside_a_narrow_groove_and_more_of_it_is_not_asked_for(capsule_limb: Limb) -> None:
    """Beside a groove 24 mm wide the cylinder stands 50 cos(12 / 50 rad) = 48.6 mm out: AP cannot fall below 98.6."""
    groove = reduction("front", 1.0, FRONT, Oval(60.0, 24.0), 9.0, allow_mm=(0.0, 4.5))
    solution = solve_dimensions(capsule_limb, plan(groove, dimensions=(jaws(95.0, ("front",)),)))
    (reason,) = solution.reasons
    assert "hardly changes it: the calliper touches at" in reason and "and 180 deg" in reason
    assert amounts_of(solution).get("front", 1.0) < 3.0  # mm: no more than does something


def test_all_dimensions_are_met_together_by_regions_that_serve_several(capsule_limb: Limb) -> None:
    """The front serves both: AP = 100 - f - b = 91 and, 20 mm further down, AP = 100 - f - low = 94, f held by both."""
    wide = reduction("front", 3.0, Spot(70.0, 0.0), Oval(80.0, 44.0), 12.0, allow_mm=(0.0, 6.0))
    low = reduction("low", 1.0, Spot(90.0, 180.0), Oval(30.0, 40.0), 12.0, allow_mm=(0.0, 6.0))
    further = Dimension("ap", 90.0, "low", 94.0, ("front", "low"), 0.3, between=(Spot(90.0, 0.0), Spot(90.0, 180.0)))
    made = plan(wide, back(), low, dimensions=(tips(91.0, within=0.3), further))
    outcome = carried_out(capsule_limb, made, solve_dimensions(capsule_limb, made))
    assert [d.met for d in outcome.dimensions] == [True, True]


def test_a_region_that_no_missed_dimension_names_stays(capsule_limb: Limb) -> None:
    made = plan(front(), back(), dimensions=(tips(92.0, ("front",)),))
    assert amounts_of(solve_dimensions(capsule_limb, made)) == pytest.approx({"front": 5.0}, abs=TENTH)


def test_a_finished_overall_reduction_is_solved_with_the_amounts(capsule_limb: Limb) -> None:
    """The tape is held by the overall reduction, AP by the regions: both are true of the finished model."""
    rows = overall((0.0, 3.0), (100.0, 3.0), holds="finished")
    made = plan(front(), back(), overall=rows, dimensions=(tips(90.0, within=0.3),))
    outcome = carried_out(capsule_limb, made, solve_dimensions(capsule_limb, made))
    assert outcome.dimensions[0].met
    at = int(np.argmin(np.abs(outcome.levels_before.levels - 60.0)))
    before, after = outcome.levels_before.circumference[at], outcome.levels_after.circumference[at]
    assert 100 * (1 - after / before) == pytest.approx(3.0, abs=0.03)  # points


def test_an_open_section_has_no_width_and_tips_on_its_skin_have_one(transfemoral_limb: Limb) -> None:
    level = -40.0  # above the groin: the edge is oblique
    ahead, behind = Spot(level, 60.0), Spot(level, 150.0)
    press = reduction("front", 2.0, ahead, Oval(50.0, 50.0), 20.0, allow_mm=(0.0, 6.0))
    wide = Dimension("ap", level, "wide", 100.0, ("front",), 1.0)
    fine = replace(wide, between=(ahead, behind))
    solution = solve_dimensions(transfemoral_limb, plan(press, dimensions=(wide, fine), amputation="transfemoral"))
    assert solution.reasons[0] == "the section is open at this level: there is nothing to measure"
    assert solution.reasons[1].startswith("front 2 mm -> ")


def test_no_target_or_no_region_is_no_task(capsule_limb: Limb) -> None:
    made = plan(front(), dimensions=(tips(None), tips(90.0, ())))
    assert solve_dimensions(capsule_limb, made) == Solution({}, ("", ""))


# -- the same answer again ------------------------------------------------------------------------


def test_a_mirrored_limb_gets_the_same_amounts(transtibial_limb: Limb) -> None:
    one, two = (
        solve_dimensions(limb, _plan(limb, 104.0).bare) for limb in (transtibial_limb, mirror_of(transtibial_limb))
    )
    assert one.regions and amounts_of(one) == amounts_of(two) and one.reasons == two.reasons


def test_solving_what_was_solved_gives_the_same(transtibial_limb: Limb) -> None:
    made = _plan(transtibial_limb, 104.0)
    assert made.solution.regions and solve_dimensions(transtibial_limb, made.solved) == made.solution


def test_the_plan_keeps_what_was_solved_and_reads_back_equal(transtibial_limb: Limb) -> None:
    solved = _plan(transtibial_limb, 104.0).solved
    bar = next(r for r in solved.regions if r.name == "patellar-tendon")
    assert bar.solved_mm == bar.asked_mm == bar.rulebook_mm + bar.change_mm != bar.rulebook_mm
    (told,) = bar.tuned
    assert told.by == "dimensions" and told.text == f"amount 6 mm -> {bar.asked_mm:g} mm"
    assert "ap at mid-patellar-tendon" in told.why and "104.0 mm" in told.why
    assert plan_from_yaml(plan_to_yaml(solved)) == solved


# -- with a rulebook and its tunings --------------------------------------------------------------


class _Made:
    """A rulebook resolved with a calliper's AP as its target: bare, its solution, and solved."""

    def __init__(self, limb: Limb, ap_mm: float, book: str = PTB, **facts: object) -> None:
        tape = (TapeValue("ap", "mid-patellar-tendon", 0.0, ap_mm, "skin", "tight"),)
        usual = {"shaping": "none", "tissue": "average", "circulation": "normal", "suspension": "sleeve"}
        self.limb, self.book = limb, load_rulebook(book)
        self.facts = Facts(tape=tape, liner_mm=0.0, worn_mm=0.0, **(usual | facts))
        self.bare = self.resolved(bare=True)
        self.solution = solve_dimensions(limb, self.bare)
        self.solved = self.resolved(solution=self.solution)

    def resolved(self, tune: list[dict[str, object]] | None = None, **more: object) -> Plan:
        tunings = read_tune(tune, self.book, lambda _: (None, None))
        return resolve(self.book, self.limb, self.facts, tune=tunings, scan_sha256="0" * 64, **more)


def _plan(limb: Limb, ap_mm: float) -> _Made:
    return _Made(limb, ap_mm)


def _entry(**regions: object) -> dict[str, object]:
    return {
        "by": "AB",
        "on": "2026-01-02",
        "why": "test",
        "regions": {k.replace("_", "-"): v for k, v in regions.items()},
    }


def test_bar_and_hollow_bring_ap_to_the_calliper(transtibial_limb: Limb) -> None:
    made = _plan(transtibial_limb, 104.0)
    found = [rectify_limb(transtibial_limb, p).dimensions[0] for p in (made.resolved(), made.solved)]
    assert [d.met for d in found] == [False, True]
    assert set(made.solution.regions) == {"patellar-tendon", "popliteal"}
    assert found[1].after_mm == pytest.approx(104.0, abs=0.3)  # mm: amounts come in tenths, the surface is curved
    for r in made.solved.regions:
        assert r.allow_mm is None or r.allow_mm[0] <= r.asked_mm <= r.allow_mm[1]


def test_a_change_comes_on_top_of_what_was_solved_and_moves_no_other_region(transtibial_limb: Limb) -> None:
    made = _plan(transtibial_limb, 104.0)
    tune = [_entry(patellar_tendon={"change": "+0.5 mm"}, popliteal={"amount": "2 mm"})]
    assert solve_dimensions(transtibial_limb, made.resolved(tune, bare=True)) == made.solution
    tuned = {r.name: r for r in made.resolved(tune, solution=made.solution).regions}
    solved = {r.name: r for r in made.solved.regions}
    assert tuned["patellar-tendon"].asked_mm == pytest.approx(solved["patellar-tendon"].asked_mm + 0.5)
    assert tuned["popliteal"].asked_mm == 2.0
    assert [t.by for t in tuned["patellar-tendon"].tuned] == ["dimensions", "AB"]
    others = set(solved) - {"patellar-tendon", "popliteal"}
    assert {n: tuned[n].asked_mm for n in others} == {n: solved[n].asked_mm for n in others}


def test_a_tuning_is_judged_by_the_amount_it_changes(transtibial_limb: Limb) -> None:
    """+3 mm on the rulebook's 6 would pass the 7 mm of allow; on what the calliper left of it, it does not."""
    made = _plan(transtibial_limb, 111.0)
    assert made.solution.regions["patellar-tendon"].amount_mm < 4.0
    tune = [_entry(patellar_tendon={"change": "+3 mm"})]
    with pytest.raises(rectify.errors.CaseError, match="past allow"):
        made.resolved(tune)
    made.resolved(tune, solution=made.solution)


# -- a whole case ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def pressed_case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A demo case whose calliper was pressed: 5 mm less than on the relaxed limb."""
    case = Path(shutil.copytree(demo_folder() / "RB-101", tmp_path_factory.mktemp("pressed") / "RB-101"))
    text = (case / "case.yaml").read_text()
    line = "  - {measure: ap, at: mid-patellar-tendon, value: 117 mm, over: skin}\n"
    assert line in text
    (case / "case.yaml").write_text(text.replace(line, line + line.replace("117 mm", "112 mm, tension: tight")))
    return case


def test_the_report_tells_target_before_after_and_the_amounts_that_were_chosen(pressed_case: Path) -> None:
    result = rectify.apply(rectify.open_case(pressed_case))
    row = next(d for d in result.report["dimensions"] if d["measure"] == "ap")
    # 112 mm over the skin, 0.85 of a liner of 3 mm either side
    assert row["target_mm"] == pytest.approx(112.0 + 2 * 0.85 * 3.0)
    assert row["met"] and abs(row["after_mm"] - row["target_mm"]) <= 2.0 < abs(row["before_mm"] - row["target_mm"])
    for entry in row["by"]:
        region = result.report["regions"][entry["region"]]
        assert entry["rulebook_mm"] == region["rulebook_mm"] and entry["asked_mm"] == region["asked_mm"]
        if entry["solved_mm"] is not None:
            assert region["tuned_by"][0]["by"] == "dimensions" and region["tuned_by"][0]["why"]
    assert any(entry["solved_mm"] is not None for entry in row["by"])
    assert "tape-not-compared" in {w["code"] for w in result.report["warnings"]}  # pressed, and the capture was not


def test_the_stored_plan_gives_the_same_bytes_without_solving_again(
    pressed_case: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = rectify.open_case(pressed_case)
    first = rectify.apply(case).save(tmp_path / "first", without=("page",))
    monkeypatch.setattr("rectify.engine.dimensions.solve_dimensions", None)
    again = rectify.apply(case, first / "plan.yaml").save(tmp_path / "again", without=("page",))
    for name in ("RB-101-rectified.stl", "RB-101-rectified.3mf", "plan.yaml"):
        assert (first / name).read_bytes() == (again / name).read_bytes(), name


def test_a_limb_of_life_like_shape_is_brought_to_its_calliper(fine_limb: Limb) -> None:
    """The test limb of the shared folder where it is at hand, else a generated one."""
    limb = rectify.open_case(REAL).limb if REAL.is_dir() else fine_limb
    wide = _Made(limb, 500.0)  # no target that could be met: only to read what the limb measures
    relaxed = rectify_limb(limb, wide.bare).dimensions[0].before_mm
    for off in (4.0, 9.5):
        made = _Made(limb, relaxed - off)
        outcome = rectify_limb(limb, made.solved)
        (ap, _) = outcome.dimensions
        assert ap.met and abs(ap.after_mm - ap.target_mm) <= 2.0  # mm: the rulebook's own `within`
        assert outcome.breaches == ()
        moved = {r.name for r in made.solved.regions if r.solved_mm is not None}
        assert moved <= {"patellar-tendon", "popliteal"} and moved


def test_regions_of_no_dimension_never_move(transtibial_limb: Limb) -> None:
    made = _plan(transtibial_limb, 104.0)
    bare = {r.name: r.asked_mm for r in made.bare.regions}
    assert {r.name for r in made.solved.regions if r.asked_mm != bare[r.name]} <= {"patellar-tendon", "popliteal"}
    assert region("x", "reduce", 1.0, FRONT).solved_mm is None
