"""Every key that LANGUAGE.md refuses, with its line and what would be right."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from rectify.errors import Faults, RulesError
from rectify.rulebook.faults import model_at
from rectify.rulebook.model import Region, RulebookModel
from tests.rulebook.books import BAR, HEAD, book_text, line_of, load_text


def bar(old: str, new: str) -> str:
    """The bar with one piece of text replaced."""
    assert old in BAR
    return BAR.replace(old, new)


REGION_FAULTS = [
    ("amount: 5 mm", "amount: 5", r"bar\.amount: is 5 without a unit", "write 5 mm"),
    ("amount: 5 mm", "amount: -5 mm", r"bar\.amount: is -5 mm, and takes no sign", "write 5 mm"),
    ("amount: 5 mm", "amount: 9 mm", r"bar\.amount: is 9 mm, outside its own allow", "2 mm to 7 mm"),
    ("amount: 5 mm\n    allow: [2 mm, 7 mm]", "amount: 9 % of radius", r"bar\.allow: is missing", "needs bounds"),
    ("amount: 5 mm", "amuont: 5 mm", r"bar\.amuont: is not a key here", "did you mean amount\\?"),
    ("allow: [2 mm, 7 mm]", "allow: [7 mm, 2 mm]", r"bar\.allow: runs from 7 mm down to 2 mm", "least, most"),
    ("allow: [2 mm, 7 mm]", "allow: [2 mm]", r"bar\.allow(\[1\])?: ", "missing|entries"),
    ("allow: [2 mm, 7 mm]", "allow: 7 mm", r"bar\.allow: is '7 mm'", "a list"),
    ("action: reduce", "action: reduc", r"bar\.action: is 'reduc'", "did you mean reduce\\?"),
    ("at: mid-patellar-tendon", "at: mid-patella-tendn", "no landmark mid-patella-tendn", "mean mid-patellar-tendon"),
    ("at: mid-patellar-tendon", "at: perineum", "no landmark perineum on a transtibial limb", "landmarks there"),
    ("at: mid-patellar-tendon", "at: [1, 2, 3]", r"bar\.at: is a list", "text"),
    ("feather: 16 mm", "feather: -3 mm", r"bar\.feather: is -3 mm", "takes no sign"),
    ("feather: 16 mm", "profile: groov", r"bar\.profile: is 'groov'", "did you mean groove\\?"),
    ("oval:", "ovel:", r"bar\.shape\.ovel: is not a key here", "did you mean oval\\?"),
    ("{oval: {along: 36 mm, around: 50 mm}}", "oval", r"bar\.shape: is 'oval'", "a shape, like"),
    ("{oval: {along: 36 mm, around: 50 mm}}", "{}", r"bar\.shape: says none", "one of oval"),
    ("{oval: {along: 36 mm, around: 50 mm}}", "{oval: 3 mm, band: {}}", "says oval and band", "one of oval"),
    ("{oval: {along: 36 mm, around: 50 mm}}", "band", r"bar\.shape: is band with at", "band with between"),
    ("{oval: {along: 36 mm, around: 50 mm}}", "{strip: {width: 3 mm}}", "is strip with at", "strip with path"),
    ("{oval: {along: 36 mm, around: 50 mm}}", "{end-cap: {}}", "needs one of reach and from", "inflection"),
    ("{oval: {along: 36 mm, around: 50 mm}}", "{outline: [fibular-head, popliteal]}", "has 2 places", "three places"),
    ("    feather", "    distal: 2 mm\n    proximal: 2 mm\n    feather", "proximal and distal at once", "keep one"),
    ("    feather", "    lateral: 2 mm\n    anterior: 2 mm\n    feather", "lateral and anterior at once", "keep one"),
    ("    feather", "    lateral: 2 mm\n    angle: 90 deg\n    feather", "says angle and lateral at once", "keep one"),
    ("    feather", "    angle: 400 deg\n    feather", "is 400 deg, must be 360 deg or less", ""),
    ("    feather", "    along-path: 20 mm\n    feather", r"bar\.along-path: stands without a path", "of a strip"),
    (
        "    feather",
        "    when: {shapin: {hand: 0.4}}\n    feather",
        r"when\.shapin: is no fact",
        "did you mean shaping",
    ),
    ("    feather", "    when: {shaping: {hnd: 0.4}}\n    feather", r"when\.shaping\.hnd: is 'hnd'", "mean hand"),
    ("    feather", "    when: {shaping: {hand: 2.5}}\n    feather", r"shaping\.hand: is 2\.5", "from 0 to 2"),
    ("    feather", "    when: {shaping: {hand: yes}}\n    feather", r"shaping\.hand: is yes", "from 0 to 2"),
    ("    feather", "    when: {tissue: sfot}\n    feather", r"when\.tissue: is 'sfot'", "did you mean soft"),
    ("    feather", "    when: {liner: {3: 1}}\n    feather", r"when\.liner\.3: is 3 without a unit", "3 mm"),
    ("    feather", "    when: {liner: {at-least: 3}}\n    feather", r"liner\.at-least: is 3 without a unit", ""),
    ("    feather", "    when: {}\n    feather", r"bar\.when: is a mapping", "facts, like"),
    (
        "evidence: common practice",
        "evidence: common practise",
        "no evidence 'common practise'",
        "did you mean common pra",
    ),
    ("evidence: common practice", "remove: true", "is not a key here", "only in a rulebook that extends"),
    ("    feather: 16 mm\n", "", r"bar\.feather: is missing", "the blend at the border"),
    ("    action: reduce\n", "", r"bar\.action: is missing", "reduce takes away"),
    (
        "    feather",
        "    keep-clear: {of: fibular-hed, by: 6 mm}\n    feather",
        "no landmark fibular-hed",
        "fibular-head",
    ),
]


@pytest.mark.parametrize(("old", "new", "match", "more"), REGION_FAULTS)
def test_a_fault_in_a_region_is_told_with_line_key_and_what_would_be_right(
    tmp_path: Path, old: str, new: str, match: str, more: str
) -> None:
    text = book_text(bar(old, new))
    with pytest.raises((RulesError, Faults), match=match) as caught:
        load_text(tmp_path, text)
    error = caught.value.errors[0] if isinstance(caught.value, Faults) else caught.value
    assert error.path == str(tmp_path / "book.yaml")
    assert error.key is not None and error.key.startswith("regions.bar")
    start = line_of(text, "  bar:")
    assert error.line is not None and start <= error.line <= start + 10
    assert re.search(more, str(caught.value))


TOP_FAULTS = [
    (
        "overall: {basis: radius, rows: [{at: inflection, reduce: 1 %}]}",
        r"overall\.basis: is 'radius'",
        "circumference",
    ),
    ("overall: {rows: [{at: inflection, reduce: 1 %}]}", r"overall\.basis: is missing", "percentages are of"),
    ("overall: {basis: volume, rows: []}", r"overall\.rows: has 0 entries", "at least 1"),
    ("overall: {basis: volume, rows: [{at: inflection, reduce: 1 mm}]}", "reduce: is '1 mm'", "a percentage"),
    ("overall: {basis: volume, rows: [{at: inflection, reduce: 30 %}]}", "is 30 %, must be 25 % or less", ""),
    (
        "overall: {basis: volume, rows: [{at: inflection, reduce: 9 %, allow: [1 %, 3 %]}]}",
        "is 9 %, outside its own",
        "",
    ),
    ("overall: {basis: volume, rows: [{at: inflection, lateral: 3 mm, reduce: 1 %}]}", "lateral: is not a key", ""),
    (
        "overall: {basis: volume, spare: [{within: 3 mm}], rows: [{at: inflection, reduce: 1 %}]}",
        "needs a landmark",
        "",
    ),
    (
        "overall: {basis: volume, spare: [{levels: [1, 2]}], rows: [{at: inflection, reduce: 1 %}]}",
        "without a unit",
        "",
    ),
    (
        "dimensions: [{measure: ap, at: popliteal, target: {from: tape}, by: [bra], within: 2 mm}]",
        "no region bra",
        "mean bar",
    ),
    ("dimensions: [{measure: app, at: popliteal, target: 9 mm, within: 2 mm}]", "measure: is 'app'", "mean ap"),
    (
        "dimensions: [{measure: ap, at: popliteal, target: {from: tape, change: 3 mm}, within: 2 mm}]",
        "which way",
        r"\+3 mm",
    ),
    ("dimensions: [{measure: ap, at: popliteal, target: {}, within: 2 mm}]", "needs one of from and value", ""),
    ("end: {lengthen: 3 mm, pad: 6 mm}", "needs one of lengthen and pad", ""),
    ("end: {lengthen: 3 mm, allow: [4 mm, 5 mm]}", "is 3 mm, outside its own allow", ""),
    ("brim: {line: [popliteal, fibular-head]}", r"brim\.line: has 2 entries", "at least 3"),
    (
        "brim: {line: [popliteal, popliteal, popliteal], flare: {out: 8 mm, over: 3 mm, where: back}}",
        "is 'back'",
        "posterior",
    ),
    ("limits: {slope: 50 deg}", "is 50 deg, must be 45 deg or less", ""),
    ("limits: {volume: [-9 %, -4 %]}", r"limits\.volume: is -9 % to -4 %", "a negative one, a positive one"),
    ("limits: {volum: [-9 %, 4 %]}", "volum: is not a key here", "did you mean volume"),
    ("needs: {capture-includes: kne}", "no landmark kne", "did you mean knee"),
    ("protected: [fibular-nek]", r"protected\[0\]: no landmark fibular-nek", "mean fibular-neck"),
    ("protcted: [fibular-neck]", "protcted: is not a key here", "did you mean protected"),
    ("cautions: [3]", r"cautions\[0\]: is 3", "text"),
    ("about:", "about: is empty", "say a value, or take the key out"),
    ("extends: ../transtibial-base", "extends: is '../transtibial-base'", "write the name alone"),
]


@pytest.mark.parametrize(("line", "match", "more"), TOP_FAULTS)
def test_a_fault_at_the_top_is_told_with_its_line(tmp_path: Path, line: str, match: str, more: str) -> None:
    text = book_text(more=line + "\n")
    with pytest.raises((RulesError, Faults), match=match) as caught:
        load_text(tmp_path, text)
    error = caught.value.errors[0] if isinstance(caught.value, Faults) else caught.value
    assert error.line == line_of(text, line)
    assert re.search(more, str(caught.value))


@pytest.mark.parametrize("key", ["format", "name", "amputation", "status", "revision"])
def test_what_every_rulebook_must_say_is_missed(tmp_path: Path, key: str) -> None:
    head = "".join(line + "\n" for line in HEAD.splitlines() if not line.startswith(key))
    with pytest.raises((RulesError, Faults), match=f"{key}: is missing"):
        load_text(tmp_path, book_text(head=head))


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ("format: 1", "format: 2", "format: is 2"),
        ("revision: 1", "revision: yes", "revision: is yes"),
        ("revision: 1", "revision: 0", "revision: is 0"),
        ("revision: 1", "revision: 1.5", "revision: is 1.5"),
        ("status: usable", "status: final", "status: is 'final'"),
        ("amputation: transtibial", "amputation: transtibal", "did you mean transtibial"),
        ("name: Test", "name: 12", "name: is 12"),
    ],
)
def test_the_head_is_checked_value_by_value(tmp_path: Path, old: str, new: str, match: str) -> None:
    with pytest.raises((RulesError, Faults), match=match):
        load_text(tmp_path, book_text(head=HEAD.replace(old, new)))


@pytest.mark.parametrize("name", ["Bar", "bar_1", "1-bar", "bar-", "overall", "end"])
def test_a_region_needs_a_name_of_its_own_in_lower_case(tmp_path: Path, name: str) -> None:
    with pytest.raises((RulesError, Faults), match="is no name for a region"):
        load_text(tmp_path, book_text(BAR.replace("bar:", f"{name}:")))


def test_all_faults_are_told_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = book_text(
        bar("amount: 5 mm", "amount: 5").replace("feather: 16 mm", "feathr: 16 mm").replace("reduce", "reduces"),
        more="limits: {slope: 90 deg}\nprotected: [nowhere]\n",
    )
    with pytest.raises(Faults) as caught:
        load_text(tmp_path, text)
    keys = [error.key for error in caught.value.errors]
    assert set(keys) == {
        "limits.slope", "protected[0]", "regions.bar.action", "regions.bar.amount", "regions.bar.feathr",
        "regions.bar.feather",
    }  # fmt: skip
    lines = [error.line for error in caught.value.errors]
    assert lines == sorted(lines)  # type: ignore[type-var]


def test_shorthands_say_the_same_as_what_they_stand_for(tmp_path: Path) -> None:
    short = load_text(tmp_path, book_text(bar("{along: 36 mm, around: 50 mm}", "50 mm")))
    long = load_text(tmp_path, book_text(bar("along: 36 mm", "along: 50 mm")))
    assert short.regions["bar"].shape == long.regions["bar"].shape
    one = "keep-clear: {of: fibular-head, by: 6 mm}\n    feather"
    many = "keep-clear: [{of: fibular-head, by: 6 mm}]\n    feather"
    assert (
        load_text(tmp_path, book_text(bar("feather", one))).regions
        == load_text(tmp_path, book_text(bar("feather", many))).regions
    )
    assert (
        load_text(tmp_path, book_text(more="end: {lengthen: 3 mm, from: inflection}\n")).says.end
        == load_text(tmp_path, book_text(more="end: {lengthen: 3 mm, from: {at: inflection}}\n")).says.end
    )


def test_defaults_are_those_of_the_language(tmp_path: Path) -> None:
    region = load_text(tmp_path, book_text()).regions["bar"]
    assert (region.from_, region.profile, region.blend, region.keep_clear, region.when) == (
        "reduced",
        "flat",
        None,
        (),
        None,
    )


def test_a_place_that_needs_a_path_says_so(tmp_path: Path) -> None:
    for extra, match in (
        ("path: [fibular-head, distal-fibula]\n    ", r"along-path: is missing"),
        (
            "path: [fibular-head, {at: distal-fibula, along-path: 3 mm}]\n    along-path: 9 mm\n    ",
            "cuts back what is no end",
        ),
    ):
        with pytest.raises((RulesError, Faults), match=match):
            load_text(tmp_path, book_text(bar("at: mid-patellar-tendon\n    ", extra)))


def test_moves_that_a_shape_cannot_take_are_refused(tmp_path: Path) -> None:
    strip = bar("at: mid-patellar-tendon", "path: [tibial-tubercle, distal-tibia]").replace(
        "{oval: {along: 36 mm, around: 50 mm}}", "{strip: {width: 30 mm}}"
    )
    with pytest.raises(RulesError, match="distal: does not move a path"):
        load_text(tmp_path, book_text(strip + "    distal: 3 mm\n"))
    band = bar("at: mid-patellar-tendon", "between: [tibial-tubercle, distal-tibia]").replace(
        "{oval: {along: 36 mm, around: 50 mm}}", "band"
    )
    with pytest.raises(RulesError, match="lateral: does not move a band"):
        load_text(tmp_path, book_text(band + "    lateral: 3 mm\n"))


def test_the_model_that_reads_a_key_is_found_through_lists_and_mappings() -> None:
    assert model_at(RulebookModel, ("regions", "bar")) is Region
    assert model_at(RulebookModel, ("overall", "rows", 0)) is not None
    assert model_at(RulebookModel, ("name",)) is None
    assert model_at(RulebookModel, ("nothing", "here")) is None
