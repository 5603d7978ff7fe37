"""Surface files written by hand, so that the reader is not tested with the library it reads through."""

from __future__ import annotations

import io
import json
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest

from rectify.errors import InputError
from rectify.geometry import read
from rectify.geometry.mesh import Mesh

CORNERS = np.array([[0.0, 0.0, 0.0], [1.5, 0.0, 0.0], [0.0, 2.25, 0.0], [0.0, 0.0, 3.125]])  # exact in float32
FACES = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
COLOURS = np.array([[10, 20, 30], [40, 50, 60], [70, 80, 90], [255, 0, 128]], dtype=np.uint8)


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
