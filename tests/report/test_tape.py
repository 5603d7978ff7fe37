"""Hand measurements beside the capture: what is compared, what is accepted, what is told.

The capture is a capsule of radius 50 mm with 4 mm edges; its own circumference and width are measured first, so
that a tape can be put just inside and just outside what is accepted.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rectify.report import measure_facts
from rectify.synthetic.shapes import capped_cone
from tests.report.conftest import Write

GIRTH, WIDTH = 314.159, 100.0  # of the true capsule; the mesh's chords are up to 0.1 % shorter


def tape(measure: str, value: float, distal: float = 50.0, more: str = "") -> str:
    return f"tape: [{{measure: {measure}, at: mid-patellar-tendon, distal: {distal} mm, value: {value:.4f} mm{more}}}]"


def rows(write: Write, *says: str) -> list[dict[str, Any]]:
    return measure_facts(write(*says))["tape"]


def told(write: Write, *says: str) -> list[tuple[str, str]]:
    return [(w["code"], w["severity"]) for w in measure_facts(write(*says))["warnings"]]


@pytest.fixture
def captured(write: Write) -> dict[str, float]:
    """What the capture measures 50 mm distal of the origin."""
    each = "{{measure: {}, at: mid-patellar-tendon, distal: 50 mm, value: 100 mm}}"
    found = rows(write, "tape: [" + ", ".join(map(each.format, ("circumference", "ap", "ml"))) + "]")
    return {row["measure"]: row["capture_mm"] for row in found}


def test_the_capture_is_measured_at_the_tapes_level(captured: dict[str, float]) -> None:
    assert captured["circumference"] == pytest.approx(GIRTH, rel=1e-3)
    assert captured["ap"] == pytest.approx(WIDTH, rel=1e-3) and captured["ml"] == pytest.approx(WIDTH, rel=1e-3)


def test_a_circumference_may_be_three_percent_off_and_no_more(write: Write, captured: dict[str, float]) -> None:
    edge = captured["circumference"] / 1.03  # of a tape so short, 3 % is just what is missing
    inside, outside = (
        rows(write, tape("circumference", edge + 0.1))[0],
        rows(write, tape("circumference", edge - 0.1))[0],
    )
    assert inside["agrees"] is True and outside["agrees"] is False
    assert outside["accepted_mm"] == pytest.approx(0.03 * outside["tape_mm"], abs=1e-3)
    assert ("tape-disagrees", "look") in told(write, tape("circumference", edge - 0.1))
    assert told(write, tape("circumference", edge + 0.1)) == []


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_width_may_be_five_millimetres_off_and_no_more(write: Write, captured: dict[str, float], sign: float) -> None:
    assert rows(write, tape("ap", captured["ap"] + sign * 4.99))[0]["agrees"] is True
    row = rows(write, tape("ap", captured["ap"] + sign * 5.01))[0]
    assert row["agrees"] is False and row["accepted_mm"] == 5.0
    assert row["difference_mm"] == pytest.approx(-sign * 5.01, abs=2e-3)


def test_layers_under_the_scan_are_taken_off_when_the_tape_lay_on_the_skin(
    write: Write, captured: dict[str, float]
) -> None:
    over = "scan: {file: scan.stl, units: mm, surface: liner, layers: [{liner: 6 mm, measured: yes}]}"
    skin = rows(write, over, tape("circumference", 300.0, more=", over: skin"))[0]
    assert skin["layers_off_mm"] == 6.0
    # outer parallel curve of a convex section: the perimeter grows by 2 pi d (Steiner)
    assert skin["capture_mm"] == pytest.approx(captured["circumference"] - 2 * np.pi * 6.0, abs=2e-3)
    assert skin["difference_mm"] == pytest.approx(skin["capture_mm"] - 300.0, abs=2e-3)
    width = rows(write, over, tape("ml", 90.0, more=", over: skin"))[0]
    assert width["capture_mm"] == pytest.approx(captured["ml"] - 12.0, abs=2e-3)
    liner = rows(write, over, tape("circumference", 300.0, more=", over: liner"))[0]
    assert liner["layers_off_mm"] == 0.0 and liner["capture_mm"] == captured["circumference"]


def test_what_will_be_worn_does_not_change_what_the_tape_is_held_against(
    write: Write, captured: dict[str, float]
) -> None:
    row = rows(write, "wear: [{liner: 6 mm}]", tape("circumference", GIRTH))[0]
    assert row["capture_mm"] == captured["circumference"]


def test_a_level_that_was_not_captured_is_not_compared(write: Write) -> None:
    says = "tape: [{measure: circumference, at: mid-patellar-tendon, proximal: 80 mm, value: 314 mm}]"
    row = rows(write, says)[0]  # the capsule ends 60 mm above the origin
    assert row["capture_mm"] is None and row["difference_mm"] is None and row["agrees"] is None
    assert told(write, says) == [("tape-not-compared", "note")]


LEVELS = (20, 50, 80, 110)
CONE = capped_cone(60.0, 40.0, 150.0, 3.0, 60.0)  # girths from 340 to 270 mm: a layer and a scale can be told apart


def one_way(write: Write, of, *more: str, tension: str = "", surface: str = "", cone: bool = True) -> str | None:
    """What is said of a tape whose values are made of the capture's own by a formula."""
    levels = LEVELS if cone else (20, 50, 80)
    shape = {"mesh": CONE, "marks": ""} if cone else {}
    scan = f"scan: {{file: scan.stl, units: mm{surface}}}"
    each = "{{measure: circumference, at: mid-patellar-tendon, distal: {} mm, value: {:.3f} mm{}}}"

    def case(values):
        rows = ", ".join(each.format(z, v, tension) for z, v in zip(levels, values, strict=True))
        return write(scan, f"tape: [{rows}]", *more, **shape)

    girths = [row["capture_mm"] for row in measure_facts(case([300.0] * len(levels)))["tape"]]
    told = [w for w in measure_facts(case([of(girth) for girth in girths]))["warnings"] if w["code"] == "tape-one-way"]
    assert len(told) <= 1 and all(w["severity"] == "note" and w["where"] == "tape" for w in told)
    return told[0]["message"] if told else None


def test_three_girths_that_all_lie_one_way_are_noted_and_two_are_not(write: Write, captured: dict[str, float]) -> None:
    value = captured["circumference"] - 3.0

    def girths(*levels: int) -> str:
        each = "{{measure: circumference, at: mid-patellar-tendon, distal: {} mm, value: {:.3f} mm}}"
        return "tape: [" + ", ".join(each.format(level, value) for level in levels) + "]"

    assert told(write, girths(20, 50, 80)) == [("tape-one-way", "note")]
    assert told(write, girths(20, 50)) == []


@pytest.mark.parametrize(
    ("label", "donned"), [(3, 2.55), (6, 5.1), (9, 7.65)]
)  # a stretched liner lies 85 % of its label out
def test_a_liner_that_was_not_declared_is_named_by_its_label(write: Write, label: int, donned: float) -> None:
    said = one_way(write, lambda girth: girth - 2 * np.pi * donned)
    assert said is not None and f"larger than the tape's, by {2 * np.pi * donned:.1f} mm on average" in said
    assert said.endswith(f"as much as a {label} mm liner that the case does not declare, or a tape held tight")


def test_a_layer_that_is_no_liner_is_given_in_mm(write: Write) -> None:
    said = one_way(write, lambda girth: girth - 2 * np.pi * 4.0)
    assert said is not None and "as much as a layer of 4 mm that the case does not declare, or a tape" in said


@pytest.mark.parametrize(("scale", "words"), [(1.03, "3.0% too large"), (0.96, "4.0% too small")])
def test_a_scan_of_the_wrong_scale_is_told_from_a_layer(write: Write, scale: float, words: str) -> None:
    said = one_way(write, lambda girth: girth / scale)
    assert said is not None and f"as much as a scan {words}, or a tape held" in said and "layer" not in said


def test_where_all_girths_are_alike_both_are_named(write: Write) -> None:
    said = one_way(write, lambda girth: girth - 2 * np.pi * 1.5, cone=False)
    assert said is not None and "a layer of 1.5 mm that the case does not declare, or a scan 3.1% too large" in said


def test_layers_that_were_taken_off_and_not_there_are_named(write: Write) -> None:
    surface = ", surface: liner, layers: [{liner: 6 mm, measured: yes}]"
    said = one_way(write, lambda girth: girth + 2 * np.pi * 6.0, surface=surface)
    assert said is not None and "as much as the 6 mm of layers that were taken off, if they were not there" in said
    bare = one_way(write, lambda girth: girth + 2 * np.pi * 3.0)
    assert bare is not None and "a layer of 3 mm under the tape, or a tape held loose" in bare


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (10.0, "the tape's cm had been written as mm"),
        (25.4, "the tape's inches had been written as mm"),
        (2.54, "a scan in cm been read as inches"),
        (1 / 2.54, "a scan in inches had been read as cm"),
    ],
)
def test_other_units_are_known_by_their_factor(write: Write, factor: float, words: str) -> None:
    said = one_way(write, lambda girth: girth / factor * 1.01)
    assert said is not None and f": as if {words}" in said.replace(", or", ": as if")


def test_differences_both_ways_or_next_to_none_are_not_explained(write: Write) -> None:
    assert one_way(write, lambda girth: girth + (4.0 if girth > 300 else -4.0)) is None
    assert one_way(write, lambda girth: girth - 1.9) is None
    assert one_way(write, lambda girth: girth - 2.1) is not None


@pytest.mark.parametrize(
    ("says", "why"),
    [
        ("{measure: circumference, at: mid-patellar-tendon, proximal: 80 mm, value: 314 mm}", "not closed there"),
        ("{measure: circumference, at: fibular-head, value: 314 mm}", "fibular-head is not marked"),
        ("{measure: ap, at: mid-patellar-tendon, distal: 50 mm, value: 96 mm, tension: tight}", "calliper was pressed"),
    ],
)
def test_a_value_that_is_not_compared_says_why(write: Write, says: str, why: str) -> None:
    facts = measure_facts(write(f"tape: [{says}]"))
    assert facts["tape"][0]["agrees"] is None and why in facts["tape"][0]["not_compared"]
    assert [w["message"].split(": ")[1] for w in facts["warnings"]] == [facts["tape"][0]["not_compared"]]
