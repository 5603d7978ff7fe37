"""Whole comparisons: results, cases, models and reports; facts that keep their schema; a page that says the same."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import jsonschema
import numpy as np
import pytest

import rectify
from rectify.engine.flare import above_line
from rectify.errors import FileError, InputError, OutputError
from rectify.geometry.mesh import Mesh
from rectify.geometry.normals import vertex_normals
from rectify.studies import Comparison, compare
from rectify.studies.page import comparison_page
from rectify.studies.page_view import scene_of_comparison
from rectify.studies.save import save_comparison
from rectify.studies.schema import comparison_schema
from rectify.studies.version import open_version
from rectify.synthetic import Transtibial, transtibial
from rectify.viewer import pack
from tests.studies.conftest import Results, motion, moved
from tests.viewer.reading import read

Write = Callable[..., Path]
LIMBS = Path(__file__).resolve().parents[3] / "shared" / "limbs"


@pytest.fixture(scope="module")
def two(results: Results) -> Comparison:
    """The two results of one case."""
    return compare(results.first, results.second)


def assert_keeps_the_schema(made: Comparison) -> None:
    jsonschema.Draft202012Validator(comparison_schema()).validate(made.facts)
    json.dumps(made.facts, allow_nan=False)


def test_the_schema_is_one_and_strict() -> None:
    schema = comparison_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["additionalProperties"] is False and set(schema["required"]) == set(schema["properties"])


def test_a_tuning_shows_in_its_region_with_its_mm_and_nowhere_else(two: Comparison) -> None:
    assert_keeps_the_schema(two)
    s = two.facts["shapes"]
    assert s["alignment"]["method"] == "none" and two.exit_code == 0
    for name in ("fibular-head", "popliteal"):
        assert s["regions"][name]["core_mm"] == pytest.approx(1.0, abs=0.1)  # mm, the bound on what is achieved
    for name in ("tibial-tubercle", "patellar-tendon", "medial-tibial-flare"):
        assert s["regions"][name]["core_mm"] == 0.0 and s["regions"][name]["beside"] == ""
    assert s["outside_regions"]["mean_size_mm"] < 0.001
    assert {r["name"] for r in two.facts["plans"]["regions"]} == {"fibular-head", "popliteal"}
    amount = two.facts["plans"]["regions"][0]["differences"][0]
    assert amount["what"] == "amount" and amount["by"] == "+1.00 mm"
    assert set(two.facts["reports"]["regions"]) >= {"fibular-head", "popliteal"}


def test_volumes_and_levels_are_those_of_the_change_reports(two: Comparison) -> None:
    volume, reported = two.facts["shapes"]["volume"], two.facts["reports"]["volume"]
    # the reports count below another plane and leave out what forms the brim, which both results have alike
    assert volume["change_ml"] == pytest.approx(reported["after_ml"] - reported["before_ml"], abs=0.1)
    after = {row["level_mm"]: row for row in two.facts["reports"]["levels"]}
    below = [row for row in two.facts["shapes"]["levels"] if row["level_mm"] > 30.0]  # no flare there
    assert len(below) > 6
    for row in below:
        for key in ("circumference_before_mm", "circumference_after_mm", "ap_after_mm", "ml_after_mm"):
            assert row[key] == pytest.approx(after[row["level_mm"]][key], abs=0.002)


def test_swapping_before_and_after_turns_the_signs_round(two: Comparison, results: Results) -> None:
    back = compare(results.second, results.first).facts["shapes"]
    there = two.facts["shapes"]
    assert back["volume"]["change_ml"] == pytest.approx(-there["volume"]["change_ml"], abs=0.002)
    assert back["distance"]["mean_mm"] == pytest.approx(-there["distance"]["mean_mm"], rel=0.1)
    for name, row in there["regions"].items():
        assert back["regions"][name]["core_mm"] == pytest.approx(-row["core_mm"], abs=0.02)


def test_capture_and_result_show_what_the_report_says_was_achieved(results: Results) -> None:
    made = compare(results.case, results.first)
    assert_keeps_the_schema(made)
    assert made.facts["shapes"]["alignment"]["method"] == "none"
    report = json.loads((results.first / "change-report.json").read_text(encoding="utf-8"))
    for name, row in report["regions"].items():
        if row["core_vertices"] and not row["overlaps"]:
            sign = 1.0 if row["action"] == "build-up" else -1.0
            found = made.facts["shapes"]["regions"][name]["core_mm"]
            assert found == pytest.approx(sign * row["achieved_from_capture_mm"], abs=0.1)
    assert "brim-counted" in {w["code"] for w in made.facts["warnings"]}
    # below one plane, by another count: the report's own change and what its brim adds
    wanted = report["volume"]["change_ml"] + report["volume"]["brim_ml"]
    plane = made.facts["shapes"]["volume"]["plane_level_mm"]
    assert plane == pytest.approx(report["volume"]["plane_level_mm"], abs=3.0)
    assert made.facts["shapes"]["volume"]["change_ml"] == pytest.approx(wanted, abs=3.0)  # ml, the planes differ


def by_hand(results: Results, mm: float) -> Mesh:
    """The first result with a patch of `mm` on the lateral wall, where no rulebook put it."""
    wall = results.mesh
    at = np.array([-1.0, 0.0, 0.0]) * 60.0 + np.array([0.0, 0.0, -75.0])  # lateral of a left limb
    at = wall.vertices[np.argmin(np.linalg.norm(wall.vertices - at, axis=1))]
    share = np.clip((28.0 - np.linalg.norm(wall.vertices - at, axis=1)) / 14.0, 0.0, 1.0)
    return wall.with_vertices(wall.vertices + (mm * share)[:, None] * vertex_normals(wall))


def test_a_model_made_by_hand_in_any_pose_is_compared_where_it_belongs(results: Results, write: Write) -> None:
    model = write(moved(by_hand(results, 3.0), motion(9)))
    made = compare(results.first, model)
    assert_keeps_the_schema(made)
    s = made.facts["shapes"]
    (place,) = s["places"]
    assert place["peak_mm"] == pytest.approx(3.0, abs=0.1) and s["alignment"]["method"] == "shape"
    assert place["level_mm"] == pytest.approx(75.0, abs=15.0) and place["angle_deg"] == pytest.approx(90.0, abs=20.0)
    back = compare(model, results.first)
    assert back.facts["shapes"]["frame"]["origin"] == "AFTER's limb frame"
    assert back.facts["shapes"]["places"][0]["peak_mm"] == pytest.approx(-3.0, abs=0.15)
    assert back.facts["shapes"]["places"][0]["level_mm"] == pytest.approx(place["level_mm"], abs=5.0)


def test_what_lies_above_the_trimline_is_cut_away_and_does_not_count(results: Results, write: Write) -> None:
    # a skirt for the carving machine: everything well above the line 8 mm out
    before = open_version(results.first)
    plan = before.plan
    assert plan is not None and plan.brim is not None
    limb = before.limb_in(np.eye(4), "left", "transtibial")
    assert limb is not None
    above = above_line(limb.chart, plan.brim, *limb.chart.locate(results.mesh.vertices)) > 8.0
    assert 0.1 < above.mean() < 0.6
    skirted = results.mesh.vertices + np.where(above, 8.0, 0.0)[:, None] * vertex_normals(results.mesh)
    made = compare(results.first, write(results.mesh.with_vertices(skirted)), how="none")
    assert_keeps_the_schema(made)
    s = made.facts["shapes"]
    assert s["frame"]["counted"] == "what lies below the trimline" and s["above_trimline"]["mean_mm"] > 2.0
    # the flank of the skirt begins within an edge's length of the line and is nearest to a few places below it
    assert abs(s["distance"]["mean_mm"]) < 0.05 and s["distance"]["p95_mm"] < 0.05 and s["places"] == []
    assert abs(s["volume"]["below_trimline_percent"]) < 0.2 < s["volume"]["change_percent"]


def test_two_bare_models_are_compared_from_the_distal_end(results: Results, write: Write) -> None:
    one, two = write(results.wall, "one.stl"), write(by_hand(results, 3.0), "two.stl")
    made = compare(one, two, how="none")
    assert_keeps_the_schema(made)
    s = made.facts["shapes"]
    assert not s["frame"]["anatomical"] and s["regions"] == {} and "distal end" in s["frame"]["origin"]
    assert {w["code"] for w in made.facts["warnings"]} >= {"units-taken"}
    assert s["levels"][0]["level_mm"] < s["levels"][-1]["level_mm"] <= 0  # above the end
    assert s["distance"]["largest_out"]["amount_mm"] == pytest.approx(3.0, abs=0.1)
    assert "no map can be drawn" in comparison_page(made)


def test_a_shape_file_of_a_result_is_taken_for_the_result(results: Results) -> None:
    shape = results.second / "RB-101-rectified.stl"
    made = compare(results.first, shape)
    assert made.facts["after"]["kind"] == "result" and made.facts["shapes"]["alignment"]["method"] == "none"


def test_reports_alone_are_compared_by_their_facts(results: Results) -> None:
    made = compare(results.first / "change-report.json", results.second / "change-report.json")
    assert_keeps_the_schema(made)
    assert made.facts["shapes"] is None and set(made.facts["reports"]["regions"]) >= {"fibular-head", "popliteal"}
    page = comparison_page(made)
    assert "fibular-head" in page and "Map of the difference" not in page


def test_what_has_no_shape_is_not_compared_with_one_that_has(results: Results, write: Write) -> None:
    with pytest.raises(InputError, match="has no shape to compare"):
        compare(results.first / "change-report.json", write(results.mesh))
    with pytest.raises(InputError, match="is for shapes"):
        compare(results.first / "change-report.json", results.second / "change-report.json", how="shape")


def test_a_result_whose_shape_was_written_anew_is_cut_at_its_plane(results: Results, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(results.first, tmp_path / "anew"))
    from rectify.fabrication import write_stl

    shape = folder / "RB-101-rectified.stl"
    shape.unlink()
    order = np.random.default_rng(1).permutation(len(results.mesh.faces))
    write_stl(Mesh(results.mesh.vertices, results.mesh.faces[order]), shape)
    made = compare(results.first, folder)
    assert "cut-at-plane" in {w["code"] for w in made.facts["warnings"]}
    assert abs(made.facts["shapes"]["distance"]["mean_mm"]) < 1e-4


def test_a_result_without_its_shape_is_a_report(results: Results, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(results.first, tmp_path / "breached"))
    for file in folder.glob("*-rectified.*"):
        file.unlink()
    made = compare(folder, results.second / "change-report.json")
    assert made.facts["before"]["kind"] == "report"
    assert "no-shape" in {w["code"] for w in made.facts["warnings"]}


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("none", None, "there is nothing of this name"),
        ("empty", "folder", "is neither a result nor a case"),
        ("notes.txt", "text", "files ending in .txt are not compared"),
        ("model.stl", "solid\nendsolid\n", "holds no triangles"),
    ],
)
def test_what_cannot_be_compared_is_said(
    results: Results, tmp_path: Path, name: str, content: str | None, words: str
) -> None:
    path = tmp_path / name
    if content == "folder":
        path.mkdir()
    elif content is not None:
        path.write_text(content)
    with pytest.raises(InputError, match=words):
        compare(results.first, path)


def test_another_limb_of_about_the_same_size_is_refused_or_not_called_sure(results: Results, write: Write) -> None:
    other = transtibial(Transtibial(edge_mm=4.0, length=175.0, bulk=300.0, taper=0.95, knee_bend=2.0)).mesh
    try:
        made = compare(results.first, write(other))
    except InputError as error:
        assert "not one limb" in error.message or "cannot be one limb" in error.message
    else:
        assert made.exit_code == 4


def test_units_are_for_mesh_files_only(results: Results) -> None:
    with pytest.raises(InputError, match="carries its own units"):
        compare(results.first, results.second, after_units="mm")


def test_landmarks_are_for_models_of_a_known_amputation(results: Results, write: Write, tmp_path: Path) -> None:
    marks = tmp_path / "landmarks.yaml"
    marks.write_text("mid-patellar-tendon: [0, 50, 0]\n")
    with pytest.raises(InputError, match="has its own landmarks"):
        compare(results.first, results.second, after_landmarks=marks)
    model = write(results.mesh)
    with pytest.raises(InputError, match="nothing says of which amputation"):
        compare(model, model, after_landmarks=marks)


@pytest.fixture(scope="module")
def page(two: Comparison) -> str:
    """Of the two results."""
    return comparison_page(two, "2026-11-25")


def test_the_page_says_what_the_facts_say_and_fetches_nothing(two: Comparison, page: str) -> None:
    s = two.facts["shapes"]
    assert "2026-11-25" in page and f"{s['volume']['change_ml']:+.1f} ml".replace("-", "\u2212") in page
    for key in ("sanders-2012-error", "sanders-2007-ply", "convery-2003"):
        assert key in page
    assert not re.search(r"(?:src|href)=['\"]https?:", page)
    assert page.count("<img") == 5 and len(page) < 3_000_000 and page.count('role="img"') == 1
    ids = re.findall(r"<section id='([^']+)'", page)
    assert len(ids) == len(set(ids)) and set(re.findall(r"href='#([^']+)'", page)) <= {*ids, "main"}


def test_the_page_lets_its_own_script_run_and_no_other(page: str) -> None:
    (digest,) = re.findall(r"script-src '(sha256-[^']+)'", page)
    (script,) = re.findall(r"<script>(.*?)</script>", page, flags=re.S)
    assert digest == "sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def test_the_view_speaks_of_before_and_after(two: Comparison) -> None:
    assert two.shapes is not None
    scene = scene_of_comparison(two.shapes)
    assert scene is not None
    head, _ = read(pack(scene))
    assert head["words"]["both_means"] == "BEFORE as glass over AFTER" and head["words"]["captured"] == "Before"
    assert head["scale"]["ends"] == ["inside", "outside"]
    assert not [word for word in head["words"].values() if "rectified" in word or "captured" in word]


def test_the_view_shows_the_distances_that_the_facts_tell(two: Comparison) -> None:
    assert two.shapes is not None
    scene = scene_of_comparison(two.shapes, case="RB-101")
    assert scene is not None
    d = two.shapes.difference
    assert np.array_equal(scene.captured, d.before.vertices[scene.view.kept])
    gap = np.linalg.norm(scene.rectified - scene.captured, axis=1)
    assert np.abs(gap - np.abs(scene.move)).max() < 1e-9
    assert np.array_equal(scene.filled, ~d.compared[scene.view.kept])
    heads = {region.name: region.label for region in scene.regions}
    assert heads["fibular-head"] == "+1.0 mm" and heads["tibial-tubercle"] == "0.0 mm"
    # where a vertex is said to lie in the fibular head, the move is what was tuned or less
    number = 1 + [region.name for region in scene.regions].index("fibular-head")
    assert scene.move[scene.region_of == number].max() == pytest.approx(1.0, abs=0.02)


def test_names_from_files_are_escaped(results: Results, tmp_path: Path) -> None:
    file = Path(shutil.copyfile(results.first / "change-report.json", tmp_path / "<b>first & last.json"))
    page = comparison_page(compare(file, results.second / "change-report.json"))
    assert "<b>first" not in page and "&lt;b&gt;first &amp; last" in page


def test_the_same_two_give_the_same_facts_and_page(two: Comparison, page: str, results: Results) -> None:
    again = compare(results.first, results.second)
    assert again.facts == two.facts and comparison_page(again, "2026-11-25") == page


def test_a_comparison_is_written_whole_and_replaces_only_its_like(results: Results, tmp_path: Path) -> None:
    two = compare(results.first / "change-report.json", results.second / "change-report.json")
    place = tmp_path / "compared"
    save_comparison(two, place)
    assert sorted(p.name for p in place.iterdir()) == ["comparison.html", "comparison.json"]
    assert json.loads((place / "comparison.json").read_text(encoding="utf-8")) == two.facts
    with pytest.raises(OutputError, match="exists already"):
        save_comparison(two, place)
    save_comparison(two, place, replace=True)
    other = tmp_path / "other"
    other.mkdir()
    (other / "mine.txt").write_text("kept")
    with pytest.raises(OutputError):
        save_comparison(two, other, replace=True)
    assert (other / "mine.txt").read_text() == "kept"


def test_compare_is_a_public_word_of_the_package(results: Results) -> None:
    made = rectify.compare(results.first, results.second)
    assert made.exit_code == 0


def test_a_missing_file_is_told_by_its_error(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="there is nothing of this name"):
        compare(tmp_path / "a", tmp_path / "b")


def test_a_raw_scan_is_laid_over_its_clean_twin_where_those_limbs_are_there(results: Results) -> None:
    if not (LIMBS / "tt-right-medium").is_dir():
        made = compare(results.case, results.case)
        assert made.facts["shapes"]["distance"]["mean_size_mm"] < 1e-9
        return
    made = compare(LIMBS / "tt-right-medium", LIMBS / "tt-right-medium-raw")
    assert_keeps_the_schema(made)
    s = made.facts["shapes"]
    assert s["alignment"]["method"] == "landmarks-and-shape"
    # the twin has 0.2 mm of noise along its normals: its distances scatter so, and half of them within 0.67 of that
    assert abs(s["distance"]["median_mm"]) < 0.05 and s["alignment"]["half_within_mm"] < 0.25
