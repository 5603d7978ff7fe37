"""A plan written and read back: equal, canonical, refused for another scan."""

from __future__ import annotations

import json
import locale
from dataclasses import replace
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from rectify.errors import Faults, FileError, RulesError
from rectify.limb.spot import Spot
from rectify.rulebook import Facts, load_rulebook
from rectify.rulebook.plan import (
    Anchor,
    Band,
    Brim,
    Dimension,
    End,
    EndCap,
    KeepClear,
    Limits,
    Outline,
    Oval,
    Overall,
    OverallRow,
    Plan,
    RegionPlan,
    Spare,
    Strip,
    Tuned,
    Warn,
)
from rectify.rulebook.write import plan_digest, plan_from_yaml, plan_to_yaml, read_plan
from tests.rulebook.fake import transtibial
from tests.rulebook.test_resolve import planned

# -- any plan at all ----------------------------------------------------------------------------------

numbers = st.floats(allow_nan=False, allow_infinity=False)
lengths = st.floats(0.0, 1e6)
extents = st.floats(1e-300, 1e6)
words = st.text(st.characters(exclude_categories=("Cs",)), max_size=12)
spots = st.builds(Spot, numbers, numbers)
pairs = st.none() | st.tuples(numbers, numbers)
anchors = st.builds(Anchor, spots, st.none() | words, words, lengths)
tuned = st.builds(Tuned, words, words, words, st.none() | words, words, st.none() | words)


def strips(count: int) -> st.SearchStrategy[Strip]:
    path = st.lists(spots, min_size=count, max_size=count).map(tuple)
    return st.builds(Strip, path, st.lists(lengths, min_size=count, max_size=count).map(tuple))


shapes = st.one_of(
    st.builds(Oval, extents, extents, numbers),
    st.integers(2, 4).flatmap(strips),
    st.builds(Outline, st.lists(spots, min_size=3, max_size=5).map(tuple)),
    st.builds(Band, numbers, numbers),
    st.builds(EndCap, lengths),
)


def many(of: st.SearchStrategy[object], most: int = 2) -> st.SearchStrategy[tuple[object, ...]]:
    return st.lists(of, max_size=most).map(tuple)


regions = st.builds(
    RegionPlan,
    name=words,
    action=st.sampled_from(["reduce", "build-up"]),
    measured_from=st.sampled_from(["reduced", "capture"]),
    rulebook_mm=lengths,
    change_mm=numbers,
    asked_mm=lengths,
    allow_mm=pairs,
    anchor=anchors,
    shape=shapes,
    profile=st.sampled_from(["flat", "dome", "groove"]),
    feather_mm=lengths,
    blend=st.sampled_from(["inside", "outside"]),
    keep_clear=many(st.builds(KeepClear, spots, lengths, st.none() | words)),
    why=words,
    evidence=words,
    amount_text=words,
    tuned=many(tuned),
)
raw = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**9), 10**9) | numbers | words,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=3),
    max_leaves=6,
)
plans = st.builds(
    Plan,
    name=words,
    rulebook_name=words,
    rulebook_key=words,
    amputation=words,
    status=st.sampled_from(["usable", "draft"]),
    revision=st.integers(1, 10**6),
    rulebook_sha256=words,
    scan_sha256=words,
    regions=many(regions, 3),
    overall=st.none()
    | st.builds(
        Overall,
        st.sampled_from(["circumference", "volume"]),
        st.sampled_from(["before-regions", "finished"]),
        many(st.builds(OverallRow, numbers, numbers, words)),
        lengths,
        many(st.builds(Spare, many(spots), lengths, pairs, pairs, st.none() | words)),
        lengths,
    ),
    end=st.none() | st.builds(End, st.sampled_from(["lengthen", "pad"]), lengths, numbers, lengths, many(tuned)),
    dimensions=many(
        st.builds(
            Dimension,
            st.sampled_from(["ap", "ml", "circumference"]),
            numbers,
            words,
            st.none() | numbers,
            many(words),
            lengths,
        )
    ),
    brim=st.none() | st.builds(Brim, many(spots, 4), lengths, lengths, lengths, words),
    limits=st.builds(Limits, pairs, st.none() | lengths, st.none() | lengths, numbers, pairs, pairs, pairs),
    protected=many(words),
    needs=many(words),
    cautions=many(words),
    tune=many(st.dictionaries(words.filter(lambda key: key != "<<"), raw, max_size=3)),
    warnings=many(st.builds(Warn, words, st.sampled_from(["note", "look", "stop"]), words, words)),
    conditions=many(words),
)


def has_merge_key(value: object) -> bool:
    """A key the reader refuses on purpose."""
    if isinstance(value, dict):
        return "<<" in value or any(map(has_merge_key, value.values()))
    return any(map(has_merge_key, value)) if isinstance(value, list | tuple) else False


@given(plans)
@settings(max_examples=60)
def test_any_plan_reads_back_equal_and_is_written_again_to_the_same_bytes(plan: Plan) -> None:
    if has_merge_key(plan.tune):
        return
    text = plan_to_yaml(plan)
    again = plan_from_yaml(text)
    assert again == plan
    assert plan_to_yaml(again) == text


@given(words)
def test_text_is_what_another_yaml_reader_reads_too(text: str) -> None:
    plan = replace(PLAIN, name=text, cautions=(text, f"{text} "))
    other = yaml.safe_load(plan_to_yaml(plan))
    assert (other["name"], other["cautions"]) == (text, [text, f"{text} "])


PLAIN = Plan("n", "n", "k", "transtibial", "usable", 1, "r" * 64, "s" * 64, ())


# -- what is promised of it ---------------------------------------------------------------------------


def real_plan() -> Plan:
    return planned(
        load_rulebook("transtibial-patellar-tendon-bearing"), transtibial(), Facts(shaping="hand", liner_mm=6.0)
    )


def test_a_real_plan_reads_back_equal_from_a_file(tmp_path: Path) -> None:
    plan = real_plan()
    path = tmp_path / "plan.yaml"
    path.write_text(plan_to_yaml(plan), encoding="utf-8")
    assert read_plan(path) == read_plan(path, plan.scan_sha256) == plan


def test_equal_plans_have_equal_bytes_however_their_numbers_were_made() -> None:
    whole = replace(PLAIN, limits=Limits(reduction_mm=12, volume_percent=(-9, 4)))  # type: ignore[arg-type]
    floats = replace(PLAIN, limits=Limits(reduction_mm=12.0, volume_percent=(-9.0, 4.0)))
    assert whole == floats and plan_to_yaml(whole) == plan_to_yaml(floats)


def test_the_bytes_do_not_depend_on_the_locale() -> None:
    before, text = locale.setlocale(locale.LC_ALL), plan_to_yaml(real_plan())
    for name in ("de_DE.UTF-8", "tr_TR.UTF-8", "C"):
        try:
            locale.setlocale(locale.LC_ALL, name)
        except locale.Error:
            continue
        try:
            assert plan_to_yaml(real_plan()) == text
        finally:
            locale.setlocale(locale.LC_ALL, before)


def test_a_plan_is_refused_for_another_scan() -> None:
    plan = real_plan()
    with pytest.raises(RulesError, match="is resolved for another scan") as caught:
        plan_from_yaml(plan_to_yaml(plan), "0" * 64)
    assert caught.value.key == "scan_sha256"
    assert caught.value.wanted is not None and caught.value.wanted.startswith("000000000000...")
    assert caught.value.hint == "apply the rulebook itself to this case"


def test_the_digest_is_of_what_the_plan_does() -> None:
    plan = real_plan()
    assert plan_digest(plan) == plan_digest(replace(plan, warnings=(), conditions=("another text",)))
    assert plan_digest(plan) == plan_digest(plan_from_yaml(plan_to_yaml(plan)))
    for by, same in ((1e-9, True), (2e-3, False)):  # mm: another machine's rounding, and a change
        moved = replace(plan.regions[0], asked_mm=plan.regions[0].asked_mm + by)
        assert (plan_digest(plan) == plan_digest(replace(plan, regions=(moved, *plan.regions[1:])))) is same
    assert plan_digest(plan) != plan_digest(replace(plan, scan_sha256="0" * 64))


REVISION = load_rulebook("transtibial-patellar-tendon-bearing").revision


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ("resolved: true\n", "", "is no resolved plan"),
        ("resolved: true", "resolved: false", "is no resolved plan"),
        ("format: 1", "format: 2", "is not a format this program reads"),
        (f"revision: {REVISION}", "revision: 1.5", "revision: is 1.5\n    wanted: a whole number"),
        (f"revision: {REVISION}\n", "", "revision: is missing"),
        ("status: usable", "status: final", "wanted: usable or draft"),
        ("asked_mm: 3.0", "asked_mm: -3.0", r"regions\[\d\]\.asked_mm: is -3.0"),
        ("asked_mm: 3.0", "asked_mm: three", "asked_mm: is 'three'\n    wanted: a number"),
        ("asked_mm: 3.0", "asked_mm: yes", "asked_mm: is yes"),
        ("asked_mm: 3.0", "askd_mm: 3.0", "did you mean asked_mm"),
        ("      oval:", "      ovel:", "is no shape"),
        ("allow_mm: [2.0, 4.0]", "allow_mm: [2.0]", "has 1 entries"),
        ("allow_mm: [2.0, 4.0]", "allow_mm: 2.0", "wanted: a list"),
        ("regions:", "regionz:", "regionz: is not a key of a plan"),
    ],
)
def test_what_is_no_whole_plan_is_refused_with_its_line(old: str, new: str, match: str) -> None:
    text = plan_to_yaml(real_plan())
    assert old in text
    with pytest.raises((RulesError, Faults), match=match):
        plan_from_yaml(text.replace(old, new, 1))


def test_counts_that_the_types_cannot_say_are_checked() -> None:
    base = real_plan()
    first = base.regions[0]
    for shape, match in (
        (Strip((Spot(0, 0), Spot(1, 0)), (1.0,)), "is no strip"),
        (Outline((Spot(0, 0), Spot(1, 0))), "is no outline"),
        (Oval(0.0, 3.0), "is no oval"),
    ):
        with pytest.raises(RulesError, match=match):
            plan_from_yaml(plan_to_yaml(replace(base, regions=(replace(first, shape=shape),))))


def test_faults_of_a_plan_file_have_its_lines() -> None:
    text = plan_to_yaml(real_plan())
    broken = text.replace("profile: flat", "profile: flatt", 1).replace("blend: outside", "blend: outsid", 1)
    with pytest.raises(Faults) as caught:
        plan_from_yaml(broken, path="p.yaml")
    lines = broken.splitlines()
    for error in caught.value.errors:
        assert error.line is not None and str(error.key).rpartition(".")[2] in lines[error.line - 1]


def test_a_plan_file_that_is_not_there_is_a_file_error(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be read"):
        read_plan(tmp_path / "plan.yaml")


def test_tunings_in_a_plan_are_as_they_were_written() -> None:
    tune = (
        {"by": "JT", "on": "2026-11-20", "regions": {"bar": {"drop": True, "amount": "5 mm"}}, "n": [1, 2.5, None]},
    )
    again = plan_from_yaml(plan_to_yaml(replace(PLAIN, tune=tune)))
    assert json.dumps(again.tune) == json.dumps(tune)
