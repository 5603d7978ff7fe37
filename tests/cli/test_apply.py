"""`rectify apply` from outside: what it writes, what it says, how it ends; and the same from Python."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import trimesh

import rectify
from rectify.data import demo_folder, rules_folder
from rectify.errors import InputError, LimitError, OutputError
from rectify.report import report_schema
from tests.cli.conftest import Made, Run
from tests.running import contents, report_of

FILES = (
    "RB-101-rectified.3mf",
    "RB-101-rectified.stl",
    "RB-101-trimline.json",
    "change-report.html",
    "change-report.json",
    "files.json",
    "plan.yaml",
)
LEAN = ("--without", "page")  # the page takes as long as everything else together


def test_apply_writes_the_whole_result_beside_where_you_stand_and_leaves_the_case_alone(made: Made) -> None:
    assert made.ended.code == 4
    assert tuple(contents(made.folder)) == FILES
    assert contents(made.case) == made.case_before
    assert sorted(p.name for p in made.here.iterdir()) == ["RB-101", "RB-101-rectified"]


def test_the_summary_agrees_with_the_report_and_with_the_shape(made: Made) -> None:
    out, volume = made.ended.out, made.report["volume"]
    jsonschema.validate(made.report, report_schema())
    assert f"{volume['before_ml']:.0f} ml -> {volume['after_ml']:.0f} ml" in out
    assert "case      RB-101, left transtibial\n" in out and "status    draft\n" in out
    for name in FILES:
        assert f"          {name}\n" in out
    solid = trimesh.load_mesh(made.folder / "RB-101-rectified.stl")
    assert solid.is_watertight and solid.is_winding_consistent and solid.body_count == 1
    # the file holds float32: a surface of 0.1 m² off by 0.00002 mm is off by 0.002 ml at most
    assert solid.volume / 1000 == pytest.approx(volume["model_after_ml"], abs=0.01)
    same = trimesh.load_mesh(made.folder / "RB-101-rectified.3mf")
    assert same.units in ("mm", "millimeter") and same.volume == pytest.approx(solid.volume, rel=1e-6)


def test_where_a_person_must_look_one_line_says_why(made: Made) -> None:
    assert len(made.ended.err.splitlines()) == 1
    assert made.ended.err.startswith("a person must look before this goes to a machine: ")
    assert "nobody has released this result" in made.ended.out


def test_json_holds_the_summary_and_messages_stay_on_stderr(run: Run, demo_case: Path, tmp_path: Path) -> None:
    ended = run("apply", demo_case, "--out", "made", "--without", "page", "--json")
    told, report = ended.json, report_of(tmp_path / "made")
    assert told["exit_code"] == ended.code == 4
    assert (told["case"], told["status"], told["folder"]) == ("RB-101", "draft", "made")
    assert told["files"] == [name for name in FILES if not name.endswith("html")]
    assert told["volume"] == report["volume"] and told["rulebook"] == report["rulebook"]
    assert told["look"] == [w for w in report["warnings"] if w["severity"] == "look"] != []
    assert told["limits_breached"] == [] and "a person must look" in ended.err


def test_parts_can_be_left_out(run: Run, demo_case: Path, tmp_path: Path) -> None:
    run("apply", demo_case, "--out", "lean", "--without", "3mf", "--without", "page")
    assert tuple(contents(tmp_path / "lean")) == tuple(n for n in FILES if n[-3:] != "3mf" and n[-4:] != "html")


def test_the_same_input_gives_the_same_bytes(run: Run, made: Made, tmp_path: Path) -> None:
    assert run("apply", made.case, "--out", "again").code == 4
    again, first = contents(tmp_path / "again"), contents(made.folder)
    assert again.keys() == first.keys()
    for name in FILES:
        assert again[name] == first[name] or name.endswith("html"), name  # the page may carry the day


def test_a_set_changes_that_region_and_the_report_says_who_and_why(run: Run, demo_case: Path, tmp_path: Path) -> None:
    words = ("--by", "KW-cpo", "--why", "red after ten minutes", "--on", "2026-11-20")
    ended = run(
        "apply", demo_case, "--set", "fibular-head.change=+1mm", "--set", "patellar-tendon.amount=5 mm", *words, *LEAN
    )
    assert ended.code == 4, ended.err
    regions = report_of(tmp_path / "RB-101-rectified")["regions"]
    head, tendon = regions["fibular-head"], regions["patellar-tendon"]
    assert (head["change_mm"], head["asked_mm"]) == (1.0, head["rulebook_mm"] + 1.0)
    assert tendon["asked_mm"] == 5.0 and tendon["change_mm"] == 5.0 - tendon["rulebook_mm"]
    assert head["achieved_mm"] == pytest.approx(head["asked_mm"], abs=0.10)  # the bound at a core, clean scan
    (entry,) = head["tuned_by"]
    assert (entry["by"], entry["why"], entry["on"]) == ("KW-cpo", "red after ten minutes", "2026-11-20")


def test_another_rulebook_may_be_named_or_given_as_a_file(run: Run, demo_case: Path, tmp_path: Path) -> None:
    name = "transtibial-total-surface-bearing"
    assert run("apply", demo_case, "--rulebook", name, "--out", "by-name", *LEAN).code == 4
    file = rules_folder() / f"{name}.yaml"
    assert run("apply", demo_case, "--rulebook", file, "--out", "by-file", *LEAN).code == 4
    one, two = (trimesh.load_mesh(tmp_path / folder / "RB-101-rectified.stl") for folder in ("by-name", "by-file"))
    assert np.array_equal(one.vertices, two.vertices)
    assert report_of(tmp_path / "by-name")["rulebook"]["key"] == name


def test_a_plan_used_as_the_rulebook_gives_the_same_shape_and_plan(run: Run, demo_case: Path, tmp_path: Path) -> None:
    run("apply", demo_case, "--set", "fibular-head.change=+1mm", "--by", "KW", "--why", "red", "--out", "first", *LEAN)
    again = run("apply", demo_case, "--rulebook", tmp_path / "first" / "plan.yaml", "--out", "second", *LEAN)
    assert again.code == 4, again.err
    first, second = contents(tmp_path / "first"), contents(tmp_path / "second")
    for name in ("RB-101-rectified.stl", "RB-101-rectified.3mf", "RB-101-trimline.json", "plan.yaml"):
        assert first[name] == second[name], name


def breaching(case: Path) -> Path:
    """A rulebook of the case's own folder whose limit on build-ups its own regions pass."""
    book = case / "narrow.yaml"
    book.write_text(
        "format: 1\nname: Narrow limits\namputation: transtibial\nstatus: usable\nrevision: 1\n"
        "regions:\n  pad:\n    action: build-up\n    amount: 6 mm\n    at: mid-patellar-tendon\n    distal: 40 mm\n"
        "    shape: {oval: 40 mm}\n    feather: 20 mm\n    evidence: common practice\n"
        "limits: {volume: [0 %, 0.1 %]}\n"
    )
    return book


def test_a_breached_limit_ends_with_3_and_writes_reports_but_no_shape(
    run: Run, demo_case: Path, tmp_path: Path
) -> None:
    ended = run("apply", demo_case, "--rulebook", breaching(demo_case))
    assert ended.code == 3
    assert "a limit was breached, so no shape was written: " in ended.err
    assert tuple(contents(tmp_path / "RB-101-rectified")) == ("change-report.html", "change-report.json", "plan.yaml")
    report = report_of(tmp_path / "RB-101-rectified")
    assert report["checks"]["within_limits"] is False
    assert any(warning["severity"] == "stop" for warning in report["warnings"])


def test_a_breached_limit_as_json(run: Run, demo_case: Path) -> None:
    ended = run("apply", demo_case, "--rulebook", breaching(demo_case), "--json", *LEAN)
    assert ended.code == 3 and ended.json["exit_code"] == 3
    assert len(ended.json["limits_breached"]) == 1 and "volume" in ended.json["limits_breached"][0]
    assert not [name for name in ended.json["files"] if "rectified" in name]


def test_an_existing_folder_is_refused_before_any_work_and_replaced_on_request(
    run: Run, demo_case: Path, tmp_path: Path
) -> None:
    (tmp_path / "made").mkdir()
    (tmp_path / "made" / "mine.txt").write_text("keep")
    refused = run("apply", demo_case, "--out", "made")
    assert refused.code == 2 and "made  exists already" in refused.err and "--replace" in refused.err
    assert contents(tmp_path / "made") == {"mine.txt": b"keep"}
    # nor is it replaced, until it holds nothing, or an earlier result
    refused = run("apply", demo_case, "--out", "made", "--replace")
    assert refused.code == 2 and "no earlier result" in refused.err
    assert contents(tmp_path / "made") == {"mine.txt": b"keep"}
    (tmp_path / "made" / "mine.txt").unlink()
    assert run("apply", demo_case, "--out", "made", "--replace", *LEAN).code == 4
    (tmp_path / "made" / "mine.txt").write_text("goes with the result it was put into")
    assert run("apply", demo_case, "--out", "made", "--replace", *LEAN).code == 4
    assert "plan.yaml" in contents(tmp_path / "made") and "mine.txt" not in contents(tmp_path / "made")


def test_a_result_that_holds_the_rulebook_in_use_is_never_replaced(run: Run, demo_case: Path, tmp_path: Path) -> None:
    assert run("apply", demo_case, "--out", "made", *LEAN).code == 4
    own = "format: 1\nextends: transtibial-total-surface-bearing\nname: Own\nstatus: usable\nrevision: 1\n"
    (tmp_path / "made" / "own.yaml").write_text(own)
    before = contents(tmp_path / "made")
    for book in ("made/own.yaml", "made/plan.yaml"):
        ended = run("apply", demo_case, "--rulebook", book, "--out", "made", "--replace", *LEAN)
        assert ended.code == 2 and "holds a file this result is made from" in ended.err and book in ended.err
        assert contents(tmp_path / "made") == before


def test_a_folder_that_holds_the_case_is_never_replaced(run: Run, demo_case: Path) -> None:
    before = contents(demo_case)
    ended = run("apply", demo_case, "--out", demo_case, "--replace")
    assert ended.code == 2 and "holds a file this result is made from" in ended.err
    assert contents(demo_case) == before


def test_from_python_the_same_words_do_the_same(made: Made, tmp_path: Path) -> None:
    result = rectify.apply(rectify.open_case(made.case))
    assert result.exit_code == 4
    assert result.save(tmp_path / "by-python", without=("page",)) == tmp_path / "by-python"
    by_command = {name: data for name, data in contents(made.folder).items() if not name.endswith("html")}
    assert contents(tmp_path / "by-python") == by_command
    written = trimesh.load_mesh(tmp_path / "by-python" / "RB-101-rectified.stl", process=False)
    assert len(written.faces) == len(result.mesh.faces)
    assert made.report == json.loads(json.dumps(result.report))


def test_from_python_save_refuses_what_it_does_not_know_and_folders_that_are_there(
    demo_case: Path, tmp_path: Path
) -> None:
    result = rectify.apply(rectify.open_case(demo_case))
    with pytest.raises(InputError, match="cannot be left out"):
        result.save(tmp_path / "made", without=("pdf",))
    assert not (tmp_path / "made").exists()
    with pytest.raises(OutputError, match="exists already"):
        result.save(demo_case)


def test_from_python_a_breached_limit_is_an_error_after_the_reports_are_written(
    demo_case: Path, tmp_path: Path
) -> None:
    result = rectify.apply(rectify.open_case(demo_case), breaching(demo_case))
    assert result.exit_code == 3
    with pytest.raises(LimitError, match="volume"):
        result.save(tmp_path / "made")
    assert sorted(p.name for p in (tmp_path / "made").iterdir()) == [
        "change-report.html",
        "change-report.json",
        "plan.yaml",
    ]


def test_the_trimline_file_is_a_closed_curve_on_the_model(made: Made) -> None:
    told = json.loads((made.folder / "RB-101-trimline.json").read_text())
    assert told["case"] == "RB-101" and told["units"] == "mm" and told["closed"] is True
    solid = trimesh.load_mesh(made.folder / "RB-101-rectified.stl")
    points = np.array(told["points"])
    _, distance, _ = trimesh.proximity.closest_point_naive(solid, points[::25])
    assert distance.max() < 1e-3  # mm: four decimals in the file, float32 in the STL
    steps = np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1)
    assert steps.sum() == pytest.approx(told["length_mm"], abs=0.1)


def test_every_demo_case_can_be_rectified_and_its_release_holds(run: Run, tmp_path: Path) -> None:
    for case in sorted(demo_folder().iterdir())[1:]:  # the first is in every other test
        ended = run("apply", case, "--without", "page")
        released = "\nrelease: " in (case / "case.yaml").read_text(encoding="utf-8")
        assert ended.code == (0 if released else 4), f"{case.name}: {ended.err}"
        solid = trimesh.load_mesh(tmp_path / f"{case.name}-rectified" / f"{case.name}-rectified.stl")
        assert solid.is_watertight and solid.volume > 0 and solid.body_count == 1


def test_what_moves_the_whole_surface_is_told_and_a_copy_is_named_as_one(run: Run, demo_case: Path) -> None:
    out = run("apply", demo_case, "--without", "page", "--out", "one").out
    assert "capture   surface moved 2.55 mm out: liner 3 mm to be worn" in out
    file = demo_case / "case.yaml"
    text = file.read_text().replace("surface: skin", "surface: positive-model\n  rectified: yes")
    file.write_text(text.replace("  units: mm", "  units: mm\n  trim: {at: mid-patellar-tendon, proximal: 50 mm}"))
    lines = run("apply", demo_case, "--without", "page", "--out", "two").out.splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("capture   "))
    assert lines[start].startswith("capture   the top was cut by the plane asked for; ")
    assert lines[start + 1].startswith(" " * 10 + "surface moved 2.55 mm out")
    assert lines[start + 2].startswith(" " * 10 + "what was captured is rectified already: ")
