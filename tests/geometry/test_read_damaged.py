"""Damaged STL, PLY, OFF and OBJ files: every kind of damage with the sentence it gets."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from rectify.errors import FileError, MeshError
from rectify.geometry import read
from tests.geometry.surface_files import (
    CORNERS,
    FACES,
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
    write,
)

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
