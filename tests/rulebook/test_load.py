"""Finding, extending, merging: which value wins, and where it came from."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from rectify.data import rules_folder
from rectify.errors import Faults, FileError, RulesError
from rectify.rulebook.load import (
    evidence_keys,
    is_resolved,
    list_rulebooks,
    load_rulebook,
    rulebook_from_text,
)
from tests.rulebook.books import BAR, HEAD, HEAD_UP, book_text, line_of, load_text

BASE = book_text(
    BAR + HEAD_UP, more="limits: {reduction: 12 mm, slope: 40 deg}\nprotected: [fibular-neck]\nend: {lengthen: 3 mm}\n"
)


def write(folder: Path, **texts: str) -> None:
    for name, text in texts.items():
        (folder / f"{name.replace('_', '-')}.yaml").write_text(text, encoding="utf-8")


def over(regions: str = "", more: str = "", head: str = HEAD) -> str:
    return book_text(regions, more="extends: base\n" + more, head=head)


def test_a_child_changes_one_key_and_keeps_the_others_each_with_its_own_line(tmp_path: Path) -> None:
    child = over("  bar: {amount: 6 mm}\n")
    write(tmp_path, base=BASE, child=child)
    book = load_rulebook("child", tmp_path)
    bar = book.regions["bar"]
    assert (bar.amount.text, bar.feather.text, set(book.regions)) == ("6 mm", "16 mm", {"bar", "fibular-head"})
    assert book.where("regions.bar.amount") == (str(tmp_path / "child.yaml"), line_of(child, "6 mm"))
    assert book.where("regions.bar.feather") == (str(tmp_path / "base.yaml"), line_of(BASE, "feather: 16 mm"))
    assert book.where("regions.bar.allow[1]") == (str(tmp_path / "base.yaml"), line_of(BASE, "allow: [2 mm, 7 mm]"))
    assert book.where("regions.bar.nothing") == book.where("regions.bar")
    assert (book.key, book.name, book.status, book.revision, book.amputation) == (
        "child",
        "Test",
        "usable",
        1,
        "transtibial",
    )


def test_a_fault_in_what_was_inherited_points_into_the_base(tmp_path: Path) -> None:
    write(tmp_path, base=BASE.replace("feather: 16 mm", "feather: 16"), child=over("  bar: {amount: 6 mm}\n"))
    with pytest.raises(RulesError, match="is 16 without a unit") as caught:
        load_rulebook("child", tmp_path)
    assert caught.value.path == str(tmp_path / "base.yaml")
    assert caught.value.line == line_of(BASE, "feather: 16 mm")


def test_shape_when_and_target_are_replaced_whole_and_lists_too(tmp_path: Path) -> None:
    base = book_text(
        BAR + "    when: {shaping: {hand: 0.4}, skin: intact}\n", more="protected: [fibular-neck, distal-tibia]\n"
    )
    child = over("  bar: {shape: {oval: 40 mm}, when: {tissue: soft}}\n", more="protected: [distal-fibula]\n")
    write(tmp_path, base=base, child=child)
    book = load_rulebook("child", tmp_path)
    bar = book.regions["bar"]
    assert bar.shape.oval is not None and bar.shape.oval.along.text == bar.shape.oval.around.text == "40 mm"
    assert bar.when is not None and [fact for fact, _ in bar.when.parts] == ["tissue"]
    assert book.says.protected == ("distal-fibula",)


def test_a_place_said_anew_drops_the_old_one_with_its_moves(tmp_path: Path) -> None:
    write(tmp_path, base=book_text(BAR + "    distal: 4 mm\n    lateral: 2 mm\n"))
    write(tmp_path, child=over("  bar: {at: popliteal}\n"))
    bar = load_rulebook("child", tmp_path).regions["bar"]
    assert (bar.at, bar.distal, bar.lateral) == ("popliteal", None, None)
    write(tmp_path, child=over("  bar: {proximal: 1 mm, medial: 3 mm}\n"))
    bar = load_rulebook("child", tmp_path).regions["bar"]
    assert (bar.at, bar.distal, bar.lateral) == ("mid-patellar-tendon", None, None)
    assert bar.proximal is not None and bar.medial is not None


def test_an_end_that_pads_no_longer_lengthens(tmp_path: Path) -> None:
    write(tmp_path, base=BASE, child=over(more="end: {pad: 6 mm}\n"))
    end = load_rulebook("child", tmp_path).says.end
    assert end is not None and end.lengthen is None and end.pad is not None


def test_remove_drops_a_region_and_a_whole_part(tmp_path: Path) -> None:
    write(
        tmp_path, base=BASE, child=over("  bar: {remove: true}\n", more="end: {remove: true}\nlimits: {remove: true}\n")
    )
    book = load_rulebook("child", tmp_path)
    assert list(book.regions) == ["fibular-head"]
    assert book.says.end is None and book.says.limits is None


def test_remove_of_what_is_not_there_and_remove_with_more_are_told_together(tmp_path: Path) -> None:
    write(tmp_path, base=BASE, child=over("  bra: {remove: true}\n  bar: {remove: true, amount: 3 mm}\n"))
    with pytest.raises(Faults) as caught:
        load_rulebook("child", tmp_path)
    text = str(caught.value)
    assert "regions.bra: removes what the extended rulebook does not have" in text
    assert "did you mean bar?" in text
    assert "regions.bar: removes and says something else too" in text


def test_a_rulebook_that_comes_back_to_itself_is_refused_with_the_way(tmp_path: Path) -> None:
    write(tmp_path, base=BASE.replace("name:", "extends: child\nname:"), child=over())
    with pytest.raises(RulesError, match="comes back to itself") as caught:
        load_rulebook("child", tmp_path)
    assert caught.value.found == "child -> base -> child"
    write(tmp_path, selfish=BASE.replace("name:", "extends: selfish\nname:"))
    with pytest.raises(RulesError, match="comes back to itself"):
        load_rulebook("selfish", tmp_path)


def test_a_chain_of_eight_is_read_and_one_of_nine_is_not(tmp_path: Path) -> None:
    write(tmp_path, step_0=BASE)
    for k in range(1, 9):
        write(tmp_path, **{f"step_{k}": over().replace("extends: base", f"extends: step-{k - 1}")})
    assert len(load_rulebook("step-7", tmp_path).regions) == 2
    with pytest.raises(RulesError, match="is a chain of more than 8 rulebooks"):
        load_rulebook("step-8", tmp_path)


@pytest.mark.parametrize("name", ["../base", "sub/base", "base.yaml", "/etc/passwd", "..", "Base", "", "12 mm"])
def test_only_a_plain_name_can_be_extended(tmp_path: Path, name: str) -> None:
    write(tmp_path, base=BASE, child=over().replace("extends: base", f'extends: "{name}"'))
    with pytest.raises(RulesError, match="extends: is "):
        load_rulebook("child", tmp_path)


def test_a_link_that_leaves_the_folder_is_not_followed(tmp_path: Path) -> None:
    inside, outside = tmp_path / "inside", tmp_path / "outside"
    inside.mkdir()
    outside.mkdir()
    write(outside, base=BASE)
    (inside / "base.yaml").symlink_to(outside / "base.yaml")
    write(inside, child=over())
    with pytest.raises(RulesError, match="leaves its folder"):
        load_rulebook("child", inside)


def test_an_unknown_name_offers_the_nearest(tmp_path: Path) -> None:
    write(tmp_path, base=BASE, child=over().replace("extends: base", "extends: bass"))
    with pytest.raises(RulesError, match="there is no rulebook bass") as caught:
        load_rulebook("child", tmp_path)
    assert caught.value.hint is not None and "did you mean base?" in caught.value.hint
    with pytest.raises(FileError, match="there is no rulebook transtibial-bse"):
        load_rulebook("transtibial-bse")
    with pytest.raises(FileError, match="there is no such rulebook"):
        load_rulebook(tmp_path / "none.yaml")


def test_a_name_is_looked_for_in_the_folder_first_and_then_among_the_shipped(tmp_path: Path) -> None:
    name = list_rulebooks()[0]
    assert load_rulebook(name, tmp_path).path == str(rules_folder() / f"{name}.yaml")
    write(tmp_path, **{name: BASE})
    assert load_rulebook(name, tmp_path).path == str(tmp_path / f"{name}.yaml")


def test_every_shipped_rulebook_loads_and_its_sources_are_real_lines() -> None:
    for name in list_rulebooks():
        book = load_rulebook(name)
        for region in book.regions:
            path, line = book.where(("regions", region, "amount"))
            assert line is not None
            assert "amount" in Path(path).read_text(encoding="utf-8").splitlines()[line - 1]


def test_the_digest_is_of_what_is_said_not_of_how_it_is_laid_out(tmp_path: Path) -> None:
    first = load_text(tmp_path, BASE)
    other = load_text(
        tmp_path,
        "# a comment\n"
        + BASE.replace("{oval: {along: 36 mm, around: 50 mm}}", "{oval: {around: 50 mm, along: 36 mm}}"),
        "b",
    )
    changed = load_text(tmp_path, BASE.replace("amount: 5 mm", "amount: 5.1 mm"), "c")
    assert first.sha256 == other.sha256 != changed.sha256
    assert len(first.sha256) == 64


def test_a_child_that_changes_nothing_has_the_digest_of_the_base(tmp_path: Path) -> None:
    write(tmp_path, base=BASE, child="extends: base\n")
    assert load_rulebook("child", tmp_path).sha256 == load_rulebook("base", tmp_path).sha256


def test_the_landmarks_a_rulebook_names_are_listed_with_who_needs_them(tmp_path: Path) -> None:
    more = """\
needs: {capture-includes: [knee, medial-condyle], landmarks: [tibial-crest]}
overall:
  basis: volume
  spare: [tibial-tubercle, {levels: [0 mm, {at: popliteal}]}]
  rows: [{at: inflection, reduce: 1 %}]
protected: [fibular-neck]
"""
    book = load_text(tmp_path, book_text(BAR + "    keep-clear: {of: patella-apex, by: 3 mm}\n", more=more))
    assert book.landmarks() == {
        "medial-condyle": ("needs.capture-includes[1]",),
        "tibial-crest": ("needs.landmarks[0]",),
        "inflection": ("overall.rows[0].at",),
        "tibial-tubercle": ("overall.spare[0].of",),
        "popliteal": ("overall.spare[1].levels[1].at",),
        "mid-patellar-tendon": ("regions.bar.at",),
        "patella-apex": ("regions.bar.keep-clear[0].of",),
        "fibular-neck": ("protected[0]",),
    }


def test_the_list_leaves_out_the_evidence_and_the_evidence_has_keys() -> None:
    names = list_rulebooks()
    assert "evidence" not in names and names == tuple(sorted(names))
    listed = yaml.safe_load((rules_folder() / "evidence.yaml").read_text(encoding="utf-8"))["sources"]
    assert evidence_keys() == set(listed)


def test_a_folder_may_have_an_evidence_list_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "evidence.yaml").write_text(
        "sources:\n  our-notes: {citation: x, says: y, sure: memory}\n", encoding="utf-8"
    )
    book = load_text(tmp_path, book_text(BAR.replace("common practice", "our-notes")))
    assert book.regions["bar"].evidence == "our-notes"


def test_a_resolved_plan_is_no_rulebook_and_is_told_apart(tmp_path: Path) -> None:
    write(tmp_path, plan="resolved: true\n" + HEAD, base=BASE)
    assert is_resolved(tmp_path / "plan.yaml") and not is_resolved(tmp_path / "base.yaml")
    with pytest.raises(RulesError, match="is a resolved plan, made for one scan"):
        load_rulebook(tmp_path / "plan.yaml")


def test_text_loads_like_a_file(tmp_path: Path) -> None:
    write(tmp_path, base=BASE)
    book = rulebook_from_text(over("  bar: {amount: 6 mm}\n"), path="edited.yaml", folder=tmp_path)
    assert (book.key, book.path, book.regions["bar"].amount.text) == ("edited", "edited.yaml", "6 mm")


def test_a_rulebook_whose_checks_refuse_it_does_not_load(tmp_path: Path) -> None:
    with pytest.raises(RulesError, match="makes an edge too steep") as caught:
        load_text(tmp_path, book_text(BAR.replace("feather: 16 mm", "feather: 9 mm")))
    assert caught.value.line == line_of(book_text(), "feather: 16 mm")


def test_files_that_cannot_be_read_are_file_errors(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"cannot be read|there is no such rulebook"):
        load_rulebook(tmp_path)
