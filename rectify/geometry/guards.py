"""Look at a PLY, OFF or OBJ before a library reads it: counts and lines that would harm, hang or mislead.

Each guard takes the bytes of a file and its path (for messages only), raises FileError where reading would
take memory or time out of all proportion, or quietly drop or misread a part, and returns how many triangles
the file must give, so that a reader that loses some is found out. A guard that passes says nothing about the
shape. Nothing is opened here. `containers` does the same for GLB and 3MF.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rectify.errors import FileError

__all__ = [
    "MAX_BYTES",
    "MAX_TRIANGLES",
    "check_count",
    "guard_obj",
    "guard_off",
    "guard_ply",
    "listed",
    "short",
]

MAX_BYTES = 2**30  # 1 GB: a binary STL of some 21 million triangles; scans of limbs have 0.05 to 2 million
MAX_TRIANGLES = 20_000_000

_PLY_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2",
    "ushort": "u2", "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip


@dataclass(frozen=True)
class _PlyHeader:
    """Format ('ascii', 'binary_little_endian', 'binary_big_endian'), where the body begins, and the elements:
    name, count, and properties as (name, type, type of the list's length or None)."""

    format: str
    body: int
    elements: tuple[tuple[str, int, tuple[tuple[str, str, str | None], ...]], ...]

    def count(self, name: str) -> int:
        """Rows of an element; 0 where there is none."""
        return next((count for element, count, _ in self.elements if element == name), 0)

    def properties(self, name: str) -> tuple[str, ...]:
        """Names of an element's properties; empty where there is none."""
        return next((tuple(p[0] for p in rows) for element, _, rows in self.elements if element == name), ())


def guard_ply(data: bytes, path: Path) -> int | None:
    """Header complete and believable, body as long as it promises; None where triangles are not known."""
    header = _ply_header(data, path)
    if not {"x", "y", "z"} <= set(header.properties("vertex")):
        raise FileError(
            "the header names no vertices with x, y and z",
            path=path,
            wanted="element vertex with properties x, y and z",
            found=listed(name for name, _, _ in header.elements),
        )
    if not header.count("face"):
        raise FileError(
            "holds points but no faces",
            path=path,
            wanted="a surface of triangles",
            found=f"{header.count('vertex')} points and no faces",
            hint="export the scan as a mesh, not as a point cloud",
        )
    check_count(header.count("face"), "faces", path)
    if header.format != "ascii":
        return _check_ply_rows(data, header, path)
    promised = sum(count for _, count, _ in header.elements)
    lines = _filled_lines(data, header.body)
    check_lines(len(lines), promised, path)
    begin = 0
    for name, count, rows in header.elements:
        if name == "face" and rows and rows[0][2] is not None:  # the list of corners comes first on its line
            return _triangles(lines[begin : begin + count], path)
        begin += count
    return None


def _ply_header(data: bytes, path: Path) -> _PlyHeader:
    end = re.search(rb"^end_header[ \t]*(\r\n|\n|\r)", data[: 2**20], re.M)
    if end is None:
        raise FileError("the header has no end", path=path, wanted="a line `end_header`", found="none in the first MB")
    form = ""
    elements: list[tuple[str, int, list[tuple[str, str, str | None]]]] = []
    for number, line in enumerate(data[: end.start()].decode("latin-1").splitlines(), 1):
        words = line.split()
        try:
            match words:
                case ["format", "ascii" | "binary_little_endian" | "binary_big_endian" as form, *_]:
                    pass
                case ["element", name, count] if 0 <= int(count) <= MAX_BYTES:
                    elements.append((name, int(count), []))
                case ["property", "list", length, kind, name]:
                    elements[-1][2].append((name, _PLY_TYPES[kind], _PLY_TYPES[length]))
                case ["property", kind, name]:
                    elements[-1][2].append((name, _PLY_TYPES[kind], None))
                case ["ply"] | ["comment" | "obj_info", *_] | []:
                    pass
                case _:
                    raise KeyError
        except (KeyError, IndexError, ValueError):
            raise FileError(
                "a header line makes no sense",
                path=path,
                line=number,
                wanted="format, element or property",
                found=line[:80],
            ) from None
    if not form:
        raise FileError("the header names no format", path=path, wanted="format ascii 1.0, or one of the binary ones")
    return _PlyHeader(form, end.end(), tuple((name, count, tuple(rows)) for name, count, rows in elements))


def _check_ply_rows(data: bytes, header: _PlyHeader, path: Path) -> int | None:
    """Walk a binary body, element by element; lists must have one length within an element."""
    place, triangles = header.body, None
    for name, count, _ in header.elements:
        if not count:
            continue
        kinds, lists = _ply_row(data, header, name, place, path)
        have = min(count, (len(data) - place) // max(kinds.itemsize, 1))
        table = np.frombuffer(data, kinds, have, place)
        for field in lists:
            lengths = table[f"length of {field}"]
            other = np.flatnonzero(lengths != lengths[:1])
            if len(other):
                raise FileError(
                    f"{name} {other[0]} has another number of {field} than the first",
                    path=path,
                    wanted=f"{lengths[0]} throughout",
                    found=str(lengths[other[0]]),
                    hint="export the mesh as triangles",
                )
            if name == "face" and field in {"vertex_index", "vertex_indices"} and have:
                triangles = count * (int(lengths[0]) - 2)
        if have < count:
            raise short(path, f"{count:,} rows of {name}", f"{have:,}")
        place += count * kinds.itemsize
    if place != len(data):
        raise FileError(
            f"{len(data) - place} bytes follow the last element",
            path=path,
            wanted=f"{place:,} bytes by the header",
            found=f"{len(data):,} bytes",
            hint="export the scan again",
        )
    return triangles


def _ply_row(
    data: bytes, header: _PlyHeader, element: str, place: int, path: Path
) -> tuple[np.dtype[np.void], list[str]]:
    """One row of a binary element, its lists as long as the first row's, and the names of the lists."""
    end = "<" if header.format == "binary_little_endian" else ">"
    rows = next(rows for name, _, rows in header.elements if name == element)
    fields: list[tuple[str, str] | tuple[str, str, tuple[int]]] = []
    lists = []
    for field, kind, length in rows:
        if length is not None:
            offset = place + np.dtype(fields).itemsize if fields else place
            if offset + np.dtype(length).itemsize > len(data):
                raise short(path, f"rows of {element}", "none")
            items = int(np.frombuffer(data, end + length, 1, offset)[0])
            if not 0 <= items <= 1000:
                raise FileError(f"a list of {field} has an impossible length", path=path, found=str(items))
            fields += [(f"length of {field}", end + length), (field, end + kind, (items,))]
            lists.append(field)
        else:
            fields.append((field, end + kind))
    return np.dtype(fields), lists


def guard_off(data: bytes, path: Path) -> int:
    """A text OFF, lines enough for its vertices and faces."""
    lines = off_lines(data, path)
    vertices, faces = (int(word) for word in lines[0].split()[:2])
    check_lines(len(lines) - 1, vertices + faces, path)
    return _triangles(lines[1 + vertices : 1 + vertices + faces], path)


def off_lines(data: bytes, path: Path) -> list[bytes]:
    """Filled lines of an OFF without comments, beginning with the one that has the counts."""
    body = re.sub(rb"#[^\n]*", b"", data)
    head = re.match(rb"\s*(C?OFF)\b(?![ \t]*BINARY)", body)
    if head is None:
        raise FileError(
            "this kind of OFF is not read",
            path=path,
            wanted="OFF or COFF as text",
            found=body[:40].decode("latin-1").strip().partition("\n")[0],
        )
    lines = _filled_lines(body, head.end())
    if not lines or not re.match(rb"\s*\d{1,12}\s+\d{1,12}\b", lines[0]):
        raise FileError(
            "the line with the counts is missing",
            path=path,
            wanted="numbers of vertices, faces and edges after OFF",
            found=lines[0][:40].decode("latin-1") if lines else "nothing",
        )
    vertices, faces = (int(word) for word in lines[0].split()[:2])
    check_count(vertices, "vertices", path)
    check_count(faces, "faces", path)
    return lines


_OBJ_FAULTS = (  # nothing nests, so that no line can make these slow
    (rb"^v(?:[ \t]++\S++){0,2}+[ \t]*+\r?$", "a vertex needs three coordinates", "v x y z"),
    (rb"^f(?:[ \t]++\S++){0,2}+[ \t]*+\r?$", "a face needs three corners", "f a b c"),
    (rb"^f[ \t](?:[^\n]*[ \t])?0+(?=[/\s]|\Z)", "vertex 0 does not exist: an OBJ counts from 1", "1 or more"),
    (
        rb"^f[ \t](?:[^\n]*[ \t])?-",
        "corners counted back from the latest vertex are not read",
        "positive numbers",
    ),
)


def guard_obj(data: bytes, path: Path) -> int:
    """Lines of an OBJ that would be dropped or misread are errors."""
    for pattern, message, wanted in _OBJ_FAULTS:
        fault = re.search(pattern, data, re.M)
        if fault is not None:
            raise FileError(
                message,
                path=path,
                line=data.count(b"\n", 0, fault.start()) + 1,
                wanted=wanted,
                found=data[fault.start() : fault.start() + 60].partition(b"\n")[0].decode("latin-1").strip(),
            )
    triangles = sum(len(line.split()) - 2 for line in re.findall(rb"^f[ \t]([^\n]*)", data, re.M))
    check_count(triangles, "triangles", path)
    return triangles


def check_count(count: int, what: str, path: Path) -> None:
    """Refuse more than MAX_TRIANGLES (three times that for vertices)."""
    most = 3 * MAX_TRIANGLES if what == "vertices" else MAX_TRIANGLES
    if count > most:
        raise FileError(
            f"speaks of {count:,} {what}",
            path=path,
            wanted=f"{most:,} or fewer",
            found=f"{count:,}",
            hint="reduce the mesh in the scanning software, or export it again if this is not its size",
        )


def check_lines(found: int, wanted: int, path: Path) -> None:
    """Refuse a text body with fewer lines than its header promises."""
    if found < wanted:
        raise short(path, f"{wanted:,} lines after the header", f"{found:,}")


def short(path: Path, wanted: str, found: str | None = None) -> FileError:
    """The error for a file that ends early."""
    hint = "the file was cut off: copy or export it again"
    return FileError("ends before it is complete", path=path, wanted=wanted, found=found, hint=hint)


def _filled_lines(data: bytes, start: int) -> list[bytes]:
    return [line for line in data[start:].splitlines() if line.strip()]


def _triangles(lines: list[bytes], path: Path) -> int:
    """Triangles of face lines that begin with their number of corners."""
    corners = [int(line.split(None, 1)[0]) for line in lines]
    if corners and min(corners) < 3:
        first = next(number for number, count in enumerate(corners) if count < 3)
        raise FileError(
            f"face {first} has {corners[first]} corners",
            path=path,
            wanted="three or more",
            found=str(corners[first]),
        )
    return sum(corners) - 2 * len(corners)


def listed(names: Iterable[str]) -> str:
    """Names for a message, none of them long."""
    return ", ".join(name[:60] for name in names)
