"""Write a surface as a binary STL in mm, the same bytes for the same surface.

The header says the program and the unit and no time, and does not begin with `solid`, which some readers take
for a text STL. Coordinates are rounded to float32, the only numbers an STL has: at 300 mm the rounding is
0.000015 mm at most. The order of the faces is kept. Whether the surface is fit for a machine is not asked.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rectify.errors import MeshError, OutputError
from rectify.geometry.corners import columns
from rectify.geometry.mesh import Mesh
from rectify.geometry.normals import face_cross, lengths

__all__ = ["single_precision", "stl_bytes", "write_stl"]

_HEADER = "rectify {what}, binary STL, units: mm"  # 80 bytes at most
_PART = 2**16  # faces at a time
_ROW = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])  # 50 bytes, no padding


def stl_bytes(mesh: Mesh, what: str = "positive model") -> bytes:
    """The file's content: 84 bytes and 50 for each face.

    Raises
    ------
    MeshError
        Where a coordinate is not finite or too large for float32.
    """
    return _content(mesh, what).tobytes()


def write_stl(mesh: Mesh, path: Path, what: str = "positive model") -> None:
    """Write `stl_bytes` to a new file.

    Raises
    ------
    OutputError
        Where a file of this name exists or none can be made.
    """
    content = _content(mesh, what)
    try:
        with path.open("xb") as stream:
            stream.write(content.data)
    except OSError as error:
        raise OutputError("cannot be written", path=path, found=error.strerror or str(error)) from error


def single_precision(mesh: Mesh) -> NDArray[np.float32]:
    """Vertices (n, 3) as a file holds them: float32, no −0.0.

    Raises
    ------
    MeshError
        Where a coordinate is not finite or too large for float32.
    """
    limit = float(np.finfo(np.float32).max)
    if not np.abs(mesh.vertices).max(initial=0.0) <= limit:
        bad = np.flatnonzero(~(np.abs(mesh.vertices) <= limit).all(axis=1))
        raise MeshError(
            f"{len(bad)} vertices have coordinates that no file can hold",
            wanted="finite numbers",
            found=f"{mesh.vertices[bad[0]].tolist()} at vertex {bad[0]}",
        )
    return mesh.vertices.astype(np.float32) + np.float32(0)


def _content(mesh: Mesh, what: str) -> NDArray[np.uint8]:
    """The bytes of the file, filled in place: at 20 MB each copy would be felt."""
    vertices = single_precision(mesh)
    content = np.zeros(84 + _ROW.itemsize * len(mesh.faces), dtype=np.uint8)
    content[:80] = np.frombuffer(_HEADER.format(what=what).encode("ascii").ljust(80)[:80], dtype=np.uint8)
    content[80:84] = np.frombuffer(np.array(len(mesh.faces), dtype="<u4").tobytes(), dtype=np.uint8)
    rows = content[84:].view(_ROW)
    wide = vertices.astype(np.float64)
    for start in range(0, len(mesh.faces), _PART):
        part, faces = rows[start : start + _PART], mesh.faces[start : start + _PART]
        # unit normals of the rounded corners; zero for a face without area
        normals = face_cross(wide, faces)
        long = lengths(normals)
        normals.T[:] /= np.where(long > 0, long, 1.0)
        part["normal"] = normals + 0.0
        for i, corner in enumerate(columns(faces)):
            part["corners"][:, i] = vertices.take(corner, axis=0)
    return content
