"""The finished model as a solid to Gmsh, which fills it with tetrahedra or refuses: the strictest client there is.

Gmsh (Geuzaine C, Remacle J-F and contributors; gmsh.info) and ADMesh (Martin AD and contributors), as Debian packages
them, run as processes of their own. Gmsh was the only one of several programs that refused a surface which passes
through itself; ADMesh counts facets, edges, parts and volume in a way of its own.
"""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import rectify
from rectify.data import demo_folder
from rectify.fabrication.write_stl import write_stl
from rectify.geometry.mesh import Mesh

GEO = """Merge "{stl}";
Surface Loop(1) = {{1}};
Volume(1) = {{1}};
Mesh.MeshSizeMax = 12;
"""


@dataclass(frozen=True)
class Filled:
    """What became of a model: tetrahedra and their volume, or what was said against it."""

    code: int
    said: str
    tetrahedra: int
    volume_mm3: float


def filled(folder: Path, mesh: Mesh) -> Filled:
    """Fill a closed surface with tetrahedra by Gmsh."""
    write_stl(mesh, folder / "model.stl")
    (folder / "fill.geo").write_text(GEO.format(stl=folder / "model.stl"))
    words = ["gmsh", "-3", "fill.geo", "-o", "fill.msh", "-format", "msh2", "-nt", "1"]
    ended = subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False, timeout=120)
    said = ended.stdout + ended.stderr
    target = folder / "fill.msh"
    if ended.returncode or not target.exists():
        return Filled(ended.returncode, said, 0, 0.0)
    points, corners = tetrahedra_of(target.read_text().splitlines())
    a, b, c, d = (points[corners[:, i]] for i in range(4))
    each = np.einsum("ij,ij->i", np.cross(b - a, c - a), d - a) / 6.0
    return Filled(ended.returncode, said, len(corners), float(np.abs(each).sum()))


def tetrahedra_of(lines: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and 4-node tetrahedra of a file in the MSH 2 format."""
    at = lines.index("$Nodes")
    count = int(lines[at + 1])
    rows = np.array([line.split() for line in lines[at + 2 : at + 2 + count]], dtype=np.float64)
    points = np.zeros((int(rows[:, 0].max()) + 1, 3))
    points[rows[:, 0].astype(int)] = rows[:, 1:]
    at = lines.index("$Elements")
    count = int(lines[at + 1])
    elements = (line.split() for line in lines[at + 2 : at + 2 + count])
    corners = np.array([words[-4:] for words in elements if words[1] == "4"], dtype=np.int64).reshape(-1, 4)
    return points, corners


def rectified(code: str) -> rectify.api.Result:
    return rectify.apply(rectify.open_case(demo_folder() / code))


@pytest.fixture(scope="module")
def result() -> rectify.api.Result:
    """The coarsest demo case, rectified."""
    return rectified("RB-101")


@pytest.mark.parametrize("code", ["RB-101", "RB-105"])
def test_gmsh_fills_the_rectified_model_with_tetrahedra_of_the_same_volume(tmp_path, code):
    result = rectified(code)
    made = filled(tmp_path, result.mesh)
    assert made.code == 0, made.said[-2000:]
    assert made.tetrahedra > len(result.mesh.faces)
    # the surface is taken as it is, so only float32 in the file and rounding are between the two
    assert made.volume_mm3 / 1000.0 == pytest.approx(result.outcome.volumes.model_after_ml, rel=1e-4)


def test_gmsh_refuses_a_model_that_passes_through_itself(tmp_path, result):
    # a finger of skin pushed through the far wall: closed, outward, and crossing
    v = result.mesh.vertices.copy()
    wall = result.outcome.mesh.vertices
    at = wall[np.argmin(np.linalg.norm(wall - [0.0, wall[:, 1].max(), -40.0], axis=1))]
    near = np.exp(-(np.linalg.norm(v - at, axis=1) ** 2) / (2 * 8.0**2))
    v[:, 1] -= 160.0 * near
    made = filled(tmp_path, result.mesh.with_vertices(v))
    assert made.code != 0 or made.tetrahedra == 0
    assert re.search(r"intersect|overlap|No elements in volume|PLC Error", made.said), made.said[-2000:]


def test_gmsh_refuses_a_model_with_a_hole(tmp_path, result):
    made = filled(tmp_path, Mesh(result.mesh.vertices, result.mesh.faces[40:]))
    assert made.code != 0 or made.tetrahedra == 0


# -- ADMesh ---------------------------------------------------------------------------------------


def counted(path: Path) -> dict[str, float]:
    """ADMesh's own table of a file, after its nearby, degenerate and direction checks; nothing is written."""
    words = ["admesh", "-n", "-d", "-v", str(path)]
    ended = subprocess.run(words, capture_output=True, text=True, check=True, timeout=60)
    found = re.findall(r"([A-Z][A-Za-z0-9 ]+?)\s*:\s*(-?[\d.]+)(?:\s+(-?[\d.]+))?", ended.stdout)
    return {name.strip(): float(last or first) for name, first, last in found}


def test_admesh_finds_the_file_closed_oriented_in_one_part_and_of_the_same_volume(tmp_path, result):
    write_stl(result.mesh, tmp_path / "model.stl")
    table = counted(tmp_path / "model.stl")
    assert table["Number of parts"] == 1
    assert table["Number of facets"] == len(result.mesh.faces)
    assert table["Total disconnected facets"] == 0
    for name in ("Edges fixed", "Facets removed", "Facets added", "Facets reversed", "Backwards edges"):
        assert table[name] == 0, name
    assert table["Degenerate facets"] == 0
    assert table["Volume"] / 1000.0 == pytest.approx(result.outcome.volumes.model_after_ml, rel=1e-4)  # float32 sums


def test_admesh_tells_a_hole_and_a_face_turned_over(tmp_path, result):
    faces = result.mesh.faces.copy()
    faces[7] = faces[7][::-1]
    write_stl(Mesh(result.mesh.vertices, faces), tmp_path / "turned.stl")
    assert counted(tmp_path / "turned.stl")["Facets reversed"] == 1
    write_stl(Mesh(result.mesh.vertices, result.mesh.faces[40:]), tmp_path / "open.stl")
    assert counted(tmp_path / "open.stl")["Total disconnected facets"] > 0
