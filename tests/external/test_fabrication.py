"""Check sockets and carving models in the hands of other programs, from the very files that go to a machine.

ADMesh and Gmsh (see test_gmsh.py), PrusaSlicer (Prusa Research and contributors) as Debian packages it, and OpenCAMLib
(Wallin A and contributors) run as clients would; numpy-stl, trimesh and lxml read the files a second time. PrusaSlicer
says nothing about a surface that passes through itself and ends with 0 on an open one, so its exit code proves little:
what it extrudes is held against the volume. Gmsh refuses a surface that passes through itself.
"""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import stl
import trimesh
from lxml import etree
from scipy.spatial import cKDTree

import rectify
from rectify.data import demo_folder
from rectify.fabrication import (
    CarvingModel,
    CarvingSpec,
    CheckSocket,
    Fitting,
    SocketSpec,
    Wall,
    make_carving,
    make_socket,
)
from rectify.fabrication.cutter import missed_depths
from rectify.geometry.mesh import Mesh
from rectify.geometry.nearest import Tree
from rectify.geometry.read import read_mesh
from rectify.geometry.volume import volume
from tests.external.test_gmsh import counted, filled
from tests.fabrication.bodies import circle, closed_capsule
from tests.fabrication.test_check_socket import curve, report

FITTING = Fitting(hole_mm=8.0, boss_mm=50.0, flexion_deg=5.0, adduction_deg=3.0)


@pytest.fixture(scope="module")
def positive() -> rectify.fabrication.Positive:
    return rectify.apply(rectify.open_case(demo_folder() / "RB-101")).positive


@pytest.fixture(scope="module")
def socket(positive, tmp_path_factory) -> tuple[CheckSocket, Path]:
    """A shell with everything on it, and its folder."""
    made = make_socket(positive, SocketSpec(Wall(4.0, 5.0, 6.0), FITTING))
    return made, made.save(tmp_path_factory.mktemp("socket") / "out")


@pytest.fixture(scope="module")
def carving(positive, tmp_path_factory) -> tuple[CarvingModel, Path]:
    """A model with everything on it, and its folder."""
    made = make_carving(positive, CarvingSpec(bore_mm=25.0, bore_depth_mm=40.0, groove=True))
    return made, made.save(tmp_path_factory.mktemp("carve") / "out")


def test_admesh_finds_every_file_closed_in_one_part_and_of_our_volume(socket, carving) -> None:
    for (made, folder), kind in ((socket, "socket"), (carving, "carve")):
        table = counted(folder / f"RB-101-{kind}.stl")
        assert table["Number of parts"] == 1 and table["Number of facets"] == len(made.mesh.faces)
        for name in ("Total disconnected facets", "Degenerate facets", "Facets removed", "Facets added"):
            assert table[name] == 0, name
        assert table["Facets reversed"] == 0 and table["Backwards edges"] == 0
        assert table["Volume"] == pytest.approx(volume(made.mesh), rel=1e-4)  # it sums in float32


def test_gmsh_fills_the_shell_s_wall_with_tetrahedra_of_the_same_volume(socket, tmp_path) -> None:
    made = filled(tmp_path, socket[0].mesh)
    assert made.code == 0, made.said[-2000:]
    assert made.volume_mm3 == pytest.approx(volume(socket[0].mesh), rel=1e-4)


def test_gmsh_fills_the_carving_model_bored_with_tetrahedra_of_the_same_volume(positive, tmp_path) -> None:
    carving = make_carving(positive, CarvingSpec(bore_mm=25.0, bore_depth_mm=40.0, mark=False))
    made = filled(tmp_path, carving.mesh)
    assert made.code == 0, made.said[-2000:]
    assert made.volume_mm3 == pytest.approx(volume(carving.mesh), rel=1e-4)


# -- a slicer --------------------------------------------------------------------------------------

SLICE = """--export-gcode --nozzle-diameter 0.6 --layer-height 0.6 --first-layer-height 0.6 --extrusion-width 0.9
--bed-shape 0x0,300x0,300x300,0x300 --max-print-height 400 --perimeters 3 --fill-density 100%
--fill-pattern rectilinear --skirts 0"""


def test_a_slicer_prints_the_shell_with_as_much_filament_as_it_holds(socket, tmp_path) -> None:
    made, folder = socket
    words = ["prusa-slicer", *SLICE.split(), "--output", str(tmp_path / "o.gcode"), str(folder / "RB-101-socket.3mf")]
    ended = subprocess.run(words, capture_output=True, text=True, check=False, timeout=240)
    said = ended.stdout + ended.stderr
    assert ended.returncode == 0, said[-2000:]
    assert "Empty layer" not in said and "open edges" not in said
    lines = (tmp_path / "o.gcode").read_text()
    (used,) = re.findall(r"^; filament used \[cm3\] = ([\d.]+)", lines, flags=re.M)
    # layers of 0.6 mm: the slicer rounds walls to whole extrusions, some 2 % here; an empty or doubled wall is far off
    assert float(used) == pytest.approx(volume(made.mesh) / 1000.0, rel=0.05)
    heights = np.array(re.findall(r"^G1 Z([\d.]+)", lines, flags=re.M), dtype=float)
    assert heights.max() == pytest.approx(np.ptp(made.mesh.vertices[:, 2]), abs=0.7)  # one layer


def test_a_slicer_reads_millimetres_and_one_manifold_part_from_both_files(socket) -> None:
    made, folder = socket
    for kind in ("stl", "3mf"):
        words = ["prusa-slicer", "--info", str(folder / f"RB-101-socket.{kind}")]
        said = subprocess.run(words, capture_output=True, text=True, check=True, timeout=60).stdout
        told = dict(re.findall(r"^(\w+) = +(\S+)", said, flags=re.M))
        assert told["manifold"] == "yes" and told["number_of_parts"] == "1"
        assert int(told["number_of_facets"]) == len(made.mesh.faces)
        for axis, size in zip("xyz", np.ptp(made.mesh.vertices, axis=0), strict=True):
            assert float(told[f"size_{axis}"]) == pytest.approx(size, abs=1e-3)
        assert float(told["volume"]) == pytest.approx(volume(made.mesh), rel=1e-4)


# -- a cutter --------------------------------------------------------------------------------------


def dropped(mesh: Mesh, places: np.ndarray, diameter: float) -> np.ndarray:
    """Centres of a ball-ended cutter let down along -z on a mesh at places (n, 2), by OpenCAMLib; off it: NaN."""
    from opencamlib import ocl

    surface = ocl.STLSurf()
    for corners in mesh.vertices[mesh.faces].tolist():
        surface.addTriangle(ocl.Triangle(*(ocl.Point(*corner) for corner in corners)))
    cutter = ocl.BallCutter(diameter, 500.0)
    drop = ocl.BatchDropCutter()
    drop.setThreads(1)
    drop.setSTL(surface)
    drop.setCutter(cutter)
    for x, y in places.tolist():
        drop.appendPoint(ocl.CLPoint(x, y, -1000.0))
    drop.run()
    tips = np.array([(point.x, point.y, point.z) for point in drop.getCLPoints()])
    tips[tips[:, 2] < -999.0] = np.nan
    return tips + np.array([0.0, 0.0, diameter / 2])


def test_a_cutter_dropped_on_the_model_touches_our_surface_and_never_cuts_into_it(carving) -> None:
    _, folder = carving
    mesh = read_mesh(folder / "RB-101-carve.stl").mesh
    lying = Mesh(mesh.vertices[:, [2, 0, 1]], mesh.faces)  # anterior up
    low, high = lying.vertices.min(axis=0), lying.vertices.max(axis=0)
    across, along = np.meshgrid(
        np.arange(low[0] + 5.0, high[0] - 5.0, 5.0), np.arange(low[1] + 6.0, high[1] - 6.0, 5.0)
    )
    centres = dropped(lying, np.column_stack([across.ravel(), along.ravel()]), 12.0)
    on = centres[np.isfinite(centres).all(axis=1)]
    assert len(on) > 500
    distance = Tree(lying.vertices, lying.faces).nearest(on)[0]
    assert distance == pytest.approx(6.0, abs=1e-6)  # mm: two exact ways


def test_what_a_cutter_leaves_in_a_hollow_is_what_we_said_it_would(record_property: Callable[..., None]) -> None:
    body = closed_capsule(50.0, 100.0, 2.0)
    v = body.vertices
    dent = 6.0 * np.exp(-((np.degrees(np.arctan2(v[:, 0], v[:, 1])) / 5.0) ** 2) - ((v[:, 2] + 50.0) / 5.0) ** 2)
    scale = 1.0 - dent / np.maximum(np.hypot(v[:, 0], v[:, 1]), 1.0)
    dented = body.with_vertices(v * np.column_stack([scale, scale, np.ones(len(v))]))
    said = missed_depths(dented, dented, 8.0)
    near = (dented.vertices[:, 1] > 30.0) & (np.abs(dented.vertices[:, 2] + 50.0) < 20.0)
    worst = int(np.argmax(np.where(near, said, 0.0)))
    lying = Mesh(dented.vertices[:, [2, 0, 1]], dented.faces)
    place = lying.vertices[worst]
    grid = np.arange(-6.0, 6.01, 0.25)
    around = np.stack(np.meshgrid(grid, grid), axis=-1).reshape(-1, 2) + place[:2]
    centres = dropped(lying, around, 16.0)
    left = float(np.nanmin(np.linalg.norm(centres - place, axis=1)) - 8.0)
    record_property("tried", f"a ball of 16 mm in a dent: left {left:.3f} mm, we said {said[worst]:.3f} mm")
    assert said[worst] > 1.0
    assert said[worst] == pytest.approx(left, abs=0.1)  # mm: a grid of 0.25 mm, and one way off of several


def test_the_wall_measured_from_point_to_point_is_as_thick_both_ways(socket) -> None:
    # a second, slower way: trimesh strews points over both sides, scipy finds each one's nearest among 600,000
    made, _ = socket
    shell, faces = made.shell, made.shell.within.mesh.faces
    sides = [trimesh.Trimesh(v, faces, process=False) for v in (shell.within.mesh.vertices, shell.outer)]
    for here, there in (sides, sides[::-1]):
        places, on = trimesh.sample.sample_surface(here, 20_000, seed=7)
        dense, _ = trimesh.sample.sample_surface(there, 600_000, seed=8)
        asked = shell.wanted[faces[on]].min(axis=1)
        far = cKDTree(dense).query(places)[0]
        # the nearest of points 0.4 mm apart is 0.2²/(2 · 4) = 0.005 mm farther than the surface
        assert (far - asked).min() > -0.1 and np.median(far - asked) < 0.1  # mm


# -- second readers --------------------------------------------------------------------------------


def test_numpy_stl_and_trimesh_read_the_bodies_we_wrote(socket, carving) -> None:
    for (made, folder), kind in ((socket, "socket"), (carving, "carve")):
        path = folder / f"RB-101-{kind}.stl"
        with path.open("rb") as stream:
            seen = stl.mesh.Mesh.from_file(str(path), fh=stream, calculate_normals=True)
        assert seen.vectors.shape == (len(made.mesh.faces), 3, 3)
        assert np.array_equal(seen.vectors, made.mesh.vertices.astype(np.float32)[made.mesh.faces])
        solid = trimesh.load_mesh(path)
        assert solid.is_watertight and solid.is_winding_consistent and solid.body_count == 1
        assert solid.volume == pytest.approx(volume(made.mesh), rel=1e-6)
        same = trimesh.load_mesh(path.with_suffix(".3mf"))
        assert same.units in ("mm", "millimeter") and same.volume == pytest.approx(solid.volume, rel=1e-6)


def test_a_3mf_says_millimetre_and_holds_the_triangles_of_the_stl(socket) -> None:
    made, folder = socket
    space = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
    with zipfile.ZipFile(folder / "RB-101-socket.3mf") as archive:
        assert archive.testzip() is None
        root = etree.fromstring(archive.read("3D/3dmodel.model"))
    assert root.get("unit") == "millimeter" and len(root.findall(f".//{space}object")) == 1
    points = np.array([[float(v.get(i)) for i in "xyz"] for v in root.iter(f"{space}vertex")])
    faces = np.array([[int(t.get(i)) for i in ("v1", "v2", "v3")] for t in root.iter(f"{space}triangle")])
    assert np.array_equal(points.astype(np.float32), made.mesh.vertices.astype(np.float32))
    assert np.array_equal(faces, made.mesh.faces)


def test_files_json_is_true_of_every_file(socket, carving) -> None:
    for (_, folder), kind in ((socket, "check-socket"), (carving, "carving-model")):
        told = json.loads((folder / "files.json").read_text())
        assert told["made"] == kind and told["units"] == "mm" and told["status"] == "draft"
        listed = {item["file"]: item for item in told["files"]}
        assert sorted(listed) == sorted(path.name for path in folder.iterdir() if path.name != "files.json")
        for name, item in listed.items():
            content = (folder / name).read_bytes()
            assert item["sha256"] == hashlib.sha256(content).hexdigest() and item["bytes"] == len(content)


def test_a_plain_capsule_s_shell_holds_its_closed_form_to_every_client(tmp_path) -> None:
    source = rectify.fabrication.positive_model(
        report(), closed_capsule(50.0, 100.0, 3.0), curve(circle(50.0, 0.0)), b""
    )
    made = make_socket(source, SocketSpec(Wall(4.0, 4.0, 4.0)))
    folder = made.save(tmp_path / "out")
    tube = np.pi * (54.0**2 - 50.0**2) * 98.0 + 2.0 / 3.0 * np.pi * (54.0**3 - 50.0**3)
    rim = 2.0 * np.pi * 52.0 * np.pi * 4.0**2 / 8.0
    assert counted(folder / "DM-014-socket.stl")["Volume"] == pytest.approx(tube + rim, rel=2e-3)  # chords of 3 mm
    assert filled(tmp_path, made.mesh).volume_mm3 == pytest.approx(tube + rim, rel=2e-3)
