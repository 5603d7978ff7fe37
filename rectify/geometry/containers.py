"""Look into a GLB or a 3MF before a library reads it: chunks, archives, references and copies.

As in `guards`: FileError where reading would take memory or time out of all proportion, follow a reference
out of the file, or drop a part; otherwise the number of triangles the file must give. Nothing is unpacked to
disk, and copies are counted without making them.
"""

from __future__ import annotations

import io
import json
import lzma
import re
import struct
import zipfile
import zlib
from pathlib import Path
from typing import Any

from rectify.errors import FileError
from rectify.geometry.guards import MAX_TRIANGLES, check_count, listed, short

__all__ = ["guard_glb", "guard_threemf"]

MAX_MEMBERS = 1000  # parts of a 3MF; a model, its relations, a thumbnail and textures are some ten
MAX_UNPACKED = 2**28  # bytes: text of some 3 million triangles; as an XML tree in memory it is about tenfold
MAX_RATIO = 200  # unpacked to packed bytes; vertex text packs 1:4 to 1:15, a run of one letter 1:1000 (measured)
MAX_COPIES = 10_000  # of objects in one 3MF, of nodes in one GLB


def guard_glb(data: bytes, path: Path) -> int | None:
    """Chunks as long as they say, nothing outside the file; None where strips make the count uncertain."""
    tree = _glb_tree(data, path)
    for kind in ("buffers", "images"):
        for item in _dicts(tree, kind):
            uri = item.get("uri")
            if uri is not None and not str(uri).startswith("data:"):
                raise FileError(
                    f"refers to another file for its {kind}",
                    path=path,
                    wanted="everything inside the one file",
                    found=str(uri)[:80],
                    hint="export it as one self-contained GLB",
                )
    needed = [str(name) for name in tree.get("extensionsRequired") or [] if not _harmless(str(name))]
    if needed:
        raise FileError(
            "needs extensions that are not read",
            path=path,
            found=listed(needed),
            hint="export it without compression or quantisation",
        )
    for number, accessor in enumerate(_dicts(tree, "accessors")):
        count = accessor.get("count")
        if not isinstance(count, int) or not 0 <= count <= 3 * MAX_TRIANGLES:
            raise FileError(f"accessor {number} has an impossible count", path=path, found=str(count)[:40])
        if "bufferView" not in accessor or "sparse" in accessor:
            raise FileError(f"accessor {number} has no plain data behind it", path=path, wanted="a bufferView")
    meshes = [_glb_mesh(tree, mesh, path) for mesh in _dicts(tree, "meshes")]
    built = []
    for node in _glb_nodes(tree, path):
        if "mesh" in node:
            built.append(meshes[_number(node["mesh"], len(meshes), "a node names mesh", path)])
    check_count(sum(triangles for triangles, _ in built), "triangles", path)
    return None if any(strips for _, strips in built) else sum(triangles for triangles, _ in built)


def _glb_tree(data: bytes, path: Path) -> dict[str, Any]:
    """The JSON chunk of a GLB (glTF 2.0 specification, "GLB File Format Specification")."""
    if len(data) < 20:
        raise short(path, "a GLB header and a JSON chunk")
    magic, version, length, chunk, kind = struct.unpack("<4sIII4s", data[:20])
    if magic != b"glTF" or version != 2 or kind != b"JSON":
        raise FileError("not a GLB of glTF 2.0", path=path, wanted="version 2, JSON first", found=f"version {version}")
    if length != len(data):
        if length > len(data):
            raise short(path, f"{length} bytes by the header")
        raise FileError(
            "is longer than its header says", path=path, wanted=f"{length} bytes", found=f"{len(data)} bytes"
        )
    if 20 + chunk > len(data):
        raise short(path, f"a JSON chunk of {chunk} bytes")
    try:
        tree = json.loads(data[20 : 20 + chunk])
    except (ValueError, RecursionError) as error:
        raise FileError("its JSON chunk cannot be read", path=path, found=str(error)[:80]) from None
    if not isinstance(tree, dict):
        raise FileError("its JSON chunk is not an object", path=path)
    return tree


def _glb_mesh(tree: dict[str, Any], mesh: dict[str, Any], path: Path) -> tuple[int, bool]:
    """Triangles of a mesh (of strips: at most), and whether it has strips."""
    accessors = _dicts(tree, "accessors")
    triangles, strips = 0, False
    for part in _dicts(mesh, "primitives"):
        mode, attributes = part.get("mode", 4), part.get("attributes")
        if mode not in (4, 5):
            raise FileError(
                "holds something other than triangles",
                path=path,
                wanted="triangles (mode 4) or strips (mode 5)",
                found=f"mode {str(mode)[:20]}",
            )
        attributes = attributes if isinstance(attributes, dict) else {}
        place = accessors[_number(attributes.get("POSITION"), len(accessors), "a mesh names accessor", path)]
        if place.get("componentType") != 5126 or place.get("type") != "VEC3":
            raise FileError("positions are not three floats each", path=path, wanted="VEC3 of float32")
        indices = part.get("indices")
        corners = (
            place if indices is None else accessors[_number(indices, len(accessors), "a mesh names accessor", path)]
        )
        triangles += corners["count"] // 3 if mode == 4 else corners["count"]
        strips |= mode == 5
    return triangles, strips


def _glb_nodes(tree: dict[str, Any], path: Path) -> list[dict[str, Any]]:
    """Nodes of the scene that is shown, each reached once: glTF wants strict trees."""
    nodes, scenes = _dicts(tree, "nodes"), _dicts(tree, "scenes")
    if len(nodes) > MAX_COPIES:
        raise FileError("has too many nodes", path=path, wanted=f"{MAX_COPIES} or fewer", found=str(len(nodes)))
    if scenes:
        scene = scenes[_number(tree.get("scene", 0), len(scenes), "it shows scene", path)]
        todo = list(scene.get("nodes") or [])
    else:
        children = {str(child) for node in nodes for child in node.get("children") or []}
        todo = [number for number in range(len(nodes)) if str(number) not in children]
    reached: dict[int, None] = {}
    while todo:
        number = _number(todo.pop(), len(nodes), "a scene or node names node", path)
        if number in reached:
            raise FileError(f"node {number} is shown twice or contains itself", path=path, wanted="a tree of nodes")
        reached[number] = None
        todo.extend(nodes[number].get("children") or [])
    return [nodes[number] for number in reached]


def _number(value: object, count: int, what: str, path: Path) -> int:
    if not isinstance(value, int) or not 0 <= value < count:
        raise FileError(f"{what} {str(value)[:40]}, which does not exist", path=path, wanted=f"0 to {count - 1}")
    return value


def guard_threemf(data: bytes, path: Path) -> int:
    """A plain ZIP of sensible size, with one model part whose copies stay within reason."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
    except (zipfile.BadZipFile, ValueError, OverflowError, struct.error) as error:
        raise FileError("the archive is damaged", path=path, found=str(error)[:80], hint="export it again") from None
    with archive:
        members = archive.infolist()
        _check_members(members, len(data), path)
        model = next((m for m in members if "3d/3dmodel.model" in m.filename.lower()), None)
        if model is None:
            raise FileError(
                "is a ZIP archive but not a 3MF",
                path=path,
                wanted="a part 3D/3dmodel.model",
                found=listed(m.filename for m in members[:5]) or "an empty archive",
            )
        return _model_triangles(archive, model, path)


def _check_members(members: list[zipfile.ZipInfo], packed: int, path: Path) -> None:
    if len(members) > MAX_MEMBERS:
        raise FileError(
            "the archive has too many parts",
            path=path,
            wanted=f"{MAX_MEMBERS} or fewer",
            found=str(len(members)),
        )
    unpacked = sum(member.file_size for member in members)
    if unpacked > MAX_UNPACKED or unpacked > max(MAX_RATIO * packed, 2**20):
        raise FileError(
            "unpacks to far more than a model takes",
            path=path,
            wanted=f"{MAX_UNPACKED >> 20} MB or less, and {MAX_RATIO} times its own size or less",
            found=f"{unpacked / 2**20:.0f} MB out of {packed / 2**20:.3f} MB",
            hint="do not unpack it; export the model again",
        )
    if len({member.filename.lower() for member in members}) < len(members):
        raise FileError("two parts of the archive have the same name", path=path)
    for member in members:
        name = member.filename
        if name.startswith(("/", "\\")) or ":" in name or ".." in re.split(r"[/\\]", name):
            raise FileError("a part's name leads out of the archive", path=path, found=name[:80])
        if member.flag_bits & 1:
            raise FileError("is encrypted", path=path, found=name[:80], hint="export it without a password")


def _model_triangles(archive: zipfile.ZipFile, member: zipfile.ZipInfo, path: Path) -> int:
    """Triangles that a model part builds, copies counted without making them."""
    from lxml.etree import LxmlError  # type: ignore[import-untyped]

    try:
        text = archive.read(member)
        if any("<!DOCTYPE".encode(code) in text for code in ("utf-8", "utf-16-le", "utf-16-be")):
            raise FileError(
                "its model part declares a document type", path=path, wanted="plain XML, as the format says"
            )
        faces, parts, build = _model_objects(text, path)
    except (LxmlError, zipfile.BadZipFile, zlib.error, lzma.LZMAError, OSError, EOFError, KeyError) as error:
        raise FileError(
            f"its part {member.filename[:60]} cannot be read",
            path=path,
            found=str(error)[:100],
            hint="export it again",
        ) from None
    except NotImplementedError as error:  # a way of packing this Python does not know
        raise FileError("is packed in a way that is not read", path=path, found=str(error)[:80]) from None
    return _built_triangles(faces, parts, build, path)


def _model_objects(text: bytes, path: Path) -> tuple[dict[str, int], dict[str, list[str]], list[str]]:
    """Own triangles of each object, the objects each one is made of, and what is built."""
    from lxml import etree  # type: ignore[import-untyped]

    faces: dict[str, int] = {}
    parts: dict[str, list[str]] = {}
    build: list[str] = []
    here = ""
    tags = [f"{{*}}{kind}" for kind in ("object", "component", "item", "mesh")]
    safe: dict[str, Any] = {"resolve_entities": False, "no_network": True, "huge_tree": False}
    for event, element in etree.iterparse(io.BytesIO(text), events=("start", "end"), tag=tags, **safe):
        kind = etree.QName(element).localname
        name = element.get("id" if kind == "object" else "objectid", "")
        if event == "end":
            if kind == "mesh":
                faces[here] += sum(1 for _ in element.iterfind("{*}triangles/{*}triangle"))
                element.clear()  # counted: let its tree go
        elif kind == "object":
            if name in faces:
                raise FileError(f"has two objects {name[:40]}", path=path)
            here, faces[name], parts[name] = name, 0, []
        elif kind != "mesh":
            if any(etree.QName(key).localname == "path" for key in element.attrib):
                raise FileError(
                    "is spread over several model parts",
                    path=path,
                    wanted="one model part with all objects",
                    hint="export it as a plain 3MF or as STL",
                )
            (build if kind == "item" else parts[here]).append(name)
    return faces, parts, build


def _built_triangles(faces: dict[str, int], parts: dict[str, list[str]], build: list[str], path: Path) -> int:
    if not build:
        raise FileError("builds nothing", path=path, wanted="an item in its build list", found="none")
    total: dict[str, tuple[int, int]] = {}  # object -> copies and triangles once expanded

    def expanded(name: str, depth: int) -> tuple[int, int]:
        if name not in faces:
            raise FileError(f"builds object {name[:40]}, which it does not hold", path=path, found=listed(faces))
        if depth > 100:  # deeper than any assembly: a ring
            raise FileError("an object contains itself", path=path, found=f"object {name[:40]}")
        if name not in total:
            inner = [expanded(part, depth + 1) for part in parts[name]]
            total[name] = (1 + sum(n for n, _ in inner), faces[name] + sum(t for _, t in inner))
        return total[name]

    built = [expanded(name, 0) for name in build]
    copies, triangles = sum(n for n, _ in built), sum(t for _, t in built)
    if copies > MAX_COPIES:
        raise FileError(
            "builds too many copies",
            path=path,
            wanted=f"{MAX_COPIES:,} or fewer",
            found=f"10^{len(str(copies)) - 1}",
        )
    check_count(triangles, "triangles", path)
    return triangles


def _harmless(extension: str) -> bool:
    """Extensions that change how a surface looks and not where it is."""
    return extension.startswith("KHR_materials_") or extension == "KHR_texture_transform"


def _dicts(tree: dict[str, Any], key: str) -> list[dict[str, Any]]:
    items = tree.get(key)
    return [item if isinstance(item, dict) else {} for item in items] if isinstance(items, list) else []
