"""3MF and GLB files that would harm, or are spoilt: refused in words."""

from __future__ import annotations

import io
import struct
import zipfile

import pytest

from rectify.errors import FileError
from rectify.geometry import containers
from tests.geometry.surface_files import (
    glb,
    model,
    refused,
    threemf,
    write,
)

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
