"""Reading files: each format there and back, colours, units, names and contents."""

from __future__ import annotations

import os
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rectify.errors import FileError, InputError
from rectify.geometry import edges, guards, read
from rectify.geometry.mesh import Mesh
from rectify.geometry.sniff import looks_like
from tests.geometry.surface_files import (
    COLOURS,
    CORNERS,
    FACES,
    GOOD,
    ascii_ply,
    ascii_stl,
    binary_ply,
    binary_stl,
    glb,
    model,
    obj,
    off,
    refused,
    threemf,
    triangles,
    write,
)

# ---- there and back


@pytest.mark.parametrize("name", GOOD)
def test_every_format_gives_the_very_tetrahedron(tmp_path, name):
    found = read.read_mesh(write(tmp_path, name, GOOD[name]))
    assert triangles(found.mesh) == triangles(Mesh(CORNERS, FACES))
    assert len(found.mesh.vertices) == 4
    assert edges.survey(found.mesh).watertight
    x = found.mesh.vertices[found.mesh.faces]  # outward, so the volume is positive: a sixth of the box
    assert np.einsum("ij,ij->", x[:, 0], np.cross(x[:, 1], x[:, 2])) / 6 == pytest.approx(1.5 * 2.25 * 3.125 / 6)
    assert (found.mesh.vertices.dtype, found.mesh.faces.dtype) == (np.float64, np.int64)


@pytest.mark.parametrize("name", [name for name in GOOD if not name.lower().endswith((".stl", ".glb"))])
def test_formats_with_shared_vertices_keep_their_own_numbering(tmp_path, name):
    mesh = read.read_mesh(write(tmp_path, name, GOOD[name])).mesh
    assert np.array_equal(mesh.vertices, CORNERS)
    assert np.array_equal(mesh.faces, FACES)


def test_an_stl_numbers_its_vertices_as_they_appear(tmp_path):
    mesh = read.read_mesh(write(tmp_path, "a.stl", binary_stl())).mesh
    assert mesh.faces.tolist()[0] == [0, 1, 2]
    assert np.array_equal(mesh.vertices[mesh.faces], CORNERS[FACES])


@pytest.mark.parametrize("name", ["limb.3mf", "limb.glb"])
def test_the_file_is_left_as_it_is(tmp_path, name):
    path = write(tmp_path, name, GOOD[name])
    read.read_mesh(path)
    assert path.read_bytes() == GOOD[name] and [file.name for file in tmp_path.iterdir()] == [name]


def test_a_binary_stl_whose_header_begins_with_solid_is_still_binary(tmp_path):
    found = read.read_mesh(write(tmp_path, "a.stl", binary_stl(header=b"solid made by a careless program")))
    assert len(found.mesh.faces) == 4


def test_a_text_stl_may_have_several_solids_and_any_line_ends(tmp_path):
    moved = CORNERS[FACES] + [9.0, 0.0, 0.0]
    text = (ascii_stl(name="") + "\n\n" + ascii_stl(moved, "two words")).replace("\n", "\r\n").upper()
    mesh = read.read_mesh(write(tmp_path, "a.stl", text)).mesh
    assert edges.survey(mesh).body_count == 2
    assert len(mesh.vertices) == 8


@given(
    st.lists(
        st.lists(st.floats(width=32, allow_nan=False, allow_infinity=False), min_size=9, max_size=9),
        min_size=1,
        max_size=4,
    )
)
def test_any_float32_corners_come_back_to_the_bit(tmp_path_factory, rows):
    corners = np.array(rows, dtype=np.float32).reshape(-1, 3, 3)
    folder = tmp_path_factory.mktemp("stl")
    for content in (binary_stl(corners), ascii_stl(corners.astype(float))):
        mesh = read.read_mesh(write(folder, "a.stl", content)).mesh
        assert np.array_equal(mesh.vertices[mesh.faces], corners)


@pytest.mark.parametrize("name, content", [("a.ply", ascii_ply(True)), ("b.ply", binary_ply()), ("c.off", off(True))])
def test_vertex_colours_are_kept(tmp_path, name, content):
    mesh = read.read_mesh(write(tmp_path, name, content)).mesh
    assert mesh.colours.dtype == np.uint8
    assert np.array_equal(mesh.colours, COLOURS)


def test_colours_as_fractions_in_a_coff_are_scaled(tmp_path):
    text = off(True)
    for r, g, b in COLOURS.tolist():
        text = text.replace(f" {r} {g} {b} 255", f" {r / 255:.4f} {g / 255:.4f} {b / 255:.4f} 1.0")
    assert np.array_equal(read.read_mesh(write(tmp_path, "c.off", text)).mesh.colours, COLOURS)


def test_colours_of_an_obj_are_kept_though_its_vertices_are_joined(tmp_path):
    text = "".join(
        f"v {x} {y} {z} {r / 255:.6f} {g / 255:.6f} {b / 255:.6f}\n"
        for (x, y, z), (r, g, b) in zip(
            CORNERS[FACES].reshape(-1, 3).tolist(), COLOURS[FACES].reshape(-1, 3).tolist(), strict=True
        )
    ) + "".join(f"f {3 * i + 1} {3 * i + 2} {3 * i + 3}\n" for i in range(4))
    found = read.read_mesh(write(tmp_path, "a.obj", text))
    assert found.notes == ("8 repeated vertices were joined",)
    at = {tuple(place): tuple(colour) for place, colour in zip(CORNERS.tolist(), COLOURS.tolist(), strict=True)}
    assert {
        tuple(p): tuple(c) for p, c in zip(found.mesh.vertices.tolist(), found.mesh.colours.tolist(), strict=True)
    } == at


def test_colours_of_a_glb_are_kept_and_a_body_without_any_is_white(tmp_path):
    plain = CORNERS.astype("<f4").tobytes() + FACES.astype("<u4").tobytes()
    body = plain + np.column_stack([COLOURS, np.full(4, 255, dtype=np.uint8)]).tobytes()

    def paint(tree):
        tree["bufferViews"].append({"buffer": 0, "byteOffset": len(plain), "byteLength": 16})
        tree["accessors"].append(
            {"bufferView": 2, "componentType": 5121, "normalized": True, "count": 4, "type": "VEC4"}
        )
        tree["meshes"].append({"primitives": [{"attributes": {"POSITION": 0, "COLOR_0": 2}, "indices": 1}]})
        tree["nodes"].append({"mesh": 1, "translation": [10, 0, 0]})
        tree["scenes"][0]["nodes"] = [0, 1]

    mesh = read.read_mesh(write(tmp_path, "a.glb", glb(paint, body))).mesh
    at = {
        tuple(place): colour
        for place, colour in zip((CORNERS + np.array([10, 0, 0])).tolist(), COLOURS.tolist(), strict=True)
    }
    wanted = [at.get(tuple(place), [255, 255, 255]) for place in mesh.vertices.tolist()]
    assert len(mesh.vertices) == 8 and mesh.colours.tolist() == wanted


def test_colours_called_diffuse_are_kept(tmp_path):
    text = ascii_ply(True)
    for colour in ("red", "green", "blue"):
        text = text.replace(f"uchar {colour}", f"uchar diffuse_{colour}")
    assert np.array_equal(read.read_mesh(write(tmp_path, "a.ply", text)).mesh.colours, COLOURS)


def textured(folder: Path, picture: str = "skin.png", material: str = "limb.mtl") -> Path:
    """An OBJ whose corners take the four colours from a picture beside it."""
    from PIL import Image

    pixels = np.zeros((2, 2, 3), dtype=np.uint8)
    pixels[1, 0], pixels[1, 1], pixels[0, 0], pixels[0, 1] = COLOURS  # rows from the top, v from the bottom
    Image.fromarray(pixels).save(folder / "skin.png")
    (folder / "limb.mtl").write_text(f"newmtl skin\nmap_Kd {picture}\n")
    places = [f"v {x} {y} {z}" for x, y, z in CORNERS.tolist()] + ["vt 0 0", "vt 1 0", "vt 0 1", "vt 1 1"]
    faces = ["f " + " ".join(f"{c + 1}/{c + 1}" for c in face) for face in FACES.tolist()]
    return write(folder, "a.obj", "\n".join([f"mtllib {material}", *places, "usemtl skin", *faces]) + "\n")


def test_colours_are_taken_from_a_texture_beside_the_file(tmp_path):
    found = read.read_mesh(textured(tmp_path))
    at = {tuple(place): colour for place, colour in zip(CORNERS.tolist(), COLOURS.tolist(), strict=True)}
    assert [at[tuple(place)] for place in found.mesh.vertices.tolist()] == found.mesh.colours.tolist()
    assert found.notes == ("colours were taken from the texture at the vertices",)


@pytest.mark.parametrize("where", ["../secret.png", "{outside}/secret.png", "..\\secret.png", "link.png"])
def test_a_picture_outside_the_folder_is_never_followed(tmp_path, where):
    from PIL import Image

    Image.fromarray(np.full((2, 2, 3), 7, dtype=np.uint8)).save(tmp_path / "secret.png")
    folder = tmp_path / "case"
    folder.mkdir()
    (folder / "link.png").symlink_to(tmp_path / "secret.png")
    found = read.read_mesh(textured(folder, where.format(outside=tmp_path)))
    assert found.mesh.colours is None
    assert any("outside the folder" in note for note in found.notes)


def test_a_material_that_is_not_there_costs_only_the_colours(tmp_path):
    found = read.read_mesh(textured(tmp_path, material="lost.mtl"))
    assert triangles(found.mesh) == triangles(Mesh(CORNERS, FACES)) and found.mesh.colours is None
    assert found.notes == ("the file lost.mtl was not read for colours: it is not there",)


def test_a_ply_with_its_texture_lost_says_so_and_keeps_the_shape(tmp_path):
    text = ascii_ply().replace("comment by hand", "comment TextureFile lost.png")
    found = read.read_mesh(write(tmp_path, "a.ply", text))
    assert len(found.mesh.faces) == 4
    assert any("lost.png" in note for note in found.notes)


def test_quads_become_two_triangles_each(tmp_path):
    text = "OFF\n4 1 4\n0 0 0\n1 0 0\n1 1 0\n0 1 0\n4 0 1 2 3\n"
    mesh = read.read_mesh(write(tmp_path, "a.off", text)).mesh
    assert len(mesh.faces) == 2
    x = mesh.vertices[mesh.faces]
    assert np.cross(x[:, 1] - x[:, 0], x[:, 2] - x[:, 0])[:, 2].tolist() == [1.0, 1.0]


def test_a_ply_of_single_triangles_is_joined(tmp_path):
    soup = CORNERS[FACES].reshape(-1, 3).tolist()
    head = ascii_ply().split("element vertex")[0] + "element vertex 12\nproperty float x\nproperty float y\n"
    head += "property float z\nelement face 4\nproperty list uchar int vertex_indices\nend_header\n"
    body = "".join(f"{x} {y} {z}\n" for x, y, z in soup) + "".join(
        f"3 {3 * i} {3 * i + 1} {3 * i + 2}\n" for i in range(4)
    )
    found = read.read_mesh(write(tmp_path, "a.ply", head + body))
    assert edges.survey(found.mesh).watertight
    assert found.notes == ("8 repeated vertices were joined",)


def test_copies_in_a_3mf_stand_where_it_puts_them(tmp_path):
    pair = '<object id="2"><components><component objectid="1"/>'
    pair += '<component objectid="1" transform="1 0 0 0 1 0 0 0 1 10 0 0"/></components></object>'
    build = '<item objectid="2"/><item objectid="1" transform="1 0 0 0 1 0 0 0 1 0 20 0"/>'
    mesh = read.read_mesh(write(tmp_path, "a.3mf", threemf(model(build=build, objects=pair)))).mesh
    assert edges.survey(mesh).body_count == 3
    wanted = set().union(*(triangles(Mesh(CORNERS + shift, FACES)) for shift in ([0, 0, 0], [10, 0, 0], [0, 20, 0])))
    assert triangles(mesh) == wanted


def test_a_mirroring_node_of_a_glb_stays_outward(tmp_path):
    path = write(tmp_path, "a.glb", glb(lambda tree: tree["nodes"][0].update(scale=[-2, 1, 1])))
    x = read.read_mesh(path).mesh
    x = x.vertices[x.faces]
    assert np.einsum("ij,ij->", x[:, 0], np.cross(x[:, 1], x[:, 2])) / 6 == pytest.approx(2 * 1.5 * 2.25 * 3.125 / 6)


@pytest.mark.parametrize(
    "unit, name, mm",
    [
        (' unit="millimeter"', "mm", 1),
        ("", "mm", 1),  # what the specification says where nothing is said
        (' unit="inch"', "inch", 25.4),
        (' unit="centimeter"', "cm", 10),
        (' unit="meter"', "m", 1000),
        (' unit="micron"', "micron", 0.001),
        (' unit="foot"', "foot", 304.8),
    ],
)
def test_a_3mf_says_its_unit(tmp_path, unit, name, mm):
    found = read.read_mesh(write(tmp_path, "a.3mf", threemf(model(unit))))
    assert found.units == name
    assert np.array_equal(found.mesh.vertices, CORNERS)  # in the file's own units
    assert np.allclose(read.in_mm(found.mesh, name).vertices, CORNERS * mm, rtol=1e-15)


@pytest.mark.parametrize("name", GOOD)
def test_only_3mf_and_glb_carry_units(tmp_path, name):
    units = read.read_mesh(write(tmp_path, name, GOOD[name])).units
    assert units == {"limb.3mf": "mm", "limb.glb": "m"}.get(name)


def test_mm_are_left_to_the_bit_and_other_words_are_refused():
    mesh = Mesh(CORNERS, FACES)
    assert read.in_mm(mesh, "mm") is mesh
    with pytest.raises(KeyError):
        read.in_mm(mesh, "furlong")


def test_faces_without_area_are_noted(tmp_path):
    corners = np.concatenate([CORNERS[FACES], CORNERS[[[0, 0, 1]]]])
    found = read.read_mesh(write(tmp_path, "a.stl", binary_stl(corners)))
    assert len(found.mesh.faces) == 5
    assert found.notes == ("1 faces without area: two of their corners are the same",)


# ---- names and contents

LOOKS = {
    "binary STL": binary_stl(),
    "ASCII STL": ascii_stl().encode(),
    "PLY": ascii_ply().encode(),
    "OBJ": obj().encode(),
    "OFF": off().encode(),
    "GLB": glb(),
    "ZIP": threemf(),
    "a PNG picture": b"\x89PNG\r\n\x1a\n" + bytes(90),
    "a JPEG picture": b"\xff\xd8\xff\xe0" + bytes(90),
    "a PDF document": b"%PDF-1.7 ...",
    "a web page": b"<!DOCTYPE html><html></html>",
    "an XML document": b"<?xml version='1.0'?><a/>",
    "a JSON document": b'{"a": 1}',
    "text": b"dear colleague, here is the scan",
    "nothing: it is empty": b"",
    "binary data": bytes(range(256)),
}


@pytest.mark.parametrize("name", LOOKS)
def test_content_is_told_by_its_bytes(name):
    assert looks_like(LOOKS[name][:4096], len(LOOKS[name])) == name


def test_a_letter_cut_in_two_at_the_end_of_the_head_is_still_text():
    head = ("x" * 4095 + "é").encode()
    assert looks_like(head[:4096], len(head)) == "text"


@pytest.mark.parametrize("suffix", read.FORMATS)
@pytest.mark.parametrize("name", LOOKS)
def test_a_name_that_does_not_fit_the_content_is_refused_with_what_it_looks_like(tmp_path, suffix, name):
    form = read.FORMATS[suffix]
    if form in name or (form, name) in {("3MF", "ZIP"), ("STL", "binary data"), ("OBJ", "text")}:
        return  # fits, or is found out further in
    path = write(tmp_path, f"limb{suffix}", LOOKS[name])
    error = refused(path, FileError, f"not what its name says\n.*wanted: {form}.*found: looks like {re.escape(name)}")
    if name in {"PLY", "OBJ", "OFF", "GLB"}:
        assert f"limb.{name.lower()}" in error.hint


def test_a_letter_called_stl_is_text(tmp_path):
    refused(write(tmp_path, "a.stl", "dear colleague"), FileError, "found: looks like text")


@pytest.mark.parametrize("name", ["scan.step", "scan", "scan.stl.gz"])
def test_other_endings_are_refused_with_those_that_are_read(tmp_path, name):
    refused(write(tmp_path, name, binary_stl()), FileError, r"are not read\n.*\.stl, \.ply.*looks like binary STL")


def test_a_missing_file_and_a_folder_are_told_apart(tmp_path):
    refused(tmp_path / "none.stl", FileError, "no such file")
    (tmp_path / "folder.stl").mkdir()
    refused(tmp_path / "folder.stl", FileError, "is not a file\n.*a folder")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes are a POSIX thing")
def test_a_pipe_does_not_keep_us_waiting(tmp_path):
    os.mkfifo(tmp_path / "a.stl")
    refused(tmp_path / "a.stl", FileError, "a device or a pipe")


def test_a_name_no_file_can_have_is_an_error_like_any_other(tmp_path):
    refused(tmp_path / "a\0.stl", FileError, "cannot be opened")
    refused(tmp_path / ("x" * 5000 + ".stl"), FileError, "cannot be opened")


def test_more_than_a_gigabyte_is_refused_unread(tmp_path):
    path = tmp_path / "a.stl"
    with path.open("wb") as stream:
        stream.truncate(guards.MAX_BYTES + 1)  # sparse: takes no room
    refused(path, FileError, "too large\n.*wanted: 1 GB or less")


# ---- in general


@pytest.mark.parametrize("name", GOOD)
@given(data=st.data())
def test_any_flipped_or_lost_bytes_give_a_mesh_or_words_never_a_traceback(tmp_path_factory, name, data):
    content = bytearray(GOOD[name])
    for _ in range(data.draw(st.integers(1, 3))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    content = content[: data.draw(st.integers(len(content) // 2, len(content)))]
    path = write(tmp_path_factory.mktemp("any"), name, bytes(content))
    try:
        found = read.read_mesh(path)
    except InputError as error:
        assert error.path == str(path) and error.exit_code == 2
    else:
        assert len(found.mesh.faces) and np.isfinite(found.mesh.vertices).all()
        edges.survey(found.mesh)


def test_reading_prints_nothing_and_leaves_logging_as_it_was(tmp_path, capfd):
    import logging

    logger = logging.getLogger("trimesh")
    before = (list(logger.handlers), logger.propagate)
    refused(write(tmp_path, "a.ply", ascii_ply().replace("2.25", "2.2S", 1)), FileError, "cannot be read")
    read.read_mesh(write(tmp_path, "b.3mf", threemf()))
    assert capfd.readouterr() == ("", "")
    assert (list(logger.handlers), logger.propagate) == before
