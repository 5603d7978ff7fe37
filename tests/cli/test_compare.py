"""`rectify compare`: what it prints, writes and ends with."""

from __future__ import annotations

import json
import re
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from rectify.fabrication import write_stl
from rectify.geometry.mesh import Mesh
from rectify.geometry.read import read_mesh
from rectify.studies.schema import comparison_schema
from rectify.synthetic import capsule
from tests.cli.conftest import Made, Run
from tests.running import contents


@pytest.fixture
def shape(made: Made) -> Mesh:
    """The rectified model of the demo case."""
    return read_mesh(made.folder / "RB-101-rectified.stl").mesh


def test_a_capture_and_its_result_in_words(made: Made, run: Run) -> None:
    before = contents(made.here)
    ended = run("compare", made.case, made.folder)
    assert ended.code == 0
    assert re.search(r"^aligned   not aligned: both were made from one scan", ended.out, re.M)
    assert re.search(r"^mean distance +[+-]\d\.\d\d mm .* sanders-2012-error$", ended.out, re.M)
    assert re.search(r"^fibular-head +\+\d\.\d\d", ended.out, re.M)
    assert re.search(r"^volume \d+ ml -> \d+ ml", ended.out, re.M)
    assert contents(made.here) == before  # nothing is written without --out


def test_json_keeps_the_schema_and_says_how_it_ended(made: Made, run: Run) -> None:
    ended = run("compare", made.folder, made.folder, "--json")
    facts = ended.json
    assert facts.pop("exit_code") == ended.code == 0 and facts.pop("folder") is None
    jsonschema.Draft202012Validator(comparison_schema()).validate(facts)
    assert facts["shapes"]["distance"]["mean_size_mm"] == 0.0


def test_files_are_written_where_asked_and_once(made: Made, run: Run, tmp_path: Path) -> None:
    words = ("compare", made.folder / "change-report.json", made.folder / "change-report.json", "--out", "seen")
    assert run(*words).code == 0
    assert set(contents(tmp_path / "seen")) == {"comparison.json", "comparison.html"}
    again = run(*words)
    assert again.code == 2 and "exists already" in again.err
    assert run(*words, "--replace").code == 0
    assert run("compare", made.folder, made.folder, "--replace").code == 2


def test_the_schema_is_printed(run: Run) -> None:
    assert run("rules", "schema", "--of", "comparison").json == comparison_schema()


def test_a_mirrored_model_ends_with_2_and_nothing_written(made: Made, run: Run, tmp_path: Path, shape: Mesh) -> None:
    flipped = Mesh(shape.vertices * np.array([-1.0, 1.0, 1.0]), shape.faces[:, ::-1])
    write_stl(flipped, tmp_path / "mirrored.stl")
    ended = run("compare", made.folder, "mirrored.stl", "--out", "seen")
    assert ended.code == 2 and "a mirror image fits better" in ended.err
    assert not (tmp_path / "seen").exists()


def test_inches_are_noticed_and_then_taken(made: Made, run: Run, tmp_path: Path, shape: Mesh) -> None:
    write_stl(shape.with_vertices(shape.vertices / 25.4), tmp_path / "inches.stl")
    ended = run("compare", made.folder, "inches.stl")
    assert ended.code == 2 and "as inch and mm do" in ended.err and "--after-units" in ended.err
    assert run("compare", made.folder, "inches.stl", "--after-units", "inch", "--align", "none").code == 0


def test_an_alignment_that_is_not_sure_ends_with_4(run: Run, tmp_path: Path) -> None:
    write_stl(capsule(50.0, 150.0, 5.0, 60.0), tmp_path / "one.stl")
    write_stl(capsule(50.0, 150.0, 6.0, 60.0), tmp_path / "two.stl")
    ended = run("compare", "one.stl", "two.stl")
    assert ended.code == 4 and "look: the alignment is not sure" in ended.err


def test_a_file_that_is_no_report_is_a_sentence(run: Run, tmp_path: Path) -> None:
    (tmp_path / "a.json").write_text(json.dumps({"format": 1}))
    ended = run("compare", "a.json", "a.json", "--json")
    assert ended.code == 2 and ended.json["error"]["message"] == "is not a change report"
