"""A scene as one block of bytes, and as text for a page. The layout is described in `rectify.viewer`.

Positions are rounded to a 65535th of the limb's extent (0.005 mm on a limb of 300 mm), moves to 0.001 mm or finer.
The same scene gives the same bytes.
"""

from __future__ import annotations

import base64
import json
import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rectify.viewer.colours import STOPS
from rectify.viewer.scene import LEVEL_COLUMNS, Line, Scene, places_in_faces

__all__ = ["FORMAT", "MAGIC", "pack", "packed_text"]

MAGIC = b"RVW1"
FORMAT = 1
_FINE_MM = 6.0  # a colour scale that goes past this has a contour every 2 mm
_KINDS = {"uint8": "u8", "uint16": "u16", "int16": "i16", "uint32": "u32", "float32": "f32"}
_Array = NDArray[Any]


def pack(scene: Scene) -> bytes:
    """A scene as the viewer reads it."""
    lines = [*scene.outlines, *([scene.trimline] if scene.trimline else [])]
    single = [*(region.point for region in scene.regions), *(mark.point for mark in scene.marks)]
    points = np.concatenate([np.zeros((0, 3)), *(np.atleast_2d(p) for p in single), *(line.points for line in lines)])
    corners, weights = places_in_faces(points, scene.captured, scene.view.faces)
    index = np.uint16 if len(scene.captured) <= 1 << 16 else np.uint32
    arrays: dict[str, tuple[_Array, dict[str, Any]]] = {
        "captured": _rounded(scene.captured, np.uint16),
        "shift": _rounded(scene.rectified - scene.captured, np.int16),
        "move": _rounded(scene.move[:, None], np.int16),
        "faces": (scene.view.faces.astype(index), {}),
        "region_of": (scene.region_of.astype(np.uint8), {}),
        "spot_corners": (corners.astype(index), {}),
        "spot_weights": (weights.astype(np.float32), {}),
        "levels": (scene.levels.astype(np.float32), {}),
    }
    if scene.filled.any():
        arrays["filled"] = (scene.filled.astype(np.uint8), {})
    places, data = _laid_out(arrays)
    head = {**_head(scene, first_line=len(single)), "arrays": places}
    text = json.dumps(head, ensure_ascii=True, allow_nan=False, separators=(",", ":")).encode()
    text += b" " * (-len(text) % 4)
    return MAGIC + struct.pack("<I", len(text)) + text + data


def packed_text(payload: bytes) -> str:
    """A payload deflated (zlib) and in base64, to stand in a page."""
    return base64.b64encode(zlib.compress(payload, 9)).decode("ascii")


def _head(scene: Scene, first_line: int) -> dict[str, Any]:
    spots = range(first_line)
    named = zip(scene.regions, spots, strict=False)
    marked = zip(scene.marks, spots[len(scene.regions) :], strict=True)
    runs = _runs([*scene.outlines, *([scene.trimline] if scene.trimline else [])], first_line)
    return {
        "format": FORMAT,
        "about": scene.about,
        "words": asdict(scene.words),
        "lateral": scene.lateral,
        "frame": np.round(scene.frame, 9).tolist(),
        "view": {"faces": len(scene.view.faces), "of": scene.view.whole_faces, "simplified": scene.view.simplified},
        "scale": {
            "top_mm": scene.top_mm,
            "contour_mm": 1.0 if scene.top_mm <= _FINE_MM else 2.0,
            "stops": [list(rgb) for rgb in STOPS],
            "ends": [scene.words.less, scene.words.more],
        },
        "regions": [{"name": r.name, "action": r.action, "label": r.label, "spot": i} for r, i in named],
        "landmarks": [
            {"name": m.name, "source": m.source, "uncertainty_mm": round(m.uncertainty_mm, 3), "spot": i}
            for m, i in marked
        ],
        "outlines": [{"region": line.region, **run} for line, run in zip(scene.outlines, runs, strict=False)],
        "trimline": runs[-1] if scene.trimline else None,
        "level_columns": list(LEVEL_COLUMNS),
    }


def _runs(lines: Sequence[Line], first: int) -> list[dict[str, int]]:
    """Where each line's spots begin, and how many they are."""
    counts = [len(line.points) for line in lines]
    starts = np.cumsum([first, *counts])
    return [{"first": int(start), "count": count} for start, count in zip(starts, counts, strict=False)]


def _rounded(values: _Array, kind: type[np.uint16] | type[np.int16]) -> tuple[_Array, dict[str, Any]]:
    """Columns as whole numbers of 16 bits, and how to get them back: raw * scale + offset. Zero stays zero where the
    numbers are signed."""
    limits = np.iinfo(kind)
    if limits.min < 0:
        offset = np.zeros(values.shape[1])
        scale = np.abs(values).max(axis=0, initial=0.0) / limits.max
    else:
        offset = values.min(axis=0, initial=np.inf) if len(values) else np.zeros(values.shape[1])
        scale = (values.max(axis=0, initial=-np.inf) - offset) / limits.max if len(values) else offset
    scale = np.where(scale > 0, scale, 1.0)
    raw = np.round((values - offset) / scale).astype(kind)
    return raw, {"scale": scale.tolist(), "offset": offset.tolist()}


def _laid_out(arrays: Mapping[str, tuple[_Array, dict[str, Any]]]) -> tuple[dict[str, Any], bytes]:
    """The arrays one after the other, each on a multiple of four bytes, and where each lies."""
    places, parts, at = {}, [], 0
    for name, (array, said) in arrays.items():
        raw = np.ascontiguousarray(array).astype(array.dtype.newbyteorder("<")).tobytes()
        places[name] = {"kind": _KINDS[array.dtype.name], "at": at, "count": int(array.size), **said}
        raw += b"\0" * (-len(raw) % 4)
        parts.append(raw)
        at += len(raw)
    return places, b"".join(parts)
