"""`rectify rules diff`, and `rectify rules show --case`: two rulebooks beside each other, one rulebook on one limb."""

from __future__ import annotations

from pathlib import Path

import pytest

from rectify.data import rules_folder
from tests.cli.conftest import Run

PTB = "transtibial-patellar-tendon-bearing"
TSB = "transtibial-total-surface-bearing"


def test_two_rulebooks_are_told_apart_on_a_generated_limb(run: Run) -> None:
    ended = run("rules", "diff", PTB, TSB)
    assert ended.code == 0 and ended.err == ""
    assert "on a generated transtibial limb of average build" in ended.out
    told = run("rules", "diff", PTB, TSB, "--json").json
    by_name = {region["name"]: region for region in told["regions"]}
    assert by_name["patellar-tendon"]["first_mm"] == -6.0 and by_name["patellar-tendon"]["second_mm"] == -2.0
    assert by_name["pretibial-muscle"]["second_mm"] is None
    for name, region in by_name.items():
        (line,) = [line for line in ended.out.splitlines() if line.startswith(f"{name} ")]
        assert f"{(region['second_mm'] or 0.0) - (region['first_mm'] or 0.0):+.2f}" in line
    # 6 % of volume under the 6 mm liner that is assumed: 3.05 % of circumference (closed form)
    assert "3.05 % of circumference, 6.00 % of volume" in ended.out
    assert max(map(len, ended.out.splitlines())) < 130


def test_a_rulebook_and_its_copy_do_the_same(run: Run, tmp_path: Path) -> None:
    text = (rules_folder() / f"{PTB}.yaml").read_text()
    (tmp_path / "mine.yaml").write_text(text)
    ended = run("rules", "diff", PTB, "mine.yaml")
    assert ended.code == 0 and "They do the same on this limb." in ended.out
    (tmp_path / "mine.yaml").write_text(text.replace("amount: 6 mm", "amount: 5 mm"))
    ended = run("rules", "diff", PTB, "mine.yaml")
    assert "within one person's scatter" in ended.out and "Alike: tibial-crest" in ended.out


def test_on_a_case_the_limb_and_its_facts_count(run: Run, demo_case: Path) -> None:
    """RB-101 is soft: the calf's amount is 1.4 times what it is on an average limb."""
    ended = run("rules", "diff", PTB, TSB, "--case", demo_case)
    assert ended.code == 0 and "on the limb of case RB-101, its tunings left out" in ended.out
    told = run("rules", "diff", PTB, TSB, "--case", demo_case / "case.yaml", "--json").json
    assert told["on"].startswith("the limb of case RB-101")
    plan = run("rules", "show", PTB, "--case", demo_case, "--json").json["plan"]
    asked = {region["name"]: region["asked_mm"] for region in plan["regions"]}
    for region in told["regions"]:
        if region["name"] in asked:
            assert abs(region["first_mm"]) == pytest.approx(asked[region["name"]], abs=1e-9)


def test_rulebooks_of_two_amputations_are_refused(run: Run) -> None:
    ended = run("rules", "diff", PTB, "transfemoral-sub-ischial")
    assert ended.code == 2 and "different amputations" in ended.err


def test_show_with_a_case_tells_where_each_amount_comes_from(run: Run, demo_case: Path) -> None:
    ended = run("rules", "show", PTB, "--case", demo_case)
    assert ended.code == 0 and "WHERE EACH AMOUNT COMES FROM" in ended.out
    lines = ended.out.splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("posterior-calf, "))
    assert f"[{PTB}.yaml:" in lines[at]
    number = int(lines[at].split(":")[-1].rstrip("]"))
    assert "4 % of radius" in (rules_folder() / f"{PTB}.yaml").read_text().splitlines()[number - 1]
    said = " ".join(" ".join(lines[at : at + 6]).split())
    assert "the rulebook says 4 % of radius" in said and "tissue is soft: times 1.4" in said
    ways = run("rules", "show", PTB, "--case", demo_case, "--json").json["origins"]
    assert [way["region"] for way in ways if way["line"] is None] == []
