"""Opening a case: what is tied together, what is estimated, and what a resolved plan reproduces."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

import rectify
from rectify.case import open_case
from rectify.data import demo_folder
from rectify.errors import CaseError, InputError
from rectify.geometry.nearest import nearest
from tests.running import contents


def _copy(name: str, tmp_path: Path) -> Path:
    return Path(shutil.copytree(demo_folder() / name, tmp_path / name))


def _edit(folder: Path, file: str, old: str, new: str) -> None:
    text = (folder / file).read_text(encoding="utf-8")
    assert old in text
    (folder / file).write_text(text.replace(old, new), encoding="utf-8")


def test_the_surface_lies_as_far_out_as_what_will_be_worn_on_it(tmp_path):
    case = open_case(_copy("RB-101", tmp_path))
    assert case.wear.offset_mm == pytest.approx(0.85 * 3.0)  # a 3 mm liner, its stretch allowed for
    off, _, _ = nearest(case.limb.mesh.vertices, case.captured.mesh.vertices, case.captured.mesh.faces)
    below = case.limb.mesh.vertices[:, 2] < case.captured.edge[:, 2].min() - 5.0
    assert np.abs(off[below] - 2.55).max() < 0.1  # mm; exact but near the edge, where it is interpolated


def test_a_case_that_says_nothing_of_wear_is_rectified_where_it_was_captured(tmp_path):
    case = open_case(_copy("RB-102", tmp_path))
    assert case.limb is case.captured


def test_what_the_rulebook_needs_and_nobody_marked_is_estimated_and_keeps_the_result_a_draft(tmp_path):
    case = open_case(_copy("RB-104", tmp_path))
    limb, plan = case.resolved()
    unmarked = [name for name, mark in limb.landmarks.items() if mark.source == "estimated"]
    assert "distal-fibula" in unmarked and all(limb.landmarks[name].uncertainty_mm > 0 for name in unmarked)
    assert all(limb.landmarks[name].uncertainty_mm % 1.0 == 0.0 for name in unmarked)  # no truer than a millimetre
    assert "distal-fibula" not in case.limb.landmarks  # nothing is estimated on the case's own limb
    region = next(r for r in plan.regions if r.name == "distal-fibula")
    assert region.anchor.source == "estimated"
    result = rectify.apply(case)
    assert result.standing.status == "draft" and result.exit_code == 4
    assert [w["where"] for w in result.report["warnings"] if w["code"] == "estimated-bone"] == ["distal-fibula"]  # once
    assert result.report["landmarks"]["distal-fibula"]["source"] == "estimated"


def test_the_build_up_over_estimated_bone_is_wider_by_what_is_not_known(tmp_path):
    folder = _copy("RB-104", tmp_path)
    limb, plan = open_case(folder).resolved()
    wide = next(r for r in plan.regions if r.name == "distal-fibula").shape
    bare = 25.0  # mm, the rulebook's disc
    assert wide.along_mm == pytest.approx(bare + 2 * limb.landmarks["distal-fibula"].uncertainty_mm, abs=0.1)


def test_an_absent_landmark_is_neither_estimated_nor_built_over(tmp_path):
    limb, plan = open_case(_copy("RB-101", tmp_path)).resolved()
    assert limb.landmarks["distal-fibula"].absent
    assert "distal-fibula" not in [region.name for region in plan.regions]


def test_a_resolved_plan_used_as_the_rulebook_gives_the_same_bytes(tmp_path):
    folder = _copy("RB-102", tmp_path)
    rectify.apply(open_case(folder)).save(tmp_path / "one")
    rectify.apply(open_case(folder), tmp_path / "one" / "plan.yaml").save(tmp_path / "two")
    one, two = contents(tmp_path / "one"), contents(tmp_path / "two")
    for name in ("RB-102-rectified.stl", "RB-102-rectified.3mf", "plan.yaml"):
        assert one[name] == two[name]


def test_a_resolved_plan_of_another_scan_is_refused(tmp_path):
    rectify.apply(open_case(_copy("RB-102", tmp_path))).save(tmp_path / "one", without=["page"])
    with pytest.raises(InputError, match="another scan"):
        open_case(_copy("RB-106", tmp_path)).plan(tmp_path / "one" / "plan.yaml")


def test_marks_that_are_said_but_not_there_are_an_error(tmp_path):
    folder = _copy("RB-102", tmp_path)
    _edit(folder, "case.yaml", "  shaping: none", "  marks: {colour: blue-violet}\n  shaping: none")
    with pytest.raises(CaseError, match="carries no colours"):
        open_case(folder).captured  # noqa: B018


def test_a_tape_value_at_a_place_that_nobody_marked_is_not_compared(tmp_path):
    folder = _copy("RB-104", tmp_path)
    _edit(folder, "case.yaml", "at: mid-patellar-tendon, distal: 50 mm", "at: distal-fibula, proximal: 10 mm")
    rows = rectify.apply(open_case(folder)).report["tape"]
    assert [row["agrees"] for row in rows if row["at"] == "distal-fibula"] == [None]
