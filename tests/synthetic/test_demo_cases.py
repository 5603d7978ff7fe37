"""The demo cases: what is in the repository is what the generator makes, and each is a case one can work on."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import yaml
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation
from soundness import assert_sound

from rectify.data import demo_folder
from rectify.errors import OutputError
from rectify.geometry.mesh import Mesh
from rectify.geometry.nearest import nearest
from rectify.geometry.read import read_mesh
from rectify.geometry.sections import cut
from rectify.limb.vocabulary import vocabulary
from rectify.synthetic import CASES, case_files, write_demo
from rectify.synthetic.__main__ import main

CODES = [case.code for case in CASES]
FACES, BYTES = 20_000, 400_000  # what a demo scan may hold
TO_MM = {"mm": 1.0, "cm": 10.0}


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    return {place.name: place for place in write_demo(tmp_path_factory.mktemp("demo"))}


def raw(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """Positions and faces as a demo file stores them, read by the plain way."""
    data = path.read_bytes()
    if path.suffix == ".stl":
        count = int(np.frombuffer(data[80:84], "<u4")[0])
        row = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
        assert len(data) == 84 + 50 * count
        corners = np.frombuffer(data[84:], row)["corners"].reshape(-1, 3)
        return corners.astype(float), np.arange(len(corners)).reshape(-1, 3)
    head, body = data.split(b"end_header\n", 1)
    n, m = (int(re.search(rb"element %s (\d+)" % what, head)[1]) for what in (b"vertex", b"face"))
    points = np.frombuffer(body[: 12 * n], "<f4").reshape(n, 3)
    faces = np.frombuffer(body[12 * n :], np.dtype([("count", "u1"), ("corners", "<i4", 3)]))
    assert len(faces) == m and (faces["count"] == 3).all()
    return points.astype(float), faces["corners"]


def case_of(folder: Path) -> dict:
    # every value as written: YAML 1.1 would make a truth of the key `on`
    return yaml.load((folder / "case.yaml").read_text(), yaml.BaseLoader)


def marks_of(folder: Path) -> dict:
    marks = yaml.safe_load((folder / "landmarks.yaml").read_text())
    return {name: np.array(points) for name, points in marks.items() if points != "absent"}


def scan_of(folder: Path) -> Mesh:
    """The scan in mm, its equal corners joined, faces outward."""
    case = case_of(folder)
    points, faces = raw(folder / case["scan"]["file"])
    places, index = np.unique(points, axis=0, return_inverse=True)
    faces = index.reshape(-1)[faces].astype(np.int64)
    if case["scan"]["surface"] == "impression-inside":
        faces = np.ascontiguousarray(faces[:, ::-1])
    return Mesh(places * TO_MM[case["scan"]["units"]], faces)


@pytest.mark.parametrize("code", CODES)
def test_the_shipped_case_is_what_the_generator_makes(code, written):
    shipped, fresh = demo_folder() / code, written[code]
    name = case_of(fresh)["scan"]["file"]
    (old, old_faces), (new, new_faces) = raw(shipped / name), raw(fresh / name)
    assert np.array_equal(old_faces, new_faces)
    # float32 at some 700 mm from the scanner's origin steps by 6e-5 mm; one step across machines
    assert np.abs(old - new).max() <= max(2e-5, np.spacing(np.float32(np.abs(old).max())))
    unreleased = re.sub(r"(?m)^release:.*\n", "", (shipped / "case.yaml").read_text())
    assert unreleased == (fresh / "case.yaml").read_text()
    one, two = marks_of(shipped), marks_of(fresh)
    assert list(one) == list(two)
    for mark, points in one.items():
        assert points == pytest.approx(two[mark], abs=1.1e-3)  # the last printed decimal


@pytest.mark.parametrize("code", CODES)
def test_a_scan_is_one_open_surface_small_enough_to_ship(code):
    folder = demo_folder() / code
    assert_sound(scan_of(folder), least_angle=20.0)
    file = folder / case_of(folder)["scan"]["file"]
    assert len(raw(file)[1]) <= FACES and file.stat().st_size <= BYTES


@pytest.mark.parametrize("code", CODES)
def test_the_projects_reader_sees_the_same_scan(code):
    folder = demo_folder() / code
    file = folder / case_of(folder)["scan"]["file"]
    points, faces = raw(file)
    found = read_mesh(file).mesh
    assert np.array_equal(found.vertices[found.faces], points[faces])


@pytest.mark.parametrize("code", CODES)
def test_marked_landmarks_lie_on_the_scan(code):
    folder = demo_folder() / code
    mesh, unit = scan_of(folder), TO_MM[case_of(folder)["scan"]["units"]]
    marks = marks_of(folder)
    words = vocabulary(case_of(folder)["amputation"])
    assert set(words.origin) <= set(marks) and any(set(group) <= set(marks) for group in words.zero)
    for name, points in marks.items():
        away = nearest(np.atleast_2d(points) * unit, mesh.vertices, mesh.faces)[0]
        assert away.max() < 0.3, name  # mm


@pytest.mark.parametrize("case", CASES, ids=CODES)
def test_the_tape_read_what_the_scan_measures_within_a_hands_error(case):
    folder = demo_folder() / case.code
    mesh, limb = scan_of(folder), case.made()
    turn = Rotation.from_euler("xyz", case.turn_deg, degrees=True).as_matrix()
    upright = mesh.with_vertices((mesh.vertices - np.array(case.shift_mm)) @ turn)
    entries = case_of(folder)["tape"]
    assert entries
    for entry, tape in zip(entries, case.tape, strict=True):
        level = -limb.landmarks[entry["at"]][2] + float(entry.get("distal", "0 mm").split()[0])
        assert level < limb.facts["shoulder_mm"]  # on the wall: nobody tapes the end
        outline = cut(upright, upright.vertices[:, 2], np.array([-level])).starts[:, :2]
        width = np.ptp(outline, axis=0)
        found = {"circumference": ConvexHull(outline).area, "ap": width[1], "ml": width[0]}[entry["measure"]]
        assert (entry.get("tension") == "tight") == (tape.pressed > 0)
        # 2 mm of hand, and up to 0.6 mm that chords and scanner noise take from or give to the mesh
        assert float(entry["value"].split()[0]) == pytest.approx(found - tape.pressed, abs=2.6)


@pytest.mark.parametrize("case", CASES, ids=CODES)
def test_no_scan_stands_in_the_limb_frame(case):
    turn = Rotation.from_euler("xyz", case.turn_deg, degrees=True)
    assert np.degrees(turn.magnitude()) > 30.0 and np.linalg.norm(case.shift_mm) > 50.0


def test_the_cases_differ_as_a_clinics_would():
    cases = [case_of(demo_folder() / code) for code in CODES]
    assert {case["side"] for case in cases} == {"left", "right"}
    wanted = {"transtibial", "transfemoral", "knee-disarticulation", "ankle-disarticulation"}
    assert {case["amputation"] for case in cases} == wanted
    assert {case["scan"]["surface"] for case in cases} >= {"skin", "liner"}
    assert {Path(case["scan"]["file"]).suffix for case in cases} == {".stl", ".ply"}
    assert {case["scan"]["units"] for case in cases} == {"mm", "cm"}
    assert len({case["rulebook"] for case in cases}) == 5
    tunes = [entry for case in cases for entry in case.get("tune", [])]
    assert tunes and all({"by", "on", "after", "why", "regions"} <= set(entry) for entry in tunes)


def test_a_case_folder_that_exists_is_left_alone(tmp_path):
    (tmp_path / CODES[1]).mkdir()
    with pytest.raises(OutputError, match="the case folder exists"):
        write_demo(tmp_path)
    assert [place.name for place in tmp_path.iterdir()] == [CODES[1]]


def test_replacing_leaves_what_is_not_the_cases_own(tmp_path):
    note = tmp_path / CODES[0] / "note.txt"
    note.parent.mkdir()
    note.write_text("mine")
    (note.parent / "case.yaml").write_text("old")
    write_demo(tmp_path, replace=True)
    assert note.read_text() == "mine"
    assert (note.parent / "case.yaml").read_bytes() == case_files(CASES[0])["case.yaml"]


def test_the_command_writes_the_same_bytes_again_and_then_refuses_with_two(written, tmp_path, capsys):
    assert main([str(tmp_path / "new")]) == 0
    places = [Path(line) for line in capsys.readouterr().out.splitlines()]
    assert [place.name for place in places] == CODES
    for place in places:
        assert {file.name for file in place.iterdir()} == {file.name for file in written[place.name].iterdir()}
        for file in place.iterdir():
            assert file.read_bytes() == (written[place.name] / file.name).read_bytes()
    assert main([str(tmp_path / "new")]) == 2
    said = capsys.readouterr()
    assert said.out == "" and "the case folder exists" in said.err and CODES[0] in said.err
