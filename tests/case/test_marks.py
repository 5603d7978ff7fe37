"""The pencil marks of a case: read from the scan's colours, taken where they are sure, written as landmarks."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import trimesh

from rectify.case import open_case
from rectify.case.marks import mark_facts, write_landmarks
from rectify.data import demo_folder
from rectify.errors import CaseError, OutputError
from rectify.geometry.read import read_mesh
from rectify.synthetic import Transtibial, transtibial
from tests.marks.paint import dot, paint, ring
from tests.running import run_in

DRAWN = {"patella-centre": 38.0, "tibial-tubercle": 8.0, "fibular-head": 8.0, "distal-tibia": 8.0}


@pytest.fixture(scope="module")
def painted_case(tmp_path_factory) -> Path:
    """RB-104's words over a painted limb of which only the origin is in the landmarks."""
    folder = tmp_path_factory.mktemp("marks") / "RB-104"
    shutil.copytree(demo_folder() / "RB-104", folder)
    limb = transtibial(Transtibial(edge_mm=2.0))
    marks = [
        (ring if size > 20 else dot)(np.asarray(limb.landmarks[name]).reshape(-1, 3)[0], size, name)
        for name, size in DRAWN.items()
    ]
    mesh = paint(limb.mesh, marks)
    trimesh.Trimesh(mesh.vertices, mesh.faces, vertex_colors=mesh.colours, process=False).export(folder / "scan.ply")
    text = (folder / "case.yaml").read_text()
    (folder / "case.yaml").write_text(
        text.replace("  shaping: none", "  marks: {colour: blue-violet}\n  shaping: none")
    )
    origin = ", ".join(f"{x:.3f}" for x in limb.landmarks["mid-patellar-tendon"])
    (folder / "landmarks.yaml").write_text(f"mid-patellar-tendon: [{origin}]\n")
    return folder


def test_sure_marks_are_landmarks_and_say_where_they_come_from(painted_case):
    case = open_case(painted_case)
    truth = transtibial(Transtibial(edge_mm=2.0)).landmarks
    read = {name: mark for name, mark in case.captured.landmarks.items() if mark.source == "mark"}
    assert {"patella-centre", "tibial-tubercle"} <= set(read)
    for name, mark in read.items():
        place = (mark.points[0] - case.captured.frame[:3, 3]) @ case.captured.frame[:3, :3]
        assert np.linalg.norm(place - np.asarray(truth[name]).reshape(-1, 3)[0]) < 2.0  # mm, a pencil's width


def test_the_table_says_what_is_taken_and_what_is_for_a_person(painted_case):
    facts = mark_facts(open_case(painted_case))
    assert facts["case"] == "RB-104" and len(facts["marks"]) == len(DRAWN)
    assert {row["taken"] for row in facts["marks"]} <= {"taken", "for a person to name", "given already"}


def test_the_written_file_serves_as_landmarks_and_is_never_written_over(painted_case, tmp_path):
    case = open_case(painted_case)
    write_landmarks(case, tmp_path / "landmarks.yaml")
    copy = Path(shutil.copytree(painted_case, tmp_path / "copy"))
    shutil.copy(tmp_path / "landmarks.yaml", copy / "landmarks.yaml")
    again = open_case(copy).captured.landmarks
    for name, mark in case.captured.landmarks.items():
        if mark.source == "mark":
            assert again[name].points[0] == pytest.approx(mark.points[0], abs=1e-3)  # four decimals of a mm
    with pytest.raises(OutputError, match="exists already"):
        write_landmarks(case, tmp_path / "landmarks.yaml")


def test_the_command_shows_the_table(painted_case, tmp_path):
    ended = run_in(tmp_path, "marks", painted_case)
    assert ended.code == 0 and "patella-centre" in ended.out and "ring" in ended.out
    assert run_in(tmp_path, "marks", painted_case, "--json").json["case"] == "RB-104"


def test_a_case_that_says_nothing_of_marks_is_told_how_to(tmp_path):
    ended = run_in(tmp_path, "marks", demo_folder() / "RB-102")
    assert ended.code == 2 and "scan: {marks: {colour: blue-violet}}" in ended.err
    with pytest.raises(CaseError, match="does not say"):
        mark_facts(open_case(demo_folder() / "RB-102"))


def test_the_painted_scan_carries_its_colours(painted_case):
    assert read_mesh(painted_case / "scan.ply").mesh.colours is not None
