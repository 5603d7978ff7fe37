"""Whatever is put in place of any value, the answer is a sentence with a line, never a traceback."""

from __future__ import annotations

import json
from copy import deepcopy
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rectify.errors import Faults, RectifyError
from rectify.rulebook import Facts, resolve
from rectify.rulebook.load import rulebook_from_text
from rectify.rulebook.tuning import read_tune
from rectify.rulebook.write import plan_from_yaml, plan_to_yaml
from rectify.rulebook.yamltext import parse_yaml
from tests.rulebook.fake import absent, mark, transtibial
from tests.rulebook.test_schema import FULL

WHOLE: Any = parse_yaml(FULL).value
TUNE: Any = parse_yaml(
    """\
- by: JT
  on: 2026-11-20
  why: trial
  regions:
    bar: {change: +1 mm, feather: 15 mm, move: {distal: 2 mm}, widen: {along: +2 mm}}
    fibular-head: {at: fibular-neck, posterior: 3 mm, shape: {oval: 25 mm}}
    strip: {path: [fibular-head, distal-fibula], keep-clear: {of: tibial-crest, by: 3 mm}}
    spot: {add: {action: build-up, amount: 3 mm, at: mark-scar, shape: {oval: 30 mm}, feather: 12 mm}}
  end: {change: +1 mm}
  overall: {change: +0.5 %}
  brim: {corner-radius: 20 mm}
"""
).value
LIMB = transtibial(mark_scar=mark(transtibial().chart, (60, 40)))

junk = st.sampled_from(
    [
        None,
        True,
        False,
        0,
        1,
        -3,
        2.5,
        1e300,
        "",
        " ",
        "x",
        "3",
        "3 mm",
        "+3 mm",
        "-3 mm",
        "0 mm",
        "2000 mm",
        "1 in",
        "3 %",
        "-3 %",
        "+3 %",
        "100 %",
        "5 % of radius",
        "45 deg",
        "360 deg",
        "nan mm",
        "inf",
        "1/0 in",
        "band",
        "yes",
        "remove",
        "fibular-head",
        "tibial-crest",
        "distal-end",
        "inflection",
        "mark-scar",
        "mark-none",
        "bar",
        "common practice",
        [],
        {},
        [[]],
        [None],
        ["3 mm"],
        ["3 mm", "5 mm"],
        ["fibular-head", "distal-end"],
        {"at": "distal-end"},
        {"at": "popliteal", "distal": "300 mm"},
        {"at": "tibial-crest"},
        {"oval": "3 mm"},
        {"outline": "mark-scar"},
        {"outline": ["distal-end", "popliteal", "patella-apex"]},
        {"strip": {"width": "3 mm"}},
        {"end-cap": {"reach": "1 mm"}},
        {"hand": 0.5},
        {"remove": True},
        "a" * 5000,
        "\u2028",
        "§",
    ]
)


def leaves(value: Any, keys: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every key path, inner ones too."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    found = [keys] if keys else []
    for key, below in inner:
        found += leaves(below, (*keys, key))
    return found


def put(value: Any, keys: tuple[Any, ...], new: Any) -> Any:
    """A copy with another value at a key path."""
    copy = deepcopy(value)
    here = copy
    for key in keys[:-1]:
        here = here[key]
    here[keys[-1]] = new
    return copy


def told(error: RectifyError) -> None:
    """Every fault is one sentence that says where."""
    for fault in error.errors if isinstance(error, Faults) else (error,):
        assert fault.message and fault.key, fault
        assert fault.line is not None, fault


def test_the_whole_rulebook_and_its_tunings_are_good_as_they_stand() -> None:
    book = rulebook_from_text(json.dumps(WHOLE))
    plan = resolve(book, LIMB, FACTS, read_tune(deepcopy(TUNE), book, lambda _: ("c", 1)), scan_sha256="x")
    assert {region.name for region in plan.regions} == {"bar", "fibular-head", "strip", "band", "spot"}


FACTS = Facts(shaping="hand", tissue="soft", rectified=False, suspension="pin", liner_mm=6.0)


@given(st.sampled_from(leaves(WHOLE)), junk)
@settings(max_examples=300, deadline=None)
def test_any_value_of_a_rulebook_may_be_wrong(keys: tuple[Any, ...], new: Any) -> None:
    text = json.dumps(put(WHOLE, keys, new), indent=1)
    try:
        plan = resolve(rulebook_from_text(text), LIMB, FACTS, scan_sha256="x")
    except RectifyError as error:
        told(error)
    else:
        assert plan_from_yaml(plan_to_yaml(plan)) == plan


BOOK = rulebook_from_text(json.dumps(WHOLE))


@given(st.sampled_from(leaves(TUNE)), junk)
@settings(max_examples=300, deadline=None)
def test_any_value_of_a_tuning_may_be_wrong(keys: tuple[Any, ...], new: Any) -> None:
    document = parse_yaml(json.dumps({"tune": put(TUNE, keys, new)}, indent=1), path="case.yaml")
    try:
        tune = read_tune(document.mapping()["tune"], BOOK, lambda where: ("case.yaml", document.line(where)))
        plan = resolve(BOOK, LIMB, FACTS, tune, scan_sha256="x")
    except RectifyError as error:
        told(error)
    else:
        assert plan_from_yaml(plan_to_yaml(plan)) == plan


@pytest.mark.parametrize("name", sorted(transtibial().landmarks))
def test_any_landmark_may_be_absent_or_not_marked(name: str) -> None:
    for other in (absent(), None):
        limb = transtibial(mark_scar=mark(transtibial().chart, (60, 40)), **{name.replace("-", "_"): other})
        try:
            plan = resolve(BOOK, limb, FACTS, scan_sha256="x")
        except RectifyError as error:
            told(error)
        else:
            assert all(region.anchor.landmark != name for region in plan.regions)
