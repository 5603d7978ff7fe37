"""What was captured, in all its kinds: where the surface to be rectified lies, by closed forms.

The limb is a cylinder of radius 50 mm and wall 150 mm with half a ball: everything captured of it or worn over it is
a parallel surface, a cylinder and half a ball of another radius about the same axis and centre.
"""

from __future__ import annotations

import numpy as np
import pytest

from rectify.case import open_case
from rectify.errors import CaseError, Faults
from rectify.geometry.mesh import Mesh
from rectify.report import measure_facts
from rectify.synthetic import capsule
from rectify.synthetic.files import stl_bytes

SKIN, WALL = 50.0, 150.0
LINER = "{liner: 6 mm, measured: yes}"

# what was captured, the layers and the wear said, the radius captured, the radius wanted, in mm
KINDS = [
    ("skin", "[]", None, 50.0, 50.0),
    ("skin", "[]", "[{liner: 6 mm}]", 50.0, 55.1),  # stretched: 85 % of its label
    ("skin", "[]", f"[{LINER}, {{sock: 1.2 mm}}]", 50.0, 57.2),
    ("liner", f"[{LINER}]", None, 56.0, 56.0),
    ("liner", f"[{LINER}]", "[{liner: 3 mm, measured: yes}]", 56.0, 53.0),
    ("liner", "[{gel-liner: 6 mm}]", "[]", 55.1, 50.0),
    ("impression-inside", "[{plastic-film: 0 mm}]", "[{sock: 1 mm}]", 50.0, 51.0),
    ("impression-inside", f"[{LINER}, {{plastic-film: 0.1 mm}}, {{stockinette: 0.5 mm}}]", None, 56.6, 56.0),
    ("impression-outside", "[{stockinette: 0.5 mm}, {plaster: 4 mm}]", None, 54.5, 50.0),
    ("impression-outside", f"[{LINER}, {{cast-wall: 3.5 mm}}]", "[{liner: 3 mm, measured: yes}]", 59.5, 53.0),
    ("positive-model, rectified: no", "[{plastic-film: 0 mm}]", "[{liner: 6 mm}]", 50.0, 55.1),
    ("positive-model, rectified: yes", "[{stockinette: 0.5 mm}]", "[]", 50.5, 50.0),
    ("socket-inside", f"[{LINER}, {{sock: 1.2 mm}}]", None, 57.2, 57.2),
    ("socket-inside", f"[{LINER}, {{sock: 1.2 mm}}]", f"[{LINER}]", 57.2, 56.0),  # the socks taken up by the shape
    ("socket-inside", "[]", "[{insert: 5 mm}]", 50.0, 55.0),
]


def write(folder, radius: float, scan: str, wear: str | None = None, more: str = ""):
    folder.mkdir(exist_ok=True)
    mesh = capsule(radius, WALL, 3.0, 60.0)
    if "inside" in scan:  # captured from inside: the faces point into the cavity
        mesh = Mesh(mesh.vertices, mesh.faces[:, ::-1])
    (folder / "scan.stl").write_bytes(stl_bytes(mesh))
    (folder / "landmarks.yaml").write_text(f"mid-patellar-tendon: [0, {radius}, 0]\n")
    head = "format: 1\ncase: RB-902\nside: right\namputation: transtibial\nlandmarks: landmarks.yaml\n"
    worn = "" if wear is None else f"wear: {wear}\n"
    (folder / "case.yaml").write_text(f"{head}scan: {{file: scan.stl, units: mm, {scan}}}\n{worn}{more}")
    return open_case(folder)


@pytest.mark.parametrize(("surface", "layers", "wear", "captured", "wanted"), KINDS)
def test_every_kind_of_capture_comes_to_the_surface_that_will_be_worn(
    tmp_path, surface, layers, wear, captured, wanted
):
    case = write(tmp_path / "a", captured, f"surface: {surface}, layers: {layers}", wear)
    v = case.limb.mesh.vertices
    middle = -(case.limb.end_level_mm - wanted)  # of the half ball, in the limb frame
    wall = (v[:, 2] > middle + 1.0) & (v[:, 2] < 40.0)  # not by the open edge, where nothing says how far it is
    ball = v[:, 2] < middle - 1.0
    # mm; an offset is exact to 0.0001, the frame's axis runs through centroids of chords
    assert np.hypot(v[wall, 0], v[wall, 1]) == pytest.approx(wanted, abs=0.02)
    assert np.linalg.norm(v[ball] - [0.0, 0.0, middle], axis=1) == pytest.approx(wanted, abs=0.02)
    assert case.limb.end_level_mm == pytest.approx(WALL + wanted, abs=0.02)
    # below a plane: cylinder and half ball; chords of 3 mm edges on radii over 50 mm lose up to 0.15 %
    plane = case.limb.plane_level()
    whole = np.pi * wanted**2 * (WALL - plane) + 2 / 3 * np.pi * wanted**3
    assert case.limb.volume_ml() * 1000 == pytest.approx(whole, rel=2e-3)
    moved = [step.message for step in case.steps if step.code == "offset"]
    assert len(moved) == (captured != wanted)
    if moved:
        assert ("out" if wanted > captured else "in") in moved[0].split(":")[0]


def test_a_liner_that_was_not_measured_is_flagged_with_what_counts(tmp_path):
    case = write(tmp_path / "a", 50.0, "surface: skin", "[{liner: 6 mm}]")
    (warned,) = [warn for warn in case.warnings() if warn.code == "liner-allowance"]
    assert warned.severity == "look" and "85% of its label, 5.1 mm, counts" in warned.message
    sure = write(tmp_path / "b", 50.0, "surface: skin", f"[{LINER}]")
    assert "liner-allowance" not in {warn.code for warn in sure.warnings()}


def test_what_is_measured_is_what_was_captured_and_not_what_will_be_worn(tmp_path):
    case = write(tmp_path / "a", 50.0, "surface: skin", f"[{LINER}]")
    row = next(row for row in measure_facts(case)["levels"] if row["level_mm"] == 50.0)
    assert row["circumference_mm"] == pytest.approx(2 * np.pi * 50.0, rel=1e-3)


@pytest.mark.parametrize(
    ("scan", "wear", "key", "said"),
    [
        ("surface: skin, layers: [{liner: 6 mm}]", None, "scan.layers", "the surface is skin, and liner lay over it"),
        ("surface: liner", None, "scan.layers", "the surface is a liner's, and nobody says how thick it is"),
        ("surface: liner, layers: [{sock: 1 mm}]", None, "scan.layers", "nobody says how thick it is"),
        ("surface: impression-outside", None, "scan.layers", "further out by its wall, and nobody says how thick"),
        ("surface: impression-outside, layers: [{liner: 6 mm}]", None, "scan.layers", "by its wall"),
        ("surface: socket-inside", "[{liner: 6 mm}]", "wear", "nobody says what that was"),
        ("surface: skin, rectified: yes", None, "scan.rectified", "skin is not rectified"),
        ("surface: skin", "[{plaster: 4 mm}]", "wear[0]", "plaster is part of a cast and not worn"),
        ("surface: liner, layers: [{linr: 6 mm}]", None, "scan.layers[0]", "did you mean liner?"),
        ("surface: liner, layers: [{liner: 6}]", None, "scan.layers[0]", "mm"),
        ("surface: liner, layers: [{liner: -6 mm}]", None, "scan.layers[0]", "-6 mm"),
        ("surface: liner, layers: [{liner: 6 mm, sock: 1 mm}]", None, "scan.layers[0]", "is not one layer"),
    ],
)
def test_layers_that_do_not_fit_what_was_captured_are_refused(tmp_path, scan, wear, key, said):
    with pytest.raises((CaseError, Faults)) as caught:
        write(tmp_path / "a", 50.0, scan, wear)
    text = " ".join(str(caught.value).split())
    assert said in text and f" {key}: " in text


def test_a_model_of_which_nobody_says_whether_it_was_rectified_must_be_looked_at(tmp_path):
    case = write(tmp_path / "a", 50.0, "surface: positive-model")
    assert ("rectified-not-said", "look") in {(warn.code, warn.severity) for warn in case.warnings()}
    for said, rectified in (("rectified: no", False), ("rectified: yes", True)):
        case = write(tmp_path / said[-2:], 50.0, f"surface: positive-model, {said}")
        assert case.facts.rectified is rectified
        assert "rectified-not-said" not in {warn.code for warn in case.warnings()}


def test_a_socket_was_made_over_a_rectified_model_unless_the_case_says_otherwise(tmp_path):
    assert write(tmp_path / "a", 50.0, "surface: socket-inside").facts.rectified is True
    assert write(tmp_path / "b", 50.0, "surface: socket-inside, rectified: no").facts.rectified is False
