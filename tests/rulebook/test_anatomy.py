"""What anatomy has against a plan, told before anything is applied."""

from __future__ import annotations

from pathlib import Path

import pytest

from rectify.data import rules_folder
from rectify.limb.vocabulary import VOCABULARY
from rectify.rulebook.anatomy import CARRIES, USUAL_MM
from rectify.rulebook.facts import Facts
from rectify.rulebook.resolve import resolve
from rectify.rulebook.yamltext import read_yaml
from tests.rulebook.books import BAR, HEAD_UP, book_text, load_text
from tests.rulebook.fake import transtibial


def looks(folder: Path, regions: str, more: str = "") -> dict[str, str]:
    plan = resolve(load_text(folder, book_text(regions, more=more)), transtibial(), Facts(), scan_sha256="0" * 64)
    return {warn.code: f"{warn.where}: {warn.message}" for warn in plan.warnings if warn.severity == "look"}


def test_nothing_is_said_of_a_plain_rulebook(tmp_path: Path) -> None:
    assert looks(tmp_path, BAR + HEAD_UP) == {}


def test_a_build_up_where_load_is_to_be_carried(tmp_path: Path) -> None:
    over = HEAD_UP.replace("at: fibular-head", "at: medial-tibial-flare")
    found = looks(tmp_path, over)
    assert list(found) == ["build-up-where-load"] and "medial-tibial-flare" in found["build-up-where-load"]
    little = over.replace("4 mm", "0.4 mm").replace("[3 mm, 6 mm]", "[0 mm, 1 mm]")
    assert looks(tmp_path, little) == {}


def test_a_reduction_over_bone_that_nobody_protected(tmp_path: Path) -> None:
    over = BAR.replace("at: mid-patellar-tendon", "at: tibial-tubercle")
    found = looks(tmp_path, over)
    assert "takes 5 mm away over tibial-tubercle" in found["reduction-over-bone"]
    far = BAR.replace("at: mid-patellar-tendon", "at: medial-tibial-flare")  # bone that carries load
    assert "reduction-over-bone" not in looks(tmp_path, far)


def test_an_amount_beyond_what_is_usual_at_a_place(tmp_path: Path) -> None:
    high = HEAD_UP.replace("4 mm", "7 mm").replace("[3 mm, 6 mm]", "[3 mm, 8 mm]").replace("12 mm", "24 mm")
    assert "7 mm, and 6 mm is the most that is usual at fibular-head" in looks(tmp_path, high)["beyond-usual"]
    assert looks(tmp_path, high.replace("amount: 7 mm", "amount: 6 mm")) == {}


def test_two_regions_that_undo_each_other(tmp_path: Path) -> None:
    over = HEAD_UP.replace("at: fibular-head", "at: popliteal").replace("fibular-head:", "pad:")
    hollow = BAR.replace("bar:", "hollow:").replace("at: mid-patellar-tendon", "at: popliteal")
    found = looks(tmp_path, over + hollow)
    assert found["regions-cancel"].startswith("hollow: the build-up pad lies over 100% of its core")
    assert "opposed-neighbours" not in found


@pytest.mark.parametrize("action", list(USUAL_MM))
def test_the_tables_name_landmarks_that_there_are(action: str) -> None:
    known = {name for vocabulary in VOCABULARY.values() for name in vocabulary.names}
    assert set(USUAL_MM[action]) <= known
    for amputation, names in CARRIES.items():
        assert set(names) <= set(VOCABULARY[amputation].names)
    assert (rules_folder() / "evidence.yaml").is_file() and read_yaml(rules_folder() / "evidence.yaml").value
