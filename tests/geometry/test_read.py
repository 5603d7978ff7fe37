"""Reading files: each format there and back, and every kind of damage with the sentence it gets."""

from __future__ import annotations

import io
import json
import os
import re
import struct
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rectify.errors import FileError, InputError, MeshError
from rectify.geometry import containers, edges, guards, read
from rectify.geometry.mesh import Mesh
from rectify.geometry.sniff import looks_like

CORNERS = np.array([[0.0, 0.0, 0.0], [1.5, 0.0, 0.0], [0.0, 2.25, 0.0], [0.0, 0.0, 3.125]])  # exact in float32
FACES = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
COLOURS = np.array([[10, 20, 30], [40, 50, 60], [70, 80, 90], [255, 0, 128]], dtype=np.uint8)


# ---- files written by hand, so that the reader is not tested with the library it reads through


def binary_stl(corners=None, header: bytes = b"made by hand", count: int | None = None) -> bytes:
    """A binary STL of (m, 3, 3) corners."""
    corners = CORNERS[FACES] if corners is None else np.asarray(corners)
    rows = b"".join(
        struct.pack("<12fH", 0, 0, 0, *triangle.ravel().tolist(), 0) for triangle in corners.astype(np.float32)
    )
    return header.ljust(80, b"\0") + struct.pack("<I", len(corners) if count is None else count) + rows


def ascii_stl(corners=None, name: str = "limb") -> str:
    """A text STL of (m, 3, 3) corners."""
    lines = [f"solid {name}"]
    for triangle in CORNERS[FACES] if corners is None else corners:
        lines += ["facet normal 0 0 0", "outer loop", *(f"vertex {x!r} {y!r} {z!r}" for x, y, z in triangle.tolist())]
        lines += ["endloop", "endfacet"]
    return "\n".join([*lines, f"endsolid {name}", ""])


def ascii_ply(colours: bool = False, faces=FACES) -> str:
    """A text PLY of the tetrahedron."""
    head = ["ply", "format ascii 1.0", "comment by hand", f"element vertex {len(CORNERS)}"]
    head += [f"property float {axis}" for axis in "xyz"]
    rows = [list(map(repr, corner)) for corner in CORNERS.tolist()]
    if colours:
        head += [f"property uchar {colour}" for colour in ("red", "green", "blue")]
        rows = [row + list(map(str, colour)) for row, colour in zip(rows, COLOURS.tolist(), strict=True)]
    head += [f"element face {len(faces)}", "property list uchar int vertex_indices", "end_header"]
    body = [" ".join(row) for row in rows] + [f"{len(f)} " + " ".join(map(str, f)) for f in faces]
    return "\n".join(head + body) + "\n"


def binary_ply(end: str = "<", faces=FACES) -> bytes:
    """A binary PLY of the tetrahedron with colours, little or big endian."""
    kind = "little" if end == "<" else "big"
    head = f"ply\nformat binary_{kind}_endian 1.0\nelement vertex 4\n"
    head += "".join(f"property double {axis}\n" for axis in "xyz")
    head += "".join(f"property uchar {colour}\n" for colour in ("red", "green", "blue"))
    head += f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    body = b"".join(struct.pack(end + "3d3B", *p, *c) for p, c in zip(CORNERS.tolist(), COLOURS.tolist(), strict=True))
    return head.encode() + body + b"".join(struct.pack(f"{end}B{len(f)}i", len(f), *f) for f in faces)


def obj(extra: str = "") -> str:
    """A text OBJ of the tetrahedron."""
    lines = [f"v {x} {y} {z}" for x, y, z in CORNERS.tolist()]
    lines += ["f " + " ".join(str(corner + 1) for corner in face) for face in FACES.tolist()]
    return "# by hand\n" + "\n".join(lines) + "\n" + extra


def off(colours: bool = False) -> str:
    """A text OFF or COFF of the tetrahedron."""
    rows = [" ".join(map(str, corner)) for corner in CORNERS.tolist()]
    if colours:
        rows = [f"{row} {r} {g} {b} 255" for row, (r, g, b) in zip(rows, COLOURS.tolist(), strict=True)]
    rows += ["3 " + " ".join(map(str, face)) for face in FACES.tolist()]
    return ("COFF" if colours else "OFF") + "\n# by hand\n4 4 6\n" + "\n".join(rows) + "\n"


def model(unit: str = ' unit="millimeter"', build: str = '<item objectid="1"/>', objects: str = "") -> str:
    """The model part of a 3MF with the tetrahedron as object 1."""
    vertices = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in CORNERS.tolist())
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in FACES.tolist())
    return (
        f'<?xml version="1.0"?><model{unit} xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02">'
        f'<resources><object id="1" type="model"><mesh><vertices>{vertices}</vertices>'
        f"<triangles>{triangles}</triangles></mesh></object>{objects}</resources><build>{build}</build></model>"
    )


def threemf(text: str | None = None, **parts: str) -> bytes:
    """A 3MF around a model part; other parts by name."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("3D/3dmodel.model", model() if text is None else text)
        for name, content in parts.items():
            archive.writestr(name, content)
    return packed.getvalue()


def glb(change=lambda _: None, body: bytes | None = None, length: int | None = None) -> bytes:
    """A GLB of the tetrahedron; `change` may spoil its JSON."""
    points, corners = CORNERS.astype("<f4").tobytes(), FACES.astype("<u4").tobytes()
    body = points + corners if body is None else body
    tree = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "buffers": [{"byteLength": len(body)}],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": len(points)},
            {"buffer": 0, "byteOffset": len(points), "byteLength": len(corners)},
        ],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": 4, "type": "VEC3"},
            {"bufferView": 1, "componentType": 5125, "count": 12, "type": "SCALAR"},
        ],
    }
    change(tree)
    text = json.dumps(tree).encode()
    text += b" " * (-len(text) % 4)
    whole = 12 + 8 + len(text) + 8 + len(body)
    head = struct.pack("<4sII", b"glTF", 2, whole if length is None else length)
    return head + struct.pack("<I4s", len(text), b"JSON") + text + struct.pack("<I4s", len(body), b"BIN\0") + body


GOOD = {
    "limb.stl": binary_stl(),
    "text.STL": ascii_stl().encode(),
    "text.ply": ascii_ply().encode(),
    "little.ply": binary_ply("<"),
    "big.ply": binary_ply(">"),
    "limb.obj": obj().encode(),
    "limb.off": off().encode(),
    "limb.3mf": threemf(),
    "limb.glb": glb(),
}


def write(folder: Path, name: str, content: bytes | str) -> Path:
    """A file with this content."""
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def refused(path: Path, kind: type[InputError], text: str) -> InputError:
    """The error that reading gives; it must be of this kind, hold the path, and its sentence match."""
    with pytest.raises(kind, match=text) as caught:
        read.read_mesh(path)
    assert type(caught.value) is kind and caught.value.path == str(path) and caught.value.exit_code == 2
    return caught.value


def triangles(mesh: Mesh) -> set[frozenset[tuple[float, ...]]]:
    """The faces as sets of places, whatever the numbering."""
    return {frozenset(map(tuple, triangle.tolist())) for triangle in mesh.vertices[mesh.faces]}


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


# ---- damaged STL


@pytest.mark.parametrize("size", [1, 83])
def test_a_binary_stl_without_its_header_ends_early(tmp_path, size):
    content = bytes([1, 2, 0, 255] * 21)[:size]
    refused(write(tmp_path, "a.stl", content), FileError, f"ends before it is complete\n.*found: {size} bytes")


@pytest.mark.parametrize("lost", [1, 49, 50, 199])
def test_a_cut_binary_stl_ends_early(tmp_path, lost):
    content = binary_stl(header=b"\0")[:-lost]
    error = refused(write(tmp_path, "a.stl", content), FileError, "ends before it is complete")
    assert error.wanted == "284 bytes for 4 triangles" and error.found == f"{284 - lost} bytes"


@pytest.mark.parametrize("more", [1, 50])
def test_bytes_after_the_last_triangle_are_an_error(tmp_path, more):
    refused(write(tmp_path, "a.stl", binary_stl() + bytes(more)), FileError, "longer than its 4 triangles take")


@pytest.mark.parametrize("count", [20_000_001, 2**32 - 1])
def test_an_absurd_count_is_refused(tmp_path, count):
    content = binary_stl(header=b"\0", count=count)
    refused(write(tmp_path, "a.stl", content), FileError, f"speaks of {count:,} triangles\n.*20,000,000 or fewer")


def test_the_largest_count_allowed_is_judged_by_its_size(tmp_path):
    content = binary_stl(header=b"\0", count=20_000_000)
    refused(write(tmp_path, "a.stl", content), FileError, "ends before it is complete")


def test_an_stl_without_triangles_is_no_surface(tmp_path):
    refused(write(tmp_path, "a.stl", binary_stl(np.empty((0, 3, 3)))), MeshError, "holds no triangles")
    refused(write(tmp_path, "b.stl", "solid nothing\nendsolid nothing\n"), MeshError, "holds no triangles")


@pytest.mark.parametrize("value, word", [(np.nan, "nan"), (np.inf, "inf"), (-np.inf, "-inf")])
@pytest.mark.parametrize("form", ["binary", "ascii"])
def test_coordinates_that_are_not_numbers_are_counted_and_placed(tmp_path, value, word, form):
    corners = CORNERS[FACES].copy()
    corners[2, 1, 0] = corners[3, 0, 2] = value
    content = binary_stl(corners) if form == "binary" else ascii_stl(corners)
    text = rf"2 corners have coordinates that are not numbers\n.*found: \({word}, 2.25, 0.0\) at triangle 2"
    refused(write(tmp_path, "a.stl", content), MeshError, text)


@pytest.mark.parametrize(
    "old, new, line, wanted",
    [
        ("vertex 1.5 0.0 0.0", "vertex 1.5 0.0", 6, "vertex and three numbers"),
        ("vertex 1.5 0.0 0.0", "vertex 1.5 0.0 O.0", 6, "vertex and three numbers"),
        ("vertex 1.5 0.0 0.0\n", "", 6, "vertex and three numbers"),
        ("outer loop", "outer lop", 3, "outer loop"),
        ("endfacet", "endfact", 8, "endfacet"),
        ("facet normal", "face normal", 2, "facet normal and three numbers"),
    ],
)
def test_a_line_out_of_order_in_a_text_stl_is_named(tmp_path, old, new, line, wanted):
    path = write(tmp_path, "a.stl", ascii_stl().replace(old, new, 1))
    error = refused(path, FileError, r"a\.stl:\d+  a line of this text STL is out of order")
    assert (error.line, error.wanted) == (line, wanted)


@pytest.mark.parametrize("lines", [3, 7, 8, 9, 15])
def test_a_text_stl_cut_off_anywhere_is_refused(tmp_path, lines):
    text = "\n".join(ascii_stl().splitlines()[:lines]) + "\n"
    refused(write(tmp_path, "a.stl", text), FileError, "ends before it is complete\n.*endsolid")


@pytest.mark.parametrize("byte", ["\0", "\1" * 200])
def test_a_text_stl_with_bytes_that_are_no_text_is_not_taken_for_a_binary_one(tmp_path, byte):
    text = ascii_stl().replace("outer loop", byte, 1)
    refused(write(tmp_path, "a.stl", text), FileError, "begins as a text STL but holds bytes that are no text")


# ---- damaged PLY


@pytest.mark.parametrize("end", ["<", ">"])
@pytest.mark.parametrize("lost", [1, 13, 60, 140])
def test_a_cut_binary_ply_ends_early(tmp_path, end, lost):
    refused(write(tmp_path, "a.ply", binary_ply(end)[:-lost]), FileError, "ends before it is complete\n.*rows of")


@pytest.mark.parametrize("lines", [1, 3, 7])
def test_a_cut_text_ply_ends_early(tmp_path, lines):
    text = "\n".join(ascii_ply().splitlines()[:-lines]) + "\n"
    refused(write(tmp_path, "a.ply", text), FileError, f"ends before it is complete\n.*8 lines.*found: {8 - lines}")


def test_bytes_after_a_binary_ply_are_an_error(tmp_path):
    refused(write(tmp_path, "a.ply", binary_ply() + b"\0"), FileError, "1 bytes follow the last element")


@pytest.mark.parametrize("count", ["20000001", "99999999999999", "-1", "many"])
@pytest.mark.parametrize("content", [ascii_ply().encode(), binary_ply()])
def test_an_absurd_number_of_faces_in_a_ply_is_refused(tmp_path, count, content):
    spoilt = content.replace(b"element face 4", b"element face " + count.encode())
    refused(write(tmp_path, "a.ply", spoilt), FileError, "speaks of 20,000,001 faces|header line makes no sense")


def test_an_absurd_number_of_vertices_in_a_ply_ends_early(tmp_path):
    spoilt = binary_ply().replace(b"element vertex 4", b"element vertex 900000000")
    refused(write(tmp_path, "a.ply", spoilt), FileError, "ends before it is complete")


@pytest.mark.parametrize(
    "old, new, text",
    [
        ("end_header\n", "", "header has no end"),
        ("property float x", "property flout x", "a.ply:5  a header line makes no sense"),
        ("property float x\n", "", "no vertices with x, y and z"),
        ("format ascii 1.0\n", "", "names no format"),
        ("format ascii", "format morse", "a.ply:2  a header line makes no sense"),
        ("element vertex 4\n", "", "a.ply:4  a header line makes no sense"),
        ("element face 4", "element face 0", "holds points but no faces"),
    ],
)
def test_a_spoilt_ply_header_is_named(tmp_path, old, new, text):
    refused(write(tmp_path, "a.ply", ascii_ply().replace(old, new, 1)), FileError, text)


def test_a_point_cloud_gets_a_hint(tmp_path):
    text = ascii_ply().split("element face")[0] + "end_header\n" + "0 0 0\n" * 4
    assert "as a mesh" in refused(write(tmp_path, "a.ply", text), FileError, "points but no faces").hint


def test_mixed_triangles_and_quads_in_a_binary_ply_are_named(tmp_path):
    content = binary_ply(faces=[[0, 2, 1], [0, 1, 3], [0, 1, 2, 3]])
    refused(write(tmp_path, "a.ply", content), FileError, "face 2 has another number of vertex_indices")


def test_words_among_the_numbers_of_a_ply_are_an_error(tmp_path):
    refused(write(tmp_path, "a.ply", ascii_ply().replace("2.25", "2.2S", 1)), FileError, "cannot be read")


@pytest.mark.parametrize("name", ["a.ply", "b.ply", "c.off", "d.3mf", "e.glb", "f.obj"])
def test_faces_out_of_range_are_named(tmp_path, name):
    def point_past(tree):
        tree["accessors"][0]["count"] = 3

    content = {
        "a.ply": ascii_ply().replace("3 1 2 3", "3 1 2 4"),
        "b.ply": binary_ply(faces=[*FACES.tolist()[:3], [2, 0, -1]]),
        "c.off": off().replace("3 1 2 3", "3 1 2 4"),
        "d.3mf": threemf(model().replace('v3="3"', 'v3="4"', 1)),
        "e.glb": glb(point_past),
        "f.obj": obj().replace("f 2 3 4", "f 2 3 5"),
    }[name]
    kind = FileError if name == "c.off" else MeshError
    refused(write(tmp_path, name, content), kind, "vertex that does not exist|outside the range of its vertices")


@pytest.mark.parametrize("name", ["a.ply", "b.off", "c.3mf", "d.obj"])
def test_not_a_number_is_found_in_every_format(tmp_path, name):
    content = {
        "a.ply": ascii_ply().replace("2.25", "nan", 1),
        "b.off": off().replace("2.25", "nan", 1),
        "c.3mf": threemf(model().replace("2.25", "nan", 1)),
        "d.obj": obj().replace("2.25", "nan", 1),
    }[name]
    refused(write(tmp_path, name, content), MeshError, r"1 vertices have .* not numbers\n.*at vertex 2")


# ---- damaged OFF and OBJ


@pytest.mark.parametrize(
    "content, text",
    [
        ("\n".join(off().splitlines()[:-1]), "ends before it is complete\n.*8 lines.*found: 7"),
        (off().replace("4 4 6", "4 four 6"), "line with the counts is missing"),
        (off().replace("4 4 6", "4 99999999 6"), "speaks of 99,999,999 faces"),
        (off().replace("4 4 6", "99999999 4 6"), "speaks of 99,999,999 vertices"),
        (off().replace("3 0 2 1", "2 0 2"), "face 0 has 2 corners"),
        (off().replace("OFF", "STOFF"), "this kind of OFF is not read"),
        (off().replace("OFF", "OFF BINARY"), "this kind of OFF is not read"),
    ],
)
def test_a_spoilt_off_is_named(tmp_path, content, text):
    refused(write(tmp_path, "a.off", content), FileError, text)


@pytest.mark.parametrize(
    "old, new, line, text",
    [
        ("v 1.5 0.0 0.0", "v 1.5 0.0", 3, "a vertex needs three coordinates"),
        ("f 1 3 2", "f 1 3", 6, "a face needs three corners"),
        ("f 1 3 2", "f 0 3 2", 6, "an OBJ counts from 1"),
        ("f 1 3 2", "f 1 3/1 0/2", 6, "an OBJ counts from 1"),
        ("f 1 3 2", "f 1 3 -1", 6, "counted back"),
    ],
)
def test_a_spoilt_line_of_an_obj_is_named(tmp_path, old, new, line, text):
    assert refused(write(tmp_path, "a.obj", obj().replace(old, new)), FileError, text).line == line


def test_an_obj_whose_corners_end_in_zero_is_fine(tmp_path):
    points = "".join(f"v {i} {i * i} {i**3}\n" for i in range(20))
    assert len(read.read_mesh(write(tmp_path, "a.obj", points + "f 10 20 1\nf 20/1 10/1 1/1\n")).mesh.faces) == 2


def test_an_obj_without_faces_is_no_surface(tmp_path):
    refused(write(tmp_path, "a.obj", obj().split("f ")[0]), MeshError, "holds no faces")


def test_long_lines_do_not_slow_the_look_at_an_obj(tmp_path):
    # a run of one letter, of zeros, and of blanks: two million each, in well under the limit of this test's time
    content = obj() + "# " + "v" * 2_000_000 + "\nv " + "1" * 2_000_000 + " 0 0\n" + "f 1 2 " + "0" * 2_000_000 + "3\n"
    path = write(tmp_path, "a.obj", content)
    code = "import sys; from rectify.geometry.guards import guard_obj; guard_obj(open(sys.argv[1], 'rb').read(), 'a')"
    root = Path(__file__).parents[2]
    subprocess.run([sys.executable, "-c", code, str(path)], timeout=30, check=True, cwd=root)


# ---- 3MF that would harm


def test_a_bomb_is_refused_by_its_size_before_it_is_unpacked(tmp_path, monkeypatch):
    content = threemf(**{"Metadata/a.txt": "0"})
    place = content.rindex(b"PK\x01\x02") + 24  # the size that the archive's last directory entry declares
    bomb = content[:place] + struct.pack("<I", 300 * 2**20) + content[place + 4 :]
    monkeypatch.setattr(containers, "MAX_RATIO", 10**9)
    refused(write(tmp_path, "a.3mf", bomb), FileError, "unpacks to far more than a model takes\n.*300 MB out of")


def test_a_bomb_of_smaller_size_is_refused_by_its_ratio(tmp_path):
    bomb = threemf(**{"Metadata/a.txt": "0" * 20 * 2**20})
    refused(write(tmp_path, "a.3mf", bomb), FileError, "unpacks to far more.*\n.*200 times its own size")


def test_copies_of_copies_are_counted_without_being_made(tmp_path):
    objects = "".join(
        f'<object id="{n}"><components>' + f'<component objectid="{n - 1}"/>' * 10 + "</components></object>"
        for n in range(2, 40)
    )
    content = threemf(model(build='<item objectid="39"/>', objects=objects))
    refused(write(tmp_path, "a.3mf", content), FileError, r"too many copies\n.*found: 10\^38")


def test_an_object_inside_itself_is_refused(tmp_path):
    ring = '<object id="2"><components><component objectid="3"/></components></object>'
    ring += '<object id="3"><components><component objectid="2"/></components></object>'
    content = threemf(model(build='<item objectid="2"/>', objects=ring))
    refused(write(tmp_path, "a.3mf", content), FileError, "an object contains itself")


@pytest.mark.parametrize(
    "parts, text",
    [
        ({"../escape.txt": "x"}, "leads out of the archive"),
        ({"/etc/x": "x"}, "leads out of the archive"),
        ({"a\\..\\x": "x"}, "leads out of the archive"),
        ({"C:/x": "x"}, "leads out of the archive"),
        ({"3d/3DMODEL.model": "x"}, "two parts of the archive have the same name"),
        ({f"n{i}": "" for i in range(1000)}, "too many parts"),
    ],
)
def test_an_archive_with_odd_parts_is_refused(tmp_path, parts, text):
    refused(write(tmp_path, "a.3mf", threemf(**parts)), FileError, text)


@pytest.mark.parametrize(
    "text, message",
    [
        (model(build=""), "builds nothing"),
        (model(build='<item objectid="7"/>'), "builds object 7, which it does not hold"),
        (model().replace("</triangles>", ""), "cannot be read"),
        (model(' unit="ell"'), "its unit is not one a 3MF can have\n.*found: ell"),
        ('<!DOCTYPE a [<!ENTITY b "c">]>' + model()[21:], "declares a document type"),
        (model(build='<item objectid="1" path="/3D/other.model"/>'), "spread over several model parts"),
        (model().replace('x="1.5"', 'x="1.S"'), "cannot be read"),
        (model().replace('z="3.125"', ""), "cannot be read"),
        (model(objects='<object id="1"><mesh/></object>'), "two objects 1"),
        ("", "cannot be read"),
    ],
)
def test_a_spoilt_model_part_is_named(tmp_path, text, message):
    refused(write(tmp_path, "a.3mf", threemf(text)), FileError, message)


def test_an_archive_that_is_no_3mf_shows_what_it_holds(tmp_path):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("holiday.jpg", "x")
    refused(write(tmp_path, "a.3mf", packed.getvalue()), FileError, r"ZIP archive but not a 3MF\n.*holiday\.jpg")


@pytest.mark.parametrize("lost", [1, 30, 300])
def test_a_cut_archive_is_damaged(tmp_path, lost):
    refused(write(tmp_path, "a.3mf", threemf()[:-lost]), FileError, "archive is damaged")


def test_a_flipped_byte_in_a_packed_model_is_found(tmp_path):
    content = bytearray(threemf())
    place = content.index(b"3D/3dmodel.model") + 60
    content[place] ^= 0xFF
    refused(write(tmp_path, "a.3mf", bytes(content)), FileError, "cannot be read")


# ---- GLB that would harm


def spoil(**changes):
    """A change of one entry: accessors_0_count=-1 sets tree['accessors'][0]['count']."""

    def change(tree):
        for key, value in changes.items():
            place = tree
            *way, last = [int(word) if word.isdigit() else word for word in key.split("_")]
            for word in way:
                place = place[word]
            place[last] = value

    return change


@pytest.mark.parametrize(
    "change, text",
    [
        (spoil(buffers_0_uri="limb.bin"), "refers to another file for its buffers\n.*found: limb.bin"),
        (spoil(images=[{"uri": "https://example.org/a.png"}]), "refers to another file for its images"),
        (spoil(accessors_0_count=10**12), "accessor 0 has an impossible count"),
        (spoil(accessors_0_count=-1), "accessor 0 has an impossible count"),
        (spoil(accessors_1={"componentType": 5125, "count": 12, "type": "SCALAR"}), "no plain data behind it"),
        (spoil(extensionsRequired=["KHR_draco_mesh_compression"]), "needs extensions that are not read\n.*draco"),
        (spoil(meshes_0_primitives_0_mode=1), "something other than triangles\n.*mode 1"),
        (spoil(accessors_0_componentType=5122), "positions are not three floats each"),
        (spoil(nodes_0_mesh=3), "a node names mesh 3, which does not exist"),
        (spoil(nodes=[{"mesh": 0, "children": [0]}]), "shown twice or contains itself"),
        (spoil(nodes=[{"children": [1]}, {"children": [0]}]), "shown twice or contains itself"),
        (spoil(nodes=[{"mesh": 0, "children": [1, 1]}, {"mesh": 0}]), "shown twice or contains itself"),
        (spoil(nodes=[{"mesh": 0}] * 10_001), "too many nodes"),
        (spoil(scene=4), "it shows scene 4, which does not exist"),
        (spoil(bufferViews_0_byteLength=10**9), "cannot be read as GLB"),
        (spoil(bufferViews_0_byteStride=10**9), "cannot be read as GLB"),
    ],
)
def test_a_spoilt_glb_is_named(tmp_path, change, text):
    refused(write(tmp_path, "a.glb", glb(change)), FileError, text)


@pytest.mark.parametrize("lost", [1, 100, 500])
def test_a_cut_glb_ends_early(tmp_path, lost):
    refused(write(tmp_path, "a.glb", glb()[:-lost]), FileError, "ends before it is complete")


@pytest.mark.parametrize(
    "content, text",
    [
        (glb(length=10), "longer than its header says"),
        (b"glTF" + struct.pack("<II", 1, 20) + bytes(8), "not a GLB of glTF 2.0"),
        (b"glTF" + struct.pack("<III4s", 2, 26, 6, b"JSON") + b"[1, 2]", "JSON chunk is not an object"),
        (b"glTF" + struct.pack("<III4s", 2, 24, 4, b"JSON") + b"{a:}", "JSON chunk cannot be read"),
        (b"glTF" + struct.pack("<III4s", 2, 100_020, 100_000, b"JSON") + b"[" * 100_000, "JSON chunk cannot be read"),
        (b"glTF" + struct.pack("<III4s", 2, 24, 99, b"JSON") + b"{}  ", "ends before it is complete"),
    ],
)
def test_a_spoilt_glb_container_is_named(tmp_path, content, text):
    refused(write(tmp_path, "a.glb", content), FileError, text)


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
