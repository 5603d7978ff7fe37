"""Levels said as a share of the limb's length."""

from __future__ import annotations

from pathlib import Path

import pytest

from rectify.errors import Faults, RulesError
from rectify.rulebook.describe import describe
from rectify.rulebook.quantity import QuantityError, parse_quantity
from tests.rulebook.books import BAR, book_text, load_text
from tests.rulebook.fake import CapsuleChart, transtibial
from tests.rulebook.test_resolve import planned

ROWS = """\
overall:
  basis: circumference
  evidence: common practice
  rows:
    - {at: mid-patellar-tendon, reduce: 3 %}
    - {at: mid-patellar-tendon, distal: 50 % of limb, reduce: 2 %}
    - {at: distal-end, proximal: 10 % of limb, reduce: 0 %}
"""


@pytest.mark.parametrize("wall_mm", [60.0, 120.0, 180.0])
def test_rows_follow_the_limb_whatever_its_length(tmp_path: Path, wall_mm: float) -> None:
    """A capsule: the wall and a half sphere of 50 mm, so the limb is so much longer."""
    plan = planned(load_text(tmp_path, book_text(more=ROWS)), transtibial(CapsuleChart(centre_mm=wall_mm)))
    assert plan.overall is not None
    length = wall_mm + 50.0
    assert [row.level_mm for row in plan.overall.rows] == pytest.approx([0.0, 0.5 * length, 0.9 * length], abs=1e-9)


def test_a_share_is_told_as_it_was_written(tmp_path: Path) -> None:
    told = describe(load_text(tmp_path, book_text(more=ROWS)))
    assert [row.place for row in told.overall] == [
        "mid-patellar-tendon",
        "mid-patellar-tendon, 50 % of limb distal",
        "distal-end, 10 % of limb proximal",
    ]


def test_bands_and_dimensions_take_it_too(tmp_path: Path) -> None:
    band = BAR.replace("    at: mid-patellar-tendon\n", "").replace(
        "    shape: {oval: {along: 36 mm, around: 50 mm}}\n",
        "    shape: band\n    between: [mid-patellar-tendon, {at: mid-patellar-tendon, distal: 40 % of limb}]\n",
    )
    level = "at: mid-patellar-tendon, distal: 20 % of limb"
    more = f"dimensions: [{{measure: circumference, {level}, target: 300 mm, within: 2 mm}}]\n"
    plan = planned(load_text(tmp_path, book_text(band, more=more)))
    assert plan.regions[0].shape.to_station_mm == pytest.approx(0.4 * 170.0)  # type: ignore[union-attr]
    assert plan.dimensions[0].level_mm == pytest.approx(0.2 * 170.0)


@pytest.mark.parametrize(
    ("where", "said"),
    [
        ("amount: 5 mm", "amount: 5 % of limb"),
        ("along: 36 mm", "along: 20 % of limb"),
        ("feather: 16 mm", "feather: 5 % of limb"),
    ],
)
def test_elsewhere_it_is_refused(tmp_path: Path, where: str, said: str) -> None:
    with pytest.raises((RulesError, Faults), match="% of limb"):
        load_text(tmp_path, book_text(BAR.replace(where, said)))


def test_a_percentage_must_say_of_what() -> None:
    with pytest.raises(QuantityError) as caught:
        parse_quantity("50 %", "length", "limb")
    assert caught.value.hint == "say of what: % of limb"
    assert parse_quantity("50 % of limb", "length", "limb").kind == "limb"


def test_a_limb_whose_segment_lies_above_its_origin_has_no_such_length(tmp_path: Path) -> None:
    from dataclasses import replace

    from rectify.limb.spot import Spot
    from tests.rulebook.fake import FakeMark

    text = """\
format: 1
name: Test
amputation: knee-disarticulation
status: usable
revision: 1
overall:
  basis: circumference
  evidence: common practice
  rows: [{at: medial-condyle, proximal: 50 % of limb, reduce: 3 %}]
"""
    marks = {"medial-condyle": FakeMark((Spot(0.0, -90.0),), 0.0), "distal-end": FakeMark((Spot(40.0, 0.0),), 40.0)}
    limb = replace(transtibial(), amputation="knee-disarticulation", landmarks=marks)
    with pytest.raises(RulesError, match="its segment lies above the origin"):
        planned(load_text(tmp_path, text), limb)
