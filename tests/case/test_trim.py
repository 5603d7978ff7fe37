"""A scan cut by the plane that its case asks for: where it is cut, what is told, what is refused."""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from rectify.case import open_case
from rectify.errors import CaseError, MeshError
from rectify.geometry.mesh import Mesh
from rectify.report import measure_facts
from rectify.synthetic import KneeDisarticulation, Transtibial, capsule, knee_disarticulation, transtibial
from rectify.synthetic.files import stl_bytes

AT = "trim: {at: mid-patellar-tendon, proximal: 40 mm}"
TURN, SHIFT = Rotation.from_euler("xyz", [62.0, -31.0, 118.0], degrees=True).as_matrix(), np.array([80.0, -190.0, 40.0])


def text(point) -> str:
    return "[" + ", ".join(f"{x:.6f}" for x in np.asarray(point)) + "]"


def posed(points):
    return np.asarray(points) @ TURN.T + SHIFT


def write(
    folder,
    mesh: Mesh,
    marks: dict,
    scan: str = AT,
    units: str = "mm",
    scale: float = 1.0,
    limb: str = "side: right\namputation: transtibial",
):
    """A case in an arbitrary pose; lengths of its files are mm divided by `scale`."""
    folder.mkdir(exist_ok=True)
    (folder / "scan.stl").write_bytes(stl_bytes(mesh.with_vertices(posed(mesh.vertices) / scale)))
    lines = [f"{name}: {p if isinstance(p, str) else text(posed(p) / scale)}" for name, p in marks.items()]
    (folder / "landmarks.yaml").write_text("\n".join(lines) + "\n")
    head = f"format: 1\ncase: RB-901\n{limb}\nlandmarks: landmarks.yaml\n"
    (folder / "case.yaml").write_text(f"{head}scan: {{file: scan.stl, units: {units}, {scan}}}\n")
    return open_case(folder)


PILL = capsule(50.0, 150.0, 3.0, 80.0)
MARKS = {"mid-patellar-tendon": [0, 50, 0], "distal-tibia": [0, 50, -120]}


@pytest.fixture(scope="module")
def leg():
    return transtibial(Transtibial(edge_mm=5.0))


def test_a_plane_at_a_landmark_is_square_to_the_axis_at_that_level(tmp_path):
    case = write(tmp_path / "a", PILL, MARKS)
    edge = case.captured.edge
    # mm; a corner of the mesh that lies within 8 % of an edge of the plane is taken as on it
    assert np.abs(edge[:, 2] - 40.0).max() < 0.25
    step = next(step for step in case.scan.steps if step.code == "top-cut")
    assert step.area_mm2 == pytest.approx(2 * np.pi * 50.0 * 40.0, rel=5e-3)  # the wall from 40 to 80 mm above
    assert "40.0 mm beyond it" in step.message
    # cylinder and half ball; chords of 3 mm edges lose 0.1 %
    whole = np.pi * 50.0**2 * 190.0 + 2 / 3 * np.pi * 50.0**3
    assert case.captured.model_volume_ml() * 1000 == pytest.approx(whole, rel=2e-3)
    closing = measure_facts(case)["capture"][-1]
    assert closing["message"] == "the open top was closed along the plane it was cut by"


def test_a_plane_of_the_scan_is_taken_in_its_own_units_and_axes(tmp_path):
    point, towards = posed([[3.0, -4.0, 40.0]])[0] / 10.0, 0.3 * TURN[:, 2]
    free = f"trim: {{through: {text(point)}, cut-towards: {text(towards)}}}"
    one = write(tmp_path / "a", PILL, MARKS, free, units="cm", scale=10.0).captured
    two = write(tmp_path / "b", PILL, MARKS, AT, units="cm", scale=10.0).captured
    # mm; float32 of the file and six decimals of the numbers
    assert np.abs(one.edge[:, 2] - 40.0).max() < 0.25
    assert one.model_volume_ml() == pytest.approx(two.model_volume_ml(), rel=1e-4)


@pytest.mark.parametrize("moved", ["distal: 30 mm", "proximal: 0 mm"])
def test_a_level_may_lie_either_way_of_its_landmark(tmp_path, leg, moved):
    marks = dict(leg.landmarks)
    trim = f"trim: {{at: patella-centre, {moved.replace('distal: 30', 'distal: 10')}}}"
    case = write(tmp_path / "a", leg.mesh, {n: p for n, p in marks.items() if np.ndim(p) == 1}, trim)
    patella = case.captured.landmarks["patella-centre"]
    wanted = patella.level_mm + (10.0 if "distal" in moved else 0.0)
    assert -case.captured.edge[:, 2].mean() == pytest.approx(wanted, abs=0.3)  # mm; as above


def test_a_scan_that_is_closed_at_the_top_is_opened_by_its_landmarks_or_a_plane(tmp_path):
    pill = capsule(50.0, 150.0, 3.0, 60.0)
    rim = pill.vertices[:, 2] > 59.999
    # a dome: the same half ball on the other end, sewn on by closing the ring with a fan over a raised middle
    ring = np.flatnonzero(rim)
    order = ring[np.argsort(np.arctan2(pill.vertices[ring, 1], pill.vertices[ring, 0]))]
    apex = len(pill.vertices)
    fan = np.stack([order, np.roll(order, -1), np.full(len(order), apex)], axis=1)
    dome = Mesh(np.vstack([pill.vertices, [[0.0, 0.0, 95.0]]]), np.concatenate([pill.faces, fan]))
    with pytest.raises(MeshError, match="closed at the top"):
        write(tmp_path / "a", dome, MARKS, "surface: skin").captured  # noqa: B018
    case = write(tmp_path / "b", dome, MARKS)
    assert np.abs(case.captured.edge[:, 2] - 40.0).max() < 0.25
    with pytest.raises(MeshError, match="nothing says which end of the scan is distal"):
        write(tmp_path / "c", dome, {"mid-patellar-tendon": [0, 50, 0]})
    plane = f"trim: {{through: {text(posed([[0, 0, 40.0]])[0])}, cut-towards: {text(TURN[:, 2])}}}"
    alone = write(tmp_path / "d", dome, {"mid-patellar-tendon": [0, 50, 0]}, plane)
    assert np.abs(alone.captured.edge[:, 2] - 40.0).max() < 0.25


def test_with_the_origin_alone_the_open_top_says_which_way_is_up(tmp_path):
    case = write(tmp_path / "a", PILL, {"mid-patellar-tendon": [0, 50, 0]})
    assert np.abs(case.captured.edge[:, 2] - 40.0).max() < 0.25


def test_the_axis_of_the_cut_is_the_limbs_own(tmp_path, leg):
    marks = {name: p for name, p in leg.landmarks.items() if np.ndim(p) == 1}
    whole = write(tmp_path / "a", leg.mesh, marks, "surface: skin").captured
    cut = write(tmp_path / "b", leg.mesh, marks, "trim: {at: mid-patellar-tendon, proximal: 45 mm}").captured
    assert cut.axis.distal @ whole.axis.distal == pytest.approx(1.0, abs=1e-12)  # of the same levels of the same skin
    assert np.ptp(cut.edge[:, 2]) < 0.5  # mm: the edge lies in one level of the limb
    same = whole.profile.levels > -40.0
    gap = whole.profile.at(20.0, whole.profile.circumference) - cut.profile.at(20.0, cut.profile.circumference)
    assert same.any() and abs(gap) < 1e-6  # mm: what is below the cut keeps its bits


def test_a_hole_in_the_middle_is_not_in_the_way(tmp_path):
    middles = PILL.vertices[PILL.faces].mean(axis=1)
    torn = Mesh(PILL.vertices, PILL.faces[np.linalg.norm(middles - [50.0, 0.0, -75.0], axis=1) > 7.0])
    case = write(tmp_path / "a", torn, MARKS)
    assert {"top-cut", "hole-filled"} <= {step.code for step in case.scan.steps}
    assert np.abs(case.captured.edge[:, 2] - 40.0).max() < 0.3  # mm; the patch is a little off the cylinder


def test_a_thigh_is_cut_above_its_knee(tmp_path):
    made = knee_disarticulation(KneeDisarticulation(side="left", edge_mm=7.0))
    marks = {n: p for n, p in made.landmarks.items() if np.ndim(p) == 1 and n != "greater-trochanter"}
    knee = "side: left\namputation: knee-disarticulation"
    with pytest.raises(CaseError, match=r"medial-condyle \(5 mm beyond the plane\)"):
        write(tmp_path / "a", made.mesh, marks, "trim: {at: medial-condyle, distal: 5 mm}", limb=knee)
    trim = "trim: {at: supracondylar-level, proximal: 150 mm}"
    limb = write(tmp_path / "b", made.mesh, marks, trim, limb=knee).captured
    level = limb.landmarks["supracondylar-level"].level_mm - 150.0
    assert np.abs(-limb.edge[:, 2] - level).max() < 0.6  # mm; 8 % of an edge
    assert limb.landmarks["perineum"].beyond_capture


def test_landmarks_on_what_was_cut_off_count_as_beyond_the_capture(tmp_path, leg):
    marks = {name: p for name, p in leg.landmarks.items() if np.ndim(p) == 1}
    case = write(tmp_path / "a", leg.mesh, marks, "trim: {at: mid-patellar-tendon, proximal: 25 mm}")
    told = next(step for step in case.scan.steps if step.code == "landmarks-cut-off")
    gone = [name for name, mark in case.captured.landmarks.items() if mark.beyond_capture]
    assert "patella-centre" in gone and told.count == len(gone)
    assert all(name in told.message for name in gone)
    assert all(case.captured.landmarks[name].level_mm < -24.0 for name in gone)


def test_what_lies_beyond_the_scan_is_told_and_changes_nothing(tmp_path):
    case = write(tmp_path / "a", PILL, MARKS, "trim: {at: mid-patellar-tendon, proximal: 90 mm}")
    step = next(step for step in case.scan.steps if step.code == "trim-idle")
    assert step.look and "ends 10.0 mm below it" in step.message
    assert ("trim-idle", "look") in {(warn.code, warn.severity) for warn in case.warnings()}
    plain = write(tmp_path / "b", PILL, MARKS, "surface: skin")
    assert np.array_equal(case.scan.mesh.vertices, plain.scan.mesh.vertices)


@pytest.mark.parametrize(
    ("trim", "said"),
    [
        ("{at: mid-patellar-tendon, distal: 3 mm}", r"what the limb cannot do without: .*\(3 mm beyond the plane"),
        ("{at: mid-patellar-tendon, proximal: 3 mm}", r"cannot do without: mid-patellar-tendon \(3 mm below it\)"),
        ("{at: distal-tibia, distal: 20 mm}", r"distal-tibia \(20 mm beyond"),
        ("{at: patella-center}", r"no landmark patella-center on a transtibial limb.*did you mean patella-centre"),
        ("{at: patella-apex}", r"patella-apex is not marked.*found: mid-patellar-tendon, distal-tibia"),
        ("{at: fibular-head}", r"fibular-head is not marked"),
        ("{proximal: 60 mm}", r"is no plane.*wanted: {at: LANDMARK, proximal: 60 mm}"),
        ("{at: mid-patellar-tendon, proximal: 10 mm, distal: 10 mm}", "is no plane"),
        ("{at: mid-patellar-tendon, through: [0, 0, 1]}", "is no plane"),
        ("{through: [0, 0, 1]}", "is no plane"),
        ("{through: [0, 0, 1], cut-towards: [0, 0, 0]}", r"scan\.trim\.cut-towards: is no direction"),
        ("{through: [0, 0], cut-towards: [0, 0, 1]}", r"scan\.trim\.through: .*three numbers"),
        ("{through: [0, 0, yes], cut-towards: [0, 0, 1]}", "three numbers"),
        ("{at: mid-patellar-tendon, proximal: -5 mm}", r"scan\.trim\.proximal"),
        ("60 mm", r"scan\.trim: "),
    ],
)
def test_a_trim_that_cannot_be_is_refused_with_its_line(tmp_path, trim, said):
    marks = {**MARKS, "fibular-head": "absent"}
    with pytest.raises(CaseError) as caught:
        write(tmp_path / "a", PILL, marks, f"trim: {trim}")
    assert re.search(said, " ".join(str(caught.value).split())), str(caught.value)
    assert "case.yaml:6" in str(caught.value)


def test_a_plane_that_leaves_nothing_or_no_limb_is_refused(tmp_path):
    below = posed([[0, 0, -400.0]])[0]
    for where, towards, said in (
        (below, TURN[:, 2], "cannot do without"),  # the landmarks go first
        (posed([[0, 0, 40.0]])[0], -TURN[:, 2], "cannot do without"),  # cut the wrong way round
    ):
        with pytest.raises(CaseError, match=said):
            write(tmp_path / "a", PILL, MARKS, f"trim: {{through: {text(where)}, cut-towards: {text(towards)}}}")
