"""Binary STL: the layout byte by byte, and two readers that are not ours."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rectify.errors import MeshError, OutputError
from rectify.fabrication.write_stl import single_precision, stl_bytes, write_stl
from rectify.geometry.edges import survey
from rectify.geometry.mesh import Mesh
from rectify.geometry.read import read_mesh
from rectify.synthetic import capsule

CORNERS = np.array([[0.0, 0.0, 0.0], [3.0, 0.0, 0.0], [0.0, 4.0, 0.0], [0.0, 0.0, 1.0]])
FACES = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])


def test_the_layout_is_that_of_a_binary_stl():
    content = stl_bytes(Mesh(CORNERS, FACES))
    assert len(content) == 84 + 4 * 50
    assert struct.unpack("<I", content[80:84]) == (4,)
    assert struct.unpack("<12fH", content[84:134]) == (0, 0, -1, 0, 0, 0, 0, 4, 0, 3, 0, 0, 0)
    slanted = struct.unpack("<3f", content[184:196])  # the plane x/3 + y/4 + z = 1
    assert slanted == pytest.approx(np.array([4, 3, 12]) / 13, abs=1e-7)  # float32 of a unit vector


def test_the_header_names_the_unit_and_is_not_taken_for_text():
    header = stl_bytes(Mesh(CORNERS, FACES))[:80]
    assert header.startswith(b"rectify") and b"units: mm" in header
    assert b"solid" not in header and header.rstrip().isascii()


def test_the_same_surface_gives_the_same_bytes_and_no_time_is_in_them(tmp_path):
    mesh = capsule(edge_mm=12.0)
    write_stl(mesh, tmp_path / "a.stl")
    write_stl(Mesh(mesh.vertices.copy(), mesh.faces.copy()), tmp_path / "b.stl")
    assert (tmp_path / "a.stl").read_bytes() == (tmp_path / "b.stl").read_bytes() == stl_bytes(mesh)


def test_other_readers_find_the_same_triangles(tmp_path):
    import trimesh
    from stl import mesh as numpy_stl

    mesh = capsule(edge_mm=8.0)
    path = tmp_path / "a.stl"
    write_stl(mesh, path)
    wanted = mesh.vertices.astype(np.float32)[mesh.faces]
    rows = numpy_stl.Mesh.from_file(str(path), calculate_normals=False)
    assert np.array_equal(rows.vectors, wanted)
    assert np.array_equal(trimesh.load_mesh(path, process=False).triangles, wanted.astype(float))
    # their normals, of the rounded corners; 2e-5: sums of float32 products there
    area = np.cross(wanted[:, 1] - wanted[:, 0], wanted[:, 2] - wanted[:, 0])
    unit = area / np.linalg.norm(area, axis=1, keepdims=True)
    assert np.abs(rows.normals - unit).max() < 2e-5


def test_it_reads_back_as_the_same_surface(tmp_path):
    mesh = capsule(edge_mm=8.0)
    write_stl(mesh, tmp_path / "a.stl")
    back = read_mesh(tmp_path / "a.stl").mesh
    assert np.array_equal(back.vertices[back.faces], single_precision(mesh)[mesh.faces])
    assert len(back.vertices) == len(mesh.vertices)  # no two vertices fell together
    before, after = survey(mesh), survey(back)
    assert (before.edge_count, len(before.border), before.euler) == (after.edge_count, len(after.border), after.euler)


@given(st.lists(st.lists(st.floats(-1e4, 1e4), min_size=3, max_size=3), min_size=3, max_size=9))
def test_no_coordinate_moves_further_than_float32_rounds(points):
    mesh = Mesh(np.array(points), np.array([[0, 1, 2]]))
    rounded = single_precision(mesh)
    assert (np.abs(rounded - mesh.vertices) <= np.abs(mesh.vertices) * 2.0**-24 + 1e-45).all()
    assert not np.signbit(rounded[rounded == 0]).any()


def test_a_face_without_area_gets_no_normal_and_no_warning():
    content = stl_bytes(Mesh(CORNERS, np.array([[0, 1, 1]])))
    assert struct.unpack("<3f", content[84:96]) == (0, 0, 0)


@pytest.mark.parametrize("value", [np.nan, np.inf, 3.5e38, -3.5e38])
def test_coordinates_no_file_can_hold_are_refused(value):
    corners = CORNERS.copy()
    corners[2, 1] = value
    with pytest.raises(MeshError, match=r"1 vertices have coordinates that no file can hold\n.*at vertex 2"):
        stl_bytes(Mesh(corners, FACES))


def test_the_largest_float32_is_just_inside():
    corners = CORNERS.copy()
    corners[2, 1] = np.finfo(np.float32).max
    assert np.isfinite(single_precision(Mesh(corners, FACES))).all()


def test_a_file_that_exists_is_not_overwritten(tmp_path):
    path = tmp_path / "a.stl"
    path.write_text("mine")
    with pytest.raises(OutputError, match="cannot be written"):
        write_stl(Mesh(CORNERS, FACES), path)
    assert path.read_text() == "mine"


def test_a_place_that_is_no_folder_is_an_error_in_words(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match=r"a\.stl  cannot be written\n.*Not a directory"):
        write_stl(Mesh(CORNERS, FACES), tmp_path / "file" / "a.stl")
