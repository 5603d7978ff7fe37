"""Read a mesh from STL, PLY, OBJ, 3MF, GLB or OFF: what the file says, in its own units and axes.

Nothing is mended, scaled, turned or left out: a part that cannot be read is an error, never a smaller mesh.
Several objects in one file come as one mesh with several bodies. Corners at the same place become one vertex
where the format repeats them (STL, OBJ, GLB, and any file without shared vertices); otherwise the file's own
vertices stand. Whether the surface is closed, or a limb at all, is not asked here.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rectify.errors import FileError, MeshError, RectifyError
from rectify.geometry.containers import guard_glb, guard_threemf
from rectify.geometry.guards import MAX_BYTES, guard_obj, guard_off, guard_ply
from rectify.geometry.loading import load_parts
from rectify.geometry.merge import join, merge
from rectify.geometry.mesh import Mesh
from rectify.geometry.sniff import HEAD_BYTES, looks_like
from rectify.geometry.stl_corners import ascii_corners, binary_corners

__all__ = ["FORMATS", "TO_MM", "ReadMesh", "in_mm", "read_mesh"]

TO_MM: Mapping[str, float] = MappingProxyType(
    {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4, "micron": 0.001, "foot": 304.8}
)  # the inch is 25.4 mm exactly, the foot twelve of them (international yard and pound agreement, 1959)

FORMATS: Mapping[str, str] = MappingProxyType(
    {".stl": "STL", ".ply": "PLY", ".obj": "OBJ", ".3mf": "3MF", ".glb": "GLB", ".off": "OFF"}
)

_SUFFIX = {
    "binary STL": ".stl",
    "ASCII STL": ".stl",
    "PLY": ".ply",
    "OBJ": ".obj",
    "GLB": ".glb",
    "OFF": ".off",
}


@dataclass(frozen=True, eq=False)
class ReadMesh:
    """A mesh as the file has it.

    Parameters
    ----------
    mesh : Mesh
        In the file's own units and axes.
    units : str, optional
        A key of TO_MM where the format carries units: what a 3MF says, and 'm' for a GLB, because glTF fixes
        the metre (specification 2.0, "Coordinate System and Units"). A program may write a GLB in mm all the
        same, so what a person says about the file goes before this.
    format : str
        A value of FORMATS.
    notes : tuple of str
        What a person may want to know: joined vertices, faces without area, colours that could not be had.
    """

    mesh: Mesh
    units: str | None
    format: str
    notes: tuple[str, ...] = ()


def in_mm(mesh: Mesh, units: str) -> Mesh:
    """The mesh scaled from `units`, a key of TO_MM; KeyError for any other word."""
    factor = TO_MM[units]
    return mesh if factor == 1.0 else mesh.with_vertices(mesh.vertices * factor)


def read_mesh(path: str | os.PathLike[str]) -> ReadMesh:
    """Read a mesh file.

    Parameters
    ----------
    path : path
        The ending says the format and the content must agree. 1 GB and 20 million triangles at most.

    Returns
    -------
    ReadMesh
        At least one face; all coordinates finite; all faces name vertices that exist.

    Raises
    ------
    FileError
        The file is missing, damaged, too large, something else than its name says, or not safe to read.
    MeshError
        It can be read, but has no faces, coordinates that are not numbers, or faces out of range.
    """
    path = Path(path)
    form = FORMATS.get(path.suffix.lower())
    size, head = _head(path)
    if form is None:
        raise FileError(
            f"files ending in {path.suffix or 'nothing'} are not read",
            path=path,
            wanted=", ".join(FORMATS),
            found=f"looks like {looks_like(head, size)}",
        )
    seen = _agree(form, looks_like(head, size), path)
    try:
        return _read_stl(path, seen, size, head) if form == "STL" else _read_other(path, form)
    except RectifyError:
        raise
    except MemoryError:
        raise FileError("takes more memory than there is", path=path, hint="reduce the mesh") from None
    except OSError as error:
        raise FileError("cannot be read", path=path, found=error.strerror or str(error)) from None
    except Exception as error:  # whatever a library makes of a damaged file is the file's fault
        raise FileError(
            f"cannot be read as {form}",
            path=path,
            found=f"{type(error).__name__}: {str(error)[:160]}",
            hint="the file is damaged or of a kind that is not read: export it again",
        ) from error


def _head(path: Path) -> tuple[int, bytes]:
    """Size and first bytes; only of a plain file, since a pipe or a device could keep us waiting."""
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            kind = "a folder" if stat.S_ISDIR(found.st_mode) else "a device or a pipe"
            raise FileError("is not a file", path=path, wanted="a mesh file", found=kind)
        if found.st_size > MAX_BYTES:
            raise FileError(
                "is too large",
                path=path,
                wanted="1 GB or less",
                found=f"{found.st_size / 2**30:.1f} GB",
                hint="reduce the mesh in the scanning software",
            )
        with path.open("rb") as stream:
            return found.st_size, stream.read(HEAD_BYTES)
    except FileNotFoundError:
        raise FileError("there is no such file", path=path) from None
    except (OSError, ValueError) as error:  # ValueError: a name no file can have
        raise FileError("cannot be opened", path=path, found=getattr(error, "strerror", None) or str(error)) from None


def _agree(form: str, seen: str, path: Path) -> str:
    """What the content is, where it is of the kind the name says; a damaged binary STL looks like nothing."""
    fits = {
        "STL": {"binary STL", "ASCII STL", "binary data"},
        "3MF": {"ZIP"},
        "OBJ": {"OBJ", "text"},  # a long comment may stand in front
    }
    if seen in fits.get(form, {form}):
        return seen
    hint = "export the scan as a mesh: " + ", ".join(FORMATS)
    if seen in _SUFFIX:
        hint = f"if it is one, call it {path.stem}{_SUFFIX[seen]}"
    if seen == "nothing: it is empty":
        hint = "copy or export it again"
    raise FileError("is not what its name says", path=path, wanted=form, found=f"looks like {seen}", hint=hint)


def _read_stl(path: Path, seen: str, size: int, head: bytes) -> ReadMesh:
    corners = ascii_corners(path) if seen == "ASCII STL" else binary_corners(path, size, head)
    if not len(corners):
        raise MeshError("holds no triangles", path=path)
    _check_finite(corners.reshape(-1, 3), path, per_triangle=True)
    mesh = merge(corners)
    return ReadMesh(mesh, None, "STL", _notes(mesh))


def _read_other(path: Path, form: str) -> ReadMesh:
    data = path.read_bytes()
    guards = {"PLY": guard_ply, "OBJ": guard_obj, "OFF": guard_off, "GLB": guard_glb, "3MF": guard_threemf}
    wanted = guards[form](data, path)
    parts, units, notes = load_parts(data, form, path)
    count = sum(len(part.faces) for part in parts)
    if not count:
        raise MeshError("holds no faces", path=path, wanted="a surface of triangles")
    if wanted is not None and count != wanted:
        raise FileError(
            "some of its faces cannot be read", path=path, wanted=f"{wanted:,} triangles", found=f"{count:,}"
        )
    for part in parts:
        _check_faces(part, path)
        _check_finite(part.vertices, path, per_triangle=False)
    mesh = _together(parts)
    if form in {"OBJ", "GLB"} or any("texture" in note for note in notes) or len(mesh.vertices) == 3 * count:
        joined = join(mesh)
        if len(joined.vertices) < len(mesh.vertices):
            notes = (*notes, f"{len(mesh.vertices) - len(joined.vertices):,} repeated vertices were joined")
        mesh = joined
    return ReadMesh(mesh, units, form, (*notes, *_notes(mesh)))


def _together(parts: list[Mesh]) -> Mesh:
    """One mesh of all parts; white where some have colours and others none."""
    if len(parts) == 1:
        return parts[0]
    starts = np.cumsum([0] + [len(part.vertices) for part in parts[:-1]])
    colours = None
    if any(part.colours is not None for part in parts):
        colours = np.concatenate(
            [
                np.full((len(part.vertices), 3), 255, dtype=np.uint8) if part.colours is None else part.colours
                for part in parts
            ]
        )
    return Mesh(
        np.concatenate([part.vertices for part in parts]),
        np.concatenate([part.faces + start for part, start in zip(parts, starts, strict=True)]),
        colours,
    )


def _check_finite(points: NDArray[Any], path: Path, *, per_triangle: bool) -> None:
    good = np.isfinite(points)
    if good.all():
        return
    bad = np.flatnonzero(~good.all(axis=1))
    where = f"triangle {bad[0] // 3}" if per_triangle else f"vertex {bad[0]}"
    raise MeshError(
        f"{len(bad)} {'corners' if per_triangle else 'vertices'} have coordinates that are not numbers",
        path=path,
        wanted="finite coordinates",
        found=f"({', '.join(str(float(x)) for x in points[bad[0]])}) at {where}, counted from 0",
        hint="mend the surface in the scanning software and export it again",
    )


def _check_faces(mesh: Mesh, path: Path) -> None:
    wrong = np.flatnonzero(((mesh.faces < 0) | (mesh.faces >= len(mesh.vertices))).any(axis=1))
    if len(wrong):
        raise MeshError(
            f"{len(wrong)} faces name a vertex that does not exist, the first is face {wrong[0]}",
            path=path,
            wanted=f"0 to {len(mesh.vertices) - 1}, counted from 0",
            found=" ".join(str(int(corner)) for corner in mesh.faces[wrong[0]]),
        )


def _notes(mesh: Mesh) -> tuple[str, ...]:
    a, b, c = mesh.faces.T
    lost = int(((a == b) | (b == c) | (c == a)).sum())
    return (f"{lost:,} faces without area: two of their corners are the same",) if lost else ()
