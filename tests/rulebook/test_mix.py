"""Between two rulebooks: numbers in the middle, everything else alike or refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rectify.errors import CaseError, Faults, RulesError
from rectify.rulebook.load import Rulebook, load_rulebook, rulebook_from_text
from rectify.rulebook.tuning import parse_sets, read_tune, share_said
from tests.rulebook.books import BAR, HEAD, HEAD_UP, book_text, load_text

OVERALL = """\
overall:
  basis: volume
  rows: [{at: mid-patellar-tendon, reduce: 4 %, allow: [2 %, 6 %]}]
  evidence: jasken-2018
"""
LIMITS = "limits: {volume: [-8 %, +4 %], reduction: 10 mm}\n"
ONE = book_text(BAR + HEAD_UP, more=LIMITS + "end: {lengthen: 2 mm}\nprotected: [fibular-neck]\n")
TWO = book_text(
    BAR.replace("amount: 5 mm", "amount: 3 mm").replace("16 mm", "14 mm").replace("[2 mm, 7 mm]", "[1 mm, 5 mm]"),
    more=OVERALL + LIMITS.replace("-8", "-12").replace("10 mm", "8 mm") + "protected: [distal-tibia]\n",
)
MIX = "mix: {with: two, share: SHARE}\n"


def mix(folder: Path, share: str = "25 %", more: str = "", one: str = ONE, two: str = TWO) -> Rulebook:
    load_text(folder, one, "one")
    load_text(folder, two, "two")
    return load_text(folder, "extends: one\n" + HEAD + MIX.replace("SHARE", share) + more, "mixed")


def test_numbers_lie_their_share_of_the_way(tmp_path: Path) -> None:
    book = mix(tmp_path)
    bar = book.regions["bar"]
    assert bar.amount.value == pytest.approx(0.75 * 5 + 0.25 * 3)
    assert bar.feather.value == pytest.approx(0.75 * 16 + 0.25 * 14)
    assert bar.allow is not None and [q.value for q in bar.allow] == pytest.approx([1.75, 6.5])
    assert (
        book.says.limits is not None and book.says.limits.volume is not None and book.says.limits.reduction is not None
    )
    assert [q.value for q in book.says.limits.volume] == pytest.approx([-9.0, 4.0])
    assert book.says.limits.reduction.value == pytest.approx(9.5)


def test_what_one_of_them_says_alone_counts_as_nothing_in_the_other(tmp_path: Path) -> None:
    book = mix(tmp_path)
    head = book.regions["fibular-head"]
    assert head.amount.value == pytest.approx(3.0) and head.feather.value == 12.0
    assert head.allow is not None and [q.value for q in head.allow] == pytest.approx([2.25, 4.5])
    assert book.says.overall is not None and book.says.end is not None
    row = book.says.overall.rows[0]
    assert row.reduce.value == pytest.approx(1.0) and row.allow is not None
    assert [q.value for q in row.allow] == pytest.approx([0.5, 1.5])
    assert book.says.end.amount.value == pytest.approx(1.5)
    assert book.says.protected == ("fibular-neck", "distal-tibia")


def test_a_mixed_number_rests_on_no_source(tmp_path: Path) -> None:
    """4 % is the source's figure and 1 % is not."""
    overall = mix(tmp_path).says.overall
    assert overall is not None and overall.evidence == "common practice"


@pytest.mark.parametrize(("share", "like"), [("0 %", "one"), ("100 %", "two")])
def test_at_its_ends_a_mixture_has_the_amounts_of_the_one_or_the_other(tmp_path: Path, share: str, like: str) -> None:
    book = mix(tmp_path, share)
    other = load_rulebook(tmp_path / f"{like}.yaml")
    for name, region in book.regions.items():
        wanted = other.regions[name].amount.value if name in other.regions else 0.0
        assert region.amount.value == pytest.approx(wanted)


def test_the_file_itself_comes_last(tmp_path: Path) -> None:
    book = mix(tmp_path, more="regions: {bar: {amount: 6 mm, allow: [2 mm, 7 mm], why: said here}}\n")
    assert (book.regions["bar"].amount.value, book.regions["bar"].why) == (6.0, "said here")
    assert book.where("regions.bar.amount")[0].endswith("mixed.yaml")
    assert book.where("overall.rows")[0].endswith("two.yaml")
    assert book.where("regions.fibular-head.shape")[0].endswith("one.yaml")


@pytest.mark.parametrize(
    ("change", "at", "found"),
    [
        (("along: 36 mm", "along: 40 mm"), "regions.bar.shape.oval.along", "'36 mm', and '40 mm'"),
        (("at: mid-patellar-tendon", "at: popliteal"), "regions.bar.at", "'mid-patellar-tendon', and 'popliteal'"),
        (("amount: 3 mm", "amount: 6 % of radius"), "regions.bar.amount", "'5 mm', and '6 % of radius'"),
        (("action: reduce", "action: build-up"), "regions.bar.action", "'reduce', and 'build-up'"),
        (("evidence: common", "profile: dome\n    evidence: common"), "regions.bar.profile", "nothing, and 'dome'"),
    ],
)
def test_what_has_no_middle_must_be_said_alike(tmp_path: Path, change: tuple[str, str], at: str, found: str) -> None:
    with pytest.raises((RulesError, Faults)) as caught:
        mix(tmp_path, two=TWO.replace(*change))
    error = caught.value.errors[0] if isinstance(caught.value, Faults) else caught.value
    assert error.message == f"cannot mix {at}" and error.key == "mix" and error.path.endswith("mixed.yaml")
    assert error.line == 7 and error.found.endswith(found.split(", ")[1])


@pytest.mark.parametrize(
    ("said", "match"),
    [
        ("mix: two", "mix: is 'two'"),
        ("mix: {with: two}", "mix: is a mapping"),
        ("mix: {with: two, share: 120 %}", "share: is 120 %, must be 100 % or less"),
        ("mix: {with: two, share: half}", "share: is 'half'"),
        ("mix: {with: tow, share: 50 %}", "there is no rulebook tow"),
        ("mix: {with: ../two, share: 50 %}", "the name of a rulebook alone"),
        ("mix: {with: mixed, share: 50 %}", "comes back to itself"),
    ],
)
def test_a_mixture_that_cannot_be_is_refused_where_it_is_said(tmp_path: Path, said: str, match: str) -> None:
    load_text(tmp_path, ONE, "one")
    load_text(tmp_path, TWO, "two")
    with pytest.raises(RulesError, match=match):
        load_text(tmp_path, "extends: one\n" + HEAD + said + "\n", "mixed")


def test_a_mixture_needs_something_to_start_from(tmp_path: Path) -> None:
    load_text(tmp_path, TWO, "two")
    with pytest.raises(RulesError, match="stands without extends"):
        load_text(tmp_path, book_text(more=MIX.replace("SHARE", "50 %")), "mixed")


def test_two_amputations_are_not_mixed(tmp_path: Path) -> None:
    load_text(tmp_path, ONE, "one")
    said = "extends: one\n" + HEAD + "mix: {with: transfemoral-base, share: 50 %}\n"
    with pytest.raises(RulesError, match="cannot mix amputation"):
        load_text(tmp_path, said, "mixed")


PTB, TSB = "transtibial-patellar-tendon-bearing", "transtibial-total-surface-bearing"


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 100))
def test_every_step_between_the_two_transtibial_designs_is_a_good_rulebook(percent: int) -> None:
    text = f"extends: {PTB}\nmix: {{with: {TSB}, share: {percent} %}}\nname: Step\nstatus: usable\nrevision: 1\n"
    book = rulebook_from_text(text, path="step.yaml")
    share = percent / 100
    for name, region in book.regions.items():
        a, b = (load_rulebook(key).regions.get(name) for key in (PTB, TSB))
        wanted = sum(w * r.amount.value for w, r in ((1 - share, a), (share, b)) if r is not None)
        assert region.amount.value == pytest.approx(wanted, abs=1e-3)  # four figures are written
        assert region.allow is not None
        if region.amount.kind == "length":
            assert region.allow[0].value - 1e-3 <= region.amount.value <= region.allow[1].value + 1e-3


@pytest.mark.parametrize("percent", [25, 50, 75])
def test_the_share_tells_the_strips_beside_the_tibia_and_the_overall_volume(percent: int) -> None:
    """Dickinson et al. (2024): reductions beside the tibia and overall volume tell the designs apart."""
    book = load_rulebook("transtibial-hybrid", share=percent / 100)
    strip = load_rulebook(PTB).regions["pretibial-muscle"].amount.value
    assert book.regions["pretibial-muscle"].amount.value == pytest.approx(strip * (1 - percent / 100))
    assert book.says.overall is not None
    assert book.says.overall.rows[0].reduce.value == pytest.approx(6.0 * percent / 100)


# -- the share of one limb ---------------------------------------------------------------------------


PTB, TSB, HYBRID = "transtibial-patellar-tendon-bearing", "transtibial-total-surface-bearing", "transtibial-hybrid"


@pytest.mark.parametrize(("share", "end"), [(0.0, PTB), (1.0, TSB)])
def test_at_either_end_the_shipped_mixture_is_the_rulebook_that_lies_there(share: float, end: str) -> None:
    mixed, whole = load_rulebook(HYBRID, share=share), load_rulebook(end)
    assert set(mixed.regions) == set(whole.regions)
    for name, says in whole.regions.items():
        got = mixed.regions[name]
        assert got.allow is not None and says.allow is not None
        assert (got.action, got.amount.value, got.feather.value) == (
            says.action,
            says.amount.value,
            says.feather.value,
        )
        assert [q.value for q in got.allow] == [q.value for q in says.allow]
    assert (mixed.says.overall is None) == (whole.says.overall is None)
    assert (mixed.mixed_with, mixed.share) == (TSB, share)


def test_a_case_sets_the_share_by_a_tuning_and_the_last_one_said_counts(tmp_path: Path) -> None:
    book = mix(tmp_path)
    assert book.share == 0.25
    entry = {"by": "AB", "on": "2026-01-01", "why": "loose", "mix": {"share": "40 %"}}
    assert share_said([entry]) == 0.4 and share_said([entry], ["mix.share=75%"]) == 0.75
    assert share_said(None) is None and share_said([{"by": "AB"}]) is None
    assert share_said([{"mix": {"share": "much"}}, {"mix": 3}]) is None  # told by read_tune
    again = load_rulebook(tmp_path / "mixed.yaml", share=0.75)
    assert again.regions["bar"].amount.value == pytest.approx(0.25 * 5 + 0.75 * 3)
    assert again.sha256 != book.sha256  # a release is bound to the share too
    (tuning,) = read_tune([entry], book, lambda _: ("case.yaml", 3))
    assert tuning.says.mix is not None and tuning.says.mix.share.value == 40.0


def test_a_share_of_what_lies_between_no_two_others_is_refused(tmp_path: Path) -> None:
    book = load_text(tmp_path, ONE, "one")
    entry = {"by": "AB", "on": "2026-01-01", "why": "loose", "mix": {"share": "40 %"}}
    with pytest.raises(CaseError, match="one lies between no two others"):
        read_tune([entry], book, lambda _: ("case.yaml", 3))
    with pytest.raises(RulesError, match="one lies between no two others"):
        parse_sets(["mix.share=40%"], book)
    with pytest.raises((RulesError, Faults), match="40"):
        parse_sets(["mix.share=40"], mix(tmp_path))
    with pytest.raises(RulesError, match="cannot set amount"):
        parse_sets(["mix.amount=4 mm"], mix(tmp_path))


def test_only_the_nearest_mixture_of_a_chain_takes_the_share_of_a_case(tmp_path: Path) -> None:
    mix(tmp_path)
    load_text(tmp_path, TWO, "three")
    load_text(tmp_path, "extends: mixed\n" + HEAD + "mix: {with: three, share: 10 %}\n", "outer")
    outer = load_rulebook(tmp_path / "outer.yaml", share=0.5)
    first = 0.75 * 5 + 0.25 * 3  # the inner mixture keeps its 25 %
    assert outer.regions["bar"].amount.value == pytest.approx(0.5 * first + 0.5 * 3)
    assert (outer.mixed_with, outer.share) == ("three", 0.5)
