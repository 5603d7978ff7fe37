"""A payload read by its description alone (rectify/viewer/__init__.py), without the code that wrote it."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

KINDS = {"u8": "<u1", "u16": "<u2", "i16": "<i2", "u32": "<u4", "f32": "<f4"}


def read(payload: bytes) -> tuple[dict[str, Any], dict[str, np.ndarray]]:
    """The head, and the arrays by name, flat, scaled where a scale is given."""
    assert payload[:4] == b"RVW1"
    length = int.from_bytes(payload[4:8], "little")
    head = json.loads(payload[8 : 8 + length].decode("ascii"))
    out = {}
    for name, place in head["arrays"].items():
        values = np.frombuffer(payload, KINDS[place["kind"]], place["count"], 8 + length + place["at"])
        if "scale" in place:
            width = len(place["scale"])
            values = (values.reshape(-1, width) * place["scale"] + place["offset"]).ravel()
        out[name] = values
    return head, out
