"""The schema says yes to what is read and no to what is misspelt."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from rectify.data import rules_folder
from rectify.rulebook.load import list_rulebooks
from rectify.rulebook.schema import DRAFT, rulebook_schema
from rectify.rulebook.yamltext import parse_yaml, read_yaml
from tests.rulebook.books import BAR, HEAD_UP, book_text

VALIDATOR = Draft202012Validator(rulebook_schema())

FULL = (
    book_text(
        BAR + HEAD_UP,
        more="""\
about: for a test
needs: {capture-includes: knee, landmarks: [tibial-crest]}
overall:
  basis: volume
  holds: finished
  spare:
    - fibular-head
    - {of: tibial-crest, within: 18 mm}
    - {levels: [0 mm, {at: inflection}], angles: [240 deg, 300 deg]}
  fade: 20 mm
  rows: [{at: mid-patellar-tendon, reduce: 3 %, allow: [2 %, 5 %], when: {tissue: [soft, average]}}]
  when: {liner: {3 mm: 0.5, 6 mm: 1}}
dimensions: [{measure: ap, at: popliteal, distal: 3 mm, target: {from: tape, change: -3 mm}, by: bar, within: 2 mm}]
end: {pad: 6 mm, from: {at: inflection, proximal: 3 mm}}
brim: {line: [patella-apex, lateral-condyle, {at: popliteal, proximal: 5 mm}], flare: {out: 8 mm, over: 15 mm}}
limits: {volume: [-9 %, +4 %], reduction: 12 mm, slope: 45 deg}
protected: [fibular-neck]
cautions: [look twice]
""",
    )
    + """\
  strip:
    action: build-up
    amount: 1/8 in
    path: [tibial-tubercle, {at: distal-tibia, along-path: 10 %}]
    lateral: 10 % of radius
    shape: {strip: {width: [10 mm, 12 mm]}}
    feather: 0.9 cm
    keep-clear: [{of: mark-scar, by: 6 mm}]
    when: {rectified: no, suspension: pin, liner: {at-least: 3 mm}}
  band: {action: reduce, amount: 1 mm, between: [inflection, distal-end], shape: band, feather: 9 mm}
"""
)


def plain(text: str) -> Any:
    return parse_yaml(text).value


def test_the_schema_is_one_of_its_draft_and_a_fresh_copy_each_time() -> None:
    schema = rulebook_schema()
    assert schema["$schema"] == DRAFT
    Draft202012Validator.check_schema(schema)
    schema["$defs"].clear()
    assert rulebook_schema()["$defs"]


@pytest.mark.parametrize("name", list_rulebooks())
def test_every_shipped_rulebook_is_valid(name: str) -> None:
    VALIDATOR.validate(read_yaml(rules_folder() / f"{name}.yaml").value)


def test_a_rulebook_with_every_kind_of_key_is_valid() -> None:
    VALIDATOR.validate(plain(FULL))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("feather: 16 mm", "feathr: 16 mm"),
        ("feather: 16 mm", "feather: 16"),
        ("feather: 16 mm", "feather: -16 mm"),
        ("feather: 16 mm", "feather: 16 deg"),
        ("    feather: 16 mm\n", ""),
        ("action: reduce", "action: reduces"),
        ("at: mid-patellar-tendon\n", "at: mid-patella-tendon\n"),
        ("amount: 5 mm", "amount: 5 %"),
        ("{oval: {along: 36 mm, around: 50 mm}}", "{ovel: {along: 36 mm, around: 50 mm}}"),
        ("{oval: {along: 36 mm, around: 50 mm}}", "{oval: 3 mm, band: {}}"),
        ("shape: band", "shape: bend"),
        ("basis: volume", "basis: radius"),
        ("holds: finished", "holds: finshed"),
        ("reduce: 3 %", "reduce: 3 mm"),
        ("tissue: [soft, average]", "tissue: [sfot]"),
        ("{3 mm: 0.5, 6 mm: 1}", "{3 mm: 2.5}"),
        ("change: -3 mm", "change: 3 mm"),
        ("by: bar", "by: 3"),
        ("limits: {", "limitz: {"),
        ("format: 1", "format: 2"),
        ("revision: 1", "revision: 0"),
        ("amputation: transtibial", "amputation: below-knee"),
        ("status: usable\n", ""),
        ("  bar:", "  Bar:"),
        ("about: for a test", "about:"),
        ("over: 15 mm", "over: 15"),
    ],
)
def test_what_is_misspelt_or_lacks_its_unit_is_not(old: str, new: str) -> None:
    assert old in FULL
    assert not VALIDATOR.is_valid(plain(FULL.replace(old, new, 1)))


def test_a_rulebook_laid_over_another_may_leave_out_what_that_one_says() -> None:
    child = plain(
        "extends: base\nregions:\n  bar: {amount: 6 mm}\n  fibular-head: {remove: true}\nend: {remove: true}\n"
    )
    VALIDATOR.validate(child)
    for wrong in ({"amuont": "6 mm"}, {"remove": False}, {"remove": True, "amount": "6 mm"}):
        broken = deepcopy(child)
        broken["regions"]["bar"] = wrong
        assert not VALIDATOR.is_valid(broken), wrong
    del child["extends"]
    assert not VALIDATOR.is_valid(child)


def test_keys_of_a_region_say_what_they_mean() -> None:
    region = rulebook_schema()["$defs"]["Region"]["properties"]
    silent = [
        key for key in ("amount", "allow", "feather", "shape", "from", "blend") if "description" not in region[key]
    ]
    assert not silent


def test_no_value_may_be_left_empty() -> None:
    assert '{"type": "null"}' not in str(rulebook_schema()).replace("'", '"')
