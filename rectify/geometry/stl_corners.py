"""Corners of the triangles in an STL, binary or text, read by numpy-stl after our own look at the file.

Both kinds must be complete: a file cut off in the middle, or with bytes left over, is an error. Normals and
the two spare bytes of a binary triangle are not kept; a text STL is read to float32 like a binary one.
"""

from __future__ import annotations

import re
import struct
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rectify.errors import FileError
from rectify.geometry.guards import check_count, short

__all__ = ["ascii_corners", "binary_corners"]

_HEADER, _FACET = 84, 50  # bytes: header with count; one triangle


def binary_corners(path: Path, size: int, head: bytes) -> NDArray[np.float32]:
    """Corners (m, 3, 3) of a binary STL whose size and count agree.

    Parameters
    ----------
    path : Path
    size : int
        Bytes of the file.
    head : bytes
        Its beginning, 84 bytes at least where it has them.
    """
    from stl import mesh as numpy_stl
    from stl.stl import Mode

    if len(head) < _HEADER:
        raise short(path, f"{_HEADER} bytes of header", f"{size} bytes")
    (count,) = struct.unpack("<I", head[80:84])
    wanted = _HEADER + _FACET * count
    if size != wanted and re.match(rb"\s*solid\b.{0,70}?\s+facet\b", head, re.S | re.I):
        raise FileError(
            "begins as a text STL but holds bytes that are no text",
            path=path,
            hint="the file was damaged or cut off: export it again, best as binary STL",
        )
    check_count(count, "triangles", path)
    if size < wanted:
        raise short(path, f"{wanted:,} bytes for {count:,} triangles", f"{size:,} bytes")
    if size > wanted:
        raise FileError(
            f"is longer than its {count:,} triangles take",
            path=path,
            wanted=f"{wanted:,} bytes",
            found=f"{size:,} bytes",
            hint="export it again: the count or the end of the file is wrong",
        )
    with path.open("rb") as stream:
        _, rows = numpy_stl.Mesh.load(stream, mode=Mode.BINARY)
    if len(rows) != count:  # it has changed since we looked
        raise short(path, f"{count:,} triangles", f"{len(rows):,}")
    corners: NDArray[np.float32] = rows["vectors"]
    return corners


_END_SOLID = re.compile(rb"^[ \t]*end ?solid\b[^\n]*(?:\n|\Z)", re.M | re.I)


def ascii_corners(path: Path) -> NDArray[np.float32]:
    """Corners (m, 3, 3) of a text STL, all its solids one after the other."""
    from stl import mesh as numpy_stl
    from stl.stl import Mode

    data = path.read_bytes().replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    data = data.removeprefix(b"\xef\xbb\xbf")
    found: list[NDArray[Any]] = [np.empty((0, 3, 3), dtype=np.float32)]
    start = 0
    for end in _END_SOLID.finditer(data):
        block = data[start : end.end()].lstrip()
        facets = len(re.findall(rb"^[ \t]*facet\b", block, re.M | re.I))
        check_count(facets, "triangles", path)
        try:
            _, rows = numpy_stl.Mesh.load(BytesIO(block), mode=Mode.ASCII, speedups=False)
        except Exception as error:  # the library says what it met, not where
            raise _ascii_fault(data, path, str(error)) from None
        if len(rows) != facets:
            raise _ascii_fault(data, path, f"{len(rows)} triangles of {facets}")
        found.append(rows["vectors"])
        start = end.end()
    if data[start:].strip():
        fault = _ascii_fault(data, path, "")
        raise fault if fault.line is not None else short(path, "a line `endsolid` at the end", "none")
    return np.concatenate(found)


_NUMBER = r"(?:[-+]?(?:\d+\.?\d*|\.\d+)(?:e[-+]?\d+)?|[-+]?(?:nan|inf(?:inity)?))"
_THREE = rf"(?:\s+{_NUMBER}){{3}}"
_ORDER = (  # what the lines of a triangle must be, and how to say it
    (rf"facet\s+normal{_THREE}", "facet normal and three numbers"),
    (r"outer\s+loop", "outer loop"),
    *[(rf"vertex{_THREE}", "vertex and three numbers")] * 3,
    ("endloop", "endloop"),
    ("endfacet", "endfacet"),
)


def _ascii_fault(data: bytes, path: Path, reason: str) -> FileError:
    """The first line of a text STL that is out of order, found by reading it again slowly."""
    step, inside = 0, False
    for number, raw in enumerate(data.decode("latin-1").split("\n"), 1):
        line = raw.strip().lower()
        if not line:
            continue
        if step == 0 and re.match(r"end ?solid\b" if inside else r"solid\b", line):
            inside = not inside
        elif inside and re.fullmatch(_ORDER[step][0], line):
            step = (step + 1) % len(_ORDER)
        else:
            return FileError(
                "a line of this text STL is out of order",
                path=path,
                line=number,
                wanted=_ORDER[step][1] if inside else "solid",
                found=raw.strip()[:60],
                hint="the file was cut off or edited: export it again, best as binary STL",
            )
    return FileError("this text STL cannot be read", path=path, found=reason[:100], hint="export it again")
