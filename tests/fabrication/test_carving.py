"""Models to be carved: exact below the line, waste above it, base, bore, mark and groove against closed forms."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shapely

from rectify.errors import InputError, MeshError
from rectify.fabrication.carving import CarvingModel, CarvingSpec, make_carving
from rectify.fabrication.filed import faults_of
from rectify.fabrication.mandrel import mandrel_along
from rectify.fabrication.positive import Positive, positive
from rectify.fabrication.skirt import Skirt, with_skirt
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Mesh
from rectify.geometry.nearest import nearest
from rectify.geometry.read import read_mesh
from rectify.geometry.sections import cut
from rectify.geometry.volume import volume
from tests.fabrication.bodies import circle, closed_capsule, closed_cone
from tests.fabrication.test_check_socket import curve, report

R = 50.0


def model(status: str = "released") -> Positive:
    return positive(report(status=status), closed_capsule(R, 100.0, 4.0), curve(circle(R, 0.0)), b"the curve")


def local(made: CarvingModel) -> np.ndarray:
    move = made.mandrel.transform()
    return made.mesh.vertices @ move[:3, :3].T + move[:3, 3]


@pytest.fixture(scope="module")
def plain() -> CarvingModel:
    return make_carving(model(), CarvingSpec(mark=False))


def test_a_capsule_gets_a_straight_skirt_of_its_height_and_a_flat_base(plain: CarvingModel) -> None:
    # half a ball, a tube to the line and 1 mm over it, and 40 mm of skirt above that
    expected = 2.0 / 3.0 * np.pi * R**3 + np.pi * R**2 * (100.0 + 1.0 + 40.0)
    assert volume(plain.mesh) == pytest.approx(expected, rel=4e-3)  # chords of 4 mm, and a smoothed section
    assert faults_of(plain.mesh) == []
    top = plain.mesh.vertices[:, 2].max()
    assert top == pytest.approx(41.0, abs=0.05)
    assert np.hypot(*plain.mesh.vertices[plain.mesh.vertices[:, 2] > 5.0][:, :2].T).max() == pytest.approx(R, abs=0.1)


def test_below_the_line_every_vertex_is_the_exact_model_s(plain: CarvingModel) -> None:
    exact = model().mesh
    have = {tuple(point) for point in plain.mesh.vertices.tolist()}
    assert all(tuple(point) in have for point in exact.vertices[exact.vertices[:, 2] < 0.9].tolist())


def test_every_section_has_one_radius_at_every_angle(plain: CarvingModel) -> None:
    v = local(plain)
    levels = np.arange(v[:, 2].min() + 3.0, v[:, 2].max(), 6.0)
    cuts = cut(Mesh(v, plain.mesh.faces), v[:, 2], levels)
    for i in range(len(levels)):
        lines = np.stack([cuts.starts, cuts.ends], axis=1)[cuts.level_of == i, :, :2]
        a, b = lines[:, 0], lines[:, 1]
        turn = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
        assert (turn > -1e-6).all()  # every piece runs the same way round the mandrel
        swept = np.arctan2(turn, np.einsum("ij,ij->i", a, b)).sum()
        assert swept == pytest.approx(2 * np.pi, abs=1e-6)


def test_a_bore_takes_its_cylinder_out_of_the_base(plain: CarvingModel) -> None:
    bored = make_carving(model(), CarvingSpec(mark=False, bore_mm=25.0, bore_depth_mm=80.0))
    sides = 72
    prism = sides / 2 * np.sin(2 * np.pi / sides) * 12.5**2 * 80.0  # of 72 sides
    assert volume(plain.mesh) - volume(bored.mesh) == pytest.approx(prism, rel=2e-3)
    assert faults_of(bored.mesh) == []


@pytest.mark.parametrize(("wide", "deep"), [(90.0, 20.0), (25.0, 188.0), (80.0, 170.0)])
def test_a_bore_without_model_about_it_is_refused(wide: float, deep: float) -> None:
    within = make_carving(model(), CarvingSpec(mark=False)).within
    mandrel = mandrel_along(within.mesh, 0.0, 0.0, "right")
    with pytest.raises(MeshError, match="has not enough model about it"):
        with_skirt(within.mesh, within.loop, mandrel, Skirt(40.0, wide, deep))


def test_the_mark_is_cut_into_the_waste_only_and_can_be_read_from_outside(plain: CarvingModel) -> None:
    marked = make_carving(model(), CarvingSpec())
    assert faults_of(marked.mesh) == [] and marked.letters_mm == 16.0
    v = marked.mesh.vertices
    deep = R - np.hypot(v[:, 0], v[:, 1])
    cut_in = (deep > 0.5) & (v[:, 2] > 3.0) & (v[:, 2] < 40.5) & (np.hypot(v[:, 0], v[:, 1]) > 40.0)
    assert cut_in.sum() > 200 and deep[cut_in].max() == pytest.approx(1.0, abs=0.15)
    below = v[:, 2] < 0.5
    assert {tuple(p) for p in v[below].tolist()} == {
        tuple(p) for p in plain.mesh.vertices[plain.mesh.vertices[:, 2] < 0.5].tolist()
    }
    # from outside with the base up, right is counter-clockwise as seen from above, and DM-014 begins on the left
    angle = np.arctan2(v[cut_in, 1], v[cut_in, 0])
    middle = np.arctan2(np.sin(angle).mean(), np.cos(angle).mean())
    to_right = ((angle - middle + np.pi) % (2 * np.pi) - np.pi) * R
    assert _starts_with_d(to_right, v[cut_in, 2]) and not _starts_with_d(-to_right, v[cut_in, 2])


def _starts_with_d(x: np.ndarray, z: np.ndarray) -> bool:
    """Whether the leftmost letter is a D: an upright along its left over the whole height, none along its right."""
    left, letter = x.min(), 16.0 * 4.0 / 6.0
    upright = z[(x < left + 2.0)]
    first = (x < left + letter + 0.5) & (x > left + letter - 1.6)
    return bool(np.ptp(upright) > 13.0 and len(np.unique(np.round(upright))) > 12 and np.ptp(z[first]) < 13.0)


def test_a_groove_marks_the_line_and_only_the_line() -> None:
    scribed = make_carving(model(), CarvingSpec(mark=False, groove=True))
    assert faults_of(scribed.mesh) == []
    v = scribed.mesh.vertices
    near = np.abs(v[:, 2]) < 0.15
    rim = np.hypot(v[near, 0], v[near, 1])
    assert np.median(R - rim) == pytest.approx(0.8, abs=0.1)
    away = v[v[:, 2] < -1.5]
    exact = model().mesh
    assert nearest(away, exact.vertices, exact.faces)[0].max() < 1e-4  # mm: float32 of the file


def test_blank_and_reach_are_the_cylinder_about_the_body(plain: CarvingModel) -> None:
    facts = plain.facts
    v = local(plain)
    assert facts["blank"]["diameter_mm"] == pytest.approx(2 * np.hypot(v[:, 0], v[:, 1]).max(), abs=1e-3)
    assert facts["blank"]["length_mm"] == pytest.approx(150.0 + 41.0, abs=0.1)
    assert facts["blank"]["stock_diameter_mm"] % 5 == 0 and facts["blank"]["stock_length_mm"] == 195.0
    assert facts["cutter"]["reach_needed_mm"] == pytest.approx(facts["blank"]["diameter_mm"] / 2, abs=1e-3)
    assert facts["cutter"]["missed"] == [] and facts["cutter"]["hidden_from_side"]["at"] is None
    assert facts["draft"]["narrower_mm"] == 0.0 and facts["look"] == []


def test_a_cutter_that_does_not_reach_and_a_hollow_it_misses_must_be_looked_at() -> None:
    body = closed_capsule(R, 100.0, 2.0)
    v = body.vertices
    dent = 6.0 * np.exp(-((np.degrees(np.arctan2(v[:, 0], v[:, 1])) / 4.0) ** 2) - ((v[:, 2] + 50.0) / 4.0) ** 2)
    scale = 1.0 - dent / np.maximum(np.hypot(v[:, 0], v[:, 1]), 1.0)
    dented = body.with_vertices(v * np.column_stack([scale, scale, np.ones(len(v))]))
    made = make_carving(
        positive(report(), dented, curve(circle(R, 0.0)), b""), CarvingSpec(mark=False, reach_mm=40.0, cutter_mm=16.0)
    )
    reach, missed = made.facts["look"]
    assert reach.startswith("the cutter reaches 40 mm, and 5")
    assert missed.startswith("a cutter of 16 mm misses 1 hollow, the deepest by ") and " at level 5" in missed
    (place,) = made.facts["cutter"]["missed"]
    assert place["at"]["level_mm"] == pytest.approx(50.0, abs=2.0) and 0.5 < place["depth_mm"] < 5.0


def test_in_the_mandrel_s_axes_the_body_turns_about_z() -> None:
    body = closed_cone(55.0, 45.0, 100.0, 4.0)
    lean = body.with_vertices(body.vertices + body.vertices[:, 2:] * [0.0, -0.3, 0.0])
    line = nearest(circle(51.0, 0.0), lean.vertices, lean.faces)[2]
    source = positive(report(), lean, curve(line), b"")
    limb, turned = (make_carving(source, CarvingSpec(mark=False, axes=axes)) for axes in ("limb", "mandrel"))
    move = np.array(turned.facts["mandrel"]["limb_to_mandrel"])
    expected = limb.mesh.vertices @ move[:3, :3].T + move[:3, 3]
    assert turned.mesh.vertices == pytest.approx(expected, abs=3e-5)  # float32 twice
    top = turned.mesh.vertices[turned.mesh.vertices[:, 2] > turned.mesh.vertices[:, 2].max() - 1e-3]
    assert len(top) > 100  # the base is level there
    assert turned.facts["frame"].startswith("mandrel:") and limb.facts["frame"].startswith("limb:")


def test_files_lie_beside_the_exact_model_and_are_the_same_each_time(plain: CarvingModel, tmp_path: Path) -> None:
    folder = plain.save(tmp_path / "out")
    names = ["DM-014-carve.3mf", "DM-014-carve.stl", "DM-014-rectified.stl", "carve-report.json", "files.json"]
    assert sorted(p.name for p in folder.iterdir()) == names
    exact = read_mesh(folder / "DM-014-rectified.stl").mesh
    assert np.array_equal(exact.vertices, model().mesh.vertices)
    assert json.loads((folder / "carve-report.json").read_text()) == json.loads(json.dumps(plain.facts))
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    make_carving(model(), CarvingSpec(mark=False)).save(folder, replace=True)
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before
    assert before["DM-014-carve.stl"].startswith(b"rectify carving model, binary STL, units: mm")


def test_a_line_that_turns_back_gets_no_straight_skirt(plain: CarvingModel) -> None:
    within = plain.within
    (loop,) = border_loops(within.mesh)
    v = within.mesh.vertices.copy()
    i = len(loop) // 3
    v[loop[i : i + 12]] = v[loop[i : i + 12]][::-1]
    with pytest.raises(MeshError, match="no skirt goes straight up from this trimline") as caught:
        with_skirt(within.mesh.with_vertices(v), loop, plain.mandrel, Skirt())
    assert caught.value.found is not None and "steps back" in caught.value.found


def test_without_a_trimline_nothing_says_where_the_waste_begins() -> None:
    with pytest.raises(InputError, match="has no trimline"):
        make_carving(positive(report(), closed_capsule(R, 100.0, 8.0), None, b""))


@pytest.mark.parametrize(
    ("key", "asked"),
    [
        ("skirt", {"skirt_mm": 0.0}),
        ("skirt", {"skirt_mm": 300.0}),
        ("bore", {"bore_mm": 200.0, "bore_depth_mm": 30.0}),
        ("bore", {"bore_mm": 20.0}),
        ("bore-depth", {"bore_mm": 20.0, "bore_depth_mm": 1.0}),
        ("cutter", {"cutter_mm": 0.0}),
        ("reach", {"reach_mm": 5.0}),
    ],
)
def test_measures_that_cannot_be_are_refused(key: str, asked: dict[str, float]) -> None:
    with pytest.raises(InputError) as caught:
        CarvingSpec(**asked)
    assert caught.value.key == key


def test_the_skirt_s_section_is_the_line_seen_along_the_mandrel(plain: CarvingModel) -> None:
    top = plain.mesh.vertices[plain.mesh.vertices[:, 2] > plain.mesh.vertices[:, 2].max() - 1e-3]
    area = shapely.convex_hull(shapely.multipoints(top[:, :2])).area
    assert area == pytest.approx(np.pi * R**2, rel=4e-3)
