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
from rectify.geometry.mesh import Mesh

__all__ = ["single_precision", "stl_bytes", "write_stl"]

_HEADER = "rectify {what}, binary STL, units: mm"  # 80 bytes at most
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
    bad = np.flatnonzero(~(np.abs(mesh.vertices) <= limit).all(axis=1))
    if len(bad):
        raise MeshError(
            f"{len(bad)} vertices have coordinates that no file can hold",
            wanted="finite numbers",
            found=f"{mesh.vertices[bad[0]].tolist()} at vertex {bad[0]}",
        )
    return mesh.vertices.astype(np.float32) + np.float32(0)


def _content(mesh: Mesh, what: str) -> NDArray[np.uint8]:
    """The bytes of the file, filled in place: at 20 MB each copy would be felt."""
    corners = single_precision(mesh)[mesh.faces]
    content = np.zeros(84 + _ROW.itemsize * len(corners), dtype=np.uint8)
    content[:80] = np.frombuffer(_HEADER.format(what=what).encode("ascii").ljust(80)[:80], dtype=np.uint8)
    content[80:84] = np.frombuffer(np.array(len(corners), dtype="<u4").tobytes(), dtype=np.uint8)
    rows = content[84:].view(_ROW)
    rows["corners"] = corners
    rows["normal"] = _normals(corners)
    return content


def _normals(corners: NDArray[np.float32]) -> NDArray[np.float64]:
    """Unit normals (m, 3) of the rounded corners; zero for a face without area."""
    wide = corners.astype(np.float64)
    u, v = wide[:, 1] - wide[:, 0], wide[:, 2] - wide[:, 0]
    normal = np.empty_like(u)  # np.cross takes half as long again (measured)
    normal[:, 0] = u[:, 1] * v[:, 2] - u[:, 2] * v[:, 1]
    normal[:, 1] = u[:, 2] * v[:, 0] - u[:, 0] * v[:, 2]
    normal[:, 2] = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    length = np.sqrt(np.einsum("ij,ij->i", normal, normal))
    normal /= np.where(length > 0, length, 1.0)[:, None]
    return normal + 0.0
