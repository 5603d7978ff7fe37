"""Let trimesh read a PLY, OBJ, 3MF, GLB or OFF, and take what we need: parts in place, colours, units.

The bytes have passed their guard. Whatever the library logs or warns of becomes an error, except where only
colours are lost: then it is a note. The only other files it may see are pictures and materials in the
mesh's own folder.
"""

from __future__ import annotations

import logging
import re
import warnings
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rectify.errors import FileError, MeshError
from rectify.geometry.guards import off_lines
from rectify.geometry.mesh import Mesh

__all__ = ["load_parts"]

# values of a 3MF model's `unit` (core specification, model element); the plural is trimesh's own default
_UNITS_3MF = {
    "micron": "micron",
    "millimeter": "mm",
    "millimeters": "mm",
    "centimeter": "cm",
    "meter": "m",
    "inch": "inch",
    "foot": "foot",
}
_MAX_TEXTURE = 200 * 2**20  # bytes; a picture of a scan is some 5 to 50 MB


def load_parts(data: bytes, form: str, path: Path) -> tuple[list[Mesh], str | None, tuple[str, ...]]:
    """The bodies of a file, each where the file puts it; its units; notes for a person.

    Parameters
    ----------
    data : bytes
        The whole file.
    form : str
        'PLY', 'OBJ', '3MF', 'GLB' or 'OFF'.
    path : Path
        For messages, and for pictures beside the file.

    Returns
    -------
    parts : list of Mesh
        In the file's own units and axes; faces may still be out of range and coordinates not finite.
    units : str or None
        'm' for a GLB; what a 3MF says; None for the others.
    notes : tuple of str
    """
    import trimesh

    beside, heard = _Beside(path.parent), _Heard()
    options: dict[str, Any] = {"resolver": beside, "process": False}
    if form == "OBJ":
        options["maintain_order"] = True
    logger = logging.getLogger("trimesh")
    propagate, logger.propagate = logger.propagate, False
    logger.addHandler(heard)
    try:
        with warnings.catch_warnings(record=True) as warned:
            warnings.simplefilter("always")
            found = trimesh.load_scene(BytesIO(data), file_type=form.lower(), **options).dump()
            parts = [_part(item) for item in found if isinstance(item, trimesh.Trimesh)]
    except IndexError as error:
        raise MeshError("a face names a vertex that does not exist", path=path, found=str(error)[:100]) from None
    finally:
        logger.removeHandler(heard)
        logger.propagate = propagate
    told = [*heard.messages, *(str(warning.message) for warning in warned if _matters(warning))]
    faults = [message for message in told if "image" not in message]
    if faults:
        raise FileError(f"cannot be read as {form} without loss", path=path, found=faults[0][:160])
    notes = list(dict.fromkeys([*beside.notes, *(note for _, note in parts if note)]))
    if len(parts) < len(found):
        notes.append(f"{len(found) - len(parts)} sets of points or lines beside the surface were left out")
    meshes = [mesh for mesh, _ in parts]
    if form == "OFF":
        meshes = [_with_off_colours(mesh, data, path) for mesh in meshes]
    return meshes, _units(form, found, path), tuple(notes)


def _matters(warning: warnings.WarningMessage) -> bool:
    """Whether a warning speaks of the data: numbers cut short, or arithmetic that failed."""
    return issubclass(warning.category, RuntimeWarning) or "unmatched data" in str(warning.message)


def _units(form: str, found: list[Any], path: Path) -> str | None:
    if form == "GLB":
        return "m"
    if form != "3MF":
        return None
    said = sorted({str(item.metadata.get("units")).strip().lower() for item in found})
    if len(said) != 1 or said[0] not in _UNITS_3MF:
        raise FileError(
            "its unit is not one a 3MF can have",
            path=path,
            wanted=", ".join(_UNITS_3MF),
            found=", ".join(said)[:60],
        )
    return _UNITS_3MF[said[0]]


def _part(item: Any) -> tuple[Mesh, str]:
    """One body as a Mesh, and a note on its colours."""
    vertices = np.array(item.vertices, dtype=np.float64).reshape(-1, 3)
    faces = np.array(item.faces, dtype=np.int64).reshape(-1, 3)
    colours, note = _colours(item, len(vertices))
    return Mesh(vertices, faces, colours), note


def _colours(item: Any, count: int) -> tuple[NDArray[np.uint8] | None, str]:
    """Colour per vertex (n, 3) from vertices, faces or a texture, whichever the file has."""
    from trimesh.visual.color import to_rgba

    visual, raw, note = item.visual, None, ""
    if visual.kind == "vertex":
        raw = visual.vertex_colors
    elif visual.kind == "face":
        raw, note = visual.vertex_colors, "colours were given per face and averaged at the vertices"
    elif visual.kind == "texture":
        if "color" in visual.vertex_attributes:
            raw = to_rgba(visual.vertex_attributes["color"])
        elif visual.uv is not None and _picture(visual.material) is not None:
            raw, note = visual.to_color().vertex_colors, "colours were taken from the texture at the vertices"
    if raw is None:
        rows = item.metadata.get("_ply_raw", {}).get("vertex", {})
        names = [f"diffuse_{colour}" for colour in ("red", "green", "blue")]
        if set(names) <= set(rows.get("properties", ())):
            raw = to_rgba(np.column_stack([rows["data"][name] for name in names]).astype(np.uint8))
    if raw is None or len(raw) != count:
        return None, ""
    return np.array(raw, dtype=np.uint8)[:, :3], note


def _picture(material: Any) -> Any:
    """The texture, if it is one: where none was found trimesh makes up four pixels of grey."""
    for name in ("image", "baseColorTexture"):
        image = getattr(material, name, None)
        if image is not None and (image.width * image.height > 4 or len(image.getcolors()) > 1):
            return image
    return None


def _with_off_colours(mesh: Mesh, data: bytes, path: Path) -> Mesh:
    """Colours of a COFF (r g b after x y z, to 255 or as fractions to 1), which trimesh leaves out."""
    if not re.match(rb"\s*COFF\b", re.sub(rb"#[^\n]*", b"", data)):
        return mesh
    rows = [line.split()[3:6] for line in off_lines(data, path)[1 : 1 + len(mesh.vertices)]]
    if any(len(row) < 3 for row in rows):
        return mesh
    values = np.array(rows, dtype=np.float64)
    if values.max() <= 1 and any(b"." in word for row in rows for word in row):
        values = values * 255
    return Mesh(mesh.vertices, mesh.faces, np.clip(np.round(values), 0, 255).astype(np.uint8))


class _Heard(logging.Handler):
    """Keeps what a library logs as a warning or worse."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.messages: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.messages.append(record.getMessage())


class _Beside:
    """Gives trimesh the files that lie in the mesh's own folder, and nothing else."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self.notes: list[str] = []

    def get(self, name: str) -> bytes:
        plain = str(name).strip().replace("\\", "/")
        try:
            path = (self.folder / plain).resolve()  # follows links, so that none leads out
            if not path.is_relative_to(self.folder):
                raise FileNotFoundError("it lies outside the folder of the mesh")
            if not path.is_file():
                raise FileNotFoundError("it is not there")
            if path.stat().st_size > _MAX_TEXTURE:
                raise FileNotFoundError("it is larger than 200 MB")
            return path.read_bytes()
        except (OSError, ValueError) as error:
            self.notes.append(f"the file {plain[:80]} was not read for colours: {error}")
            raise FileNotFoundError(plain) from None

    __getitem__ = get
