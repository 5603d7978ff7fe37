"""3MF: what is in the package, and a reader that is not ours."""

from __future__ import annotations

import io
import zipfile
from xml.etree import ElementTree

import numpy as np
import pytest

from rectify.errors import MeshError, OutputError
from rectify.fabrication.threemf import threemf_bytes, write_threemf
from rectify.fabrication.write_stl import single_precision
from rectify.geometry.edges import survey
from rectify.geometry.mesh import Mesh
from rectify.geometry.read import read_mesh
from rectify.synthetic import capsule

CORNERS = np.array([[0.1, -0.0, 0.0], [3.0, 1e-7, 0.0], [0.0, 123.456789, 0.0], [0.0, 0.0, -1e5]])
FACES = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"


def opened(content: bytes) -> zipfile.ZipFile:
    return zipfile.ZipFile(io.BytesIO(content))


def model(content: bytes) -> ElementTree.Element:
    return ElementTree.fromstring(opened(content).read("3D/3dmodel.model"))


def test_the_package_has_the_three_parts_the_specification_asks_for():
    archive = opened(threemf_bytes(Mesh(CORNERS, FACES)))
    assert archive.testzip() is None
    assert archive.namelist() == ["[Content_Types].xml", "_rels/.rels", "3D/3dmodel.model"]
    relation = ElementTree.fromstring(archive.read("_rels/.rels"))[0]
    assert relation.get("Target") == "/3D/3dmodel.model"
    assert relation.get("Type") == "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
    kinds = {
        kind.get("Extension"): kind.get("ContentType")
        for kind in ElementTree.fromstring(archive.read("[Content_Types].xml"))
    }
    assert kinds["model"] == "application/vnd.ms-package.3dmanufacturing-3dmodel+xml"
    assert kinds["rels"] == "application/vnd.openxmlformats-package.relationships+xml"


def test_the_model_says_millimetres_and_builds_its_one_object():
    root = model(threemf_bytes(Mesh(CORNERS, FACES)))
    assert root.tag == CORE + "model" and root.get("unit") == "millimeter"
    (item,) = root.find(CORE + "build")
    (part,) = root.find(CORE + "resources")
    assert item.get("objectid") == part.get("id") == "1"


def test_its_numbers_are_those_of_the_stl_to_the_bit():
    mesh = capsule(edge_mm=10.0)
    root = model(threemf_bytes(mesh))
    vertices = [[float(v.get(axis)) for axis in "xyz"] for v in root.iter(CORE + "vertex")]
    faces = [[int(t.get(f"v{i}")) for i in (1, 2, 3)] for t in root.iter(CORE + "triangle")]
    assert np.array_equal(np.array(vertices, dtype=np.float32), single_precision(mesh))
    assert np.array_equal(faces, mesh.faces)


def test_small_large_and_negative_zero_coordinates_survive():
    root = model(threemf_bytes(Mesh(CORNERS, FACES)))
    words = [[v.get(axis) for axis in "xyz"] for v in root.iter(CORE + "vertex")]
    assert np.array_equal(np.array(words, dtype=np.float64).astype(np.float32), CORNERS.astype(np.float32))
    assert words[0][1] == "0"


def test_another_reader_and_ours_find_the_same_surface(tmp_path):
    import trimesh

    mesh = capsule(edge_mm=10.0)
    write_threemf(mesh, tmp_path / "a.3mf", "DM-014")
    other = trimesh.load_mesh(tmp_path / "a.3mf", process=False)
    # nine digits give the float32 back, and differ from it by less than half its last bit
    assert np.array_equal(other.vertices.astype(np.float32), single_precision(mesh))
    assert np.array_equal(other.faces, mesh.faces)
    assert other.units == "millimeter"
    ours = read_mesh(tmp_path / "a.3mf")
    assert ours.units == "mm" and ours.notes == ()
    assert np.array_equal(ours.mesh.faces, mesh.faces)
    assert survey(ours.mesh).euler == survey(mesh).euler


def test_the_same_surface_gives_the_same_bytes_whatever_the_time(monkeypatch):
    import time

    first = threemf_bytes(Mesh(CORNERS, FACES), "DM-014")
    monkeypatch.setattr(time, "time", lambda: 2e9)
    monkeypatch.setattr(time, "localtime", lambda *_: time.gmtime(2e9))
    assert threemf_bytes(Mesh(CORNERS.copy(), FACES.copy()), "DM-014") == first
    assert {entry.date_time for entry in opened(first).infolist()} == {(1980, 1, 1, 0, 0, 0)}


@pytest.mark.parametrize("name", ["DM-014", 'a "quoted" <&> name', "Größe {0} %d"])
def test_any_name_is_kept_as_it_is(name):
    (part,) = model(threemf_bytes(Mesh(CORNERS, FACES), name)).find(CORE + "resources")
    assert part.get("name") == name


def test_no_name_is_no_attribute():
    (part,) = model(threemf_bytes(Mesh(CORNERS, FACES))).find(CORE + "resources")
    assert part.get("name") is None


def test_a_face_with_two_equal_corners_is_refused():
    with pytest.raises(MeshError, match=r"1 faces have two equal corners, the first is face 4\n.*found: 2 0 2"):
        threemf_bytes(Mesh(CORNERS, np.vstack([FACES, [2, 0, 2]])))


def test_coordinates_that_are_not_numbers_are_refused():
    corners = CORNERS.copy()
    corners[1, 1] = np.nan
    with pytest.raises(MeshError, match="no file can hold"):
        threemf_bytes(Mesh(corners, FACES))


def test_a_file_that_exists_is_not_overwritten(tmp_path):
    path = tmp_path / "a.3mf"
    path.write_text("mine")
    with pytest.raises(OutputError, match="cannot be written"):
        write_threemf(Mesh(CORNERS, FACES), path)
    assert path.read_text() == "mine"
