"""Pieces of JSON Schema, as the report's schema is put together from them. `says` becomes the description."""

from __future__ import annotations

from typing import Any

from rectify.report.rounding import decimals_of

__all__ = [
    "Schema",
    "choice",
    "count",
    "listing",
    "maybe_words",
    "maybes",
    "named",
    "number",
    "numbers",
    "or_null",
    "record",
    "triple",
    "truth",
    "words",
]

Schema = dict[str, Any]

_UNITS = (  # by the key's ending
    ("_mm2", "mm²"),
    ("_mm", "mm"),
    ("_ml", "ml"),
    ("_deg", "degrees"),
    ("_percent", "percent"),
    ("xyz", "mm"),
    ("points", "mm, limb frame"),
)


def record(properties: Schema, says: str = "") -> Schema:
    """An object with exactly these keys."""
    keys = list(properties)
    return _told({"type": "object", "properties": properties, "required": keys, "additionalProperties": False}, says)


def named(value: Schema, says: str = "") -> Schema:
    """An object with any keys, each with such a value."""
    return _told({"type": "object", "additionalProperties": value}, says)


def listing(items: Schema, says: str = "") -> Schema:
    """A list of such items."""
    return _told({"type": "array", "items": items}, says)


def or_null(schema: Schema, says: str = "") -> Schema:
    """This, or null."""
    return _told({"anyOf": [schema, {"type": "null"}]}, says)


def words(says: str = "") -> Schema:
    """Text; may be empty."""
    return _told({"type": "string"}, says)


def maybe_words(says: str = "") -> Schema:
    """Text or null."""
    return _told({"type": ["string", "null"]}, says)


def choice(*options: str, says: str = "") -> Schema:
    """One of these words."""
    return _told({"enum": list(options)}, says)


def truth(says: str = "", *, null: bool = False) -> Schema:
    """True or false, or null where `null`."""
    return _told({"type": ["boolean", "null"] if null else "boolean"}, says)


def count(says: str = "") -> Schema:
    """A whole number from 0."""
    return _told({"type": "integer", "minimum": 0}, says)


def number(key: str, says: str = "", *, null: bool = False) -> Schema:
    """A number under a key: unit and decimals follow from the key's ending."""
    unit = next((unit for ending, unit in _UNITS if key.endswith(ending)), "")
    told = "; ".join(part for part in (unit, f"{decimals_of(key)} decimals", says) if part)
    return _told({"type": ["number", "null"] if null else "number"}, told)


def numbers(*keys: str, says: str = "", least: float | None = None) -> Schema:
    """Keys with numbers, of `least` or more."""
    bound = {} if least is None else {"minimum": least}
    return {key: {**number(key, says), **bound} for key in keys}


def maybes(*keys: str, says: str = "") -> Schema:
    """Keys with numbers or null."""
    return {key: number(key, says, null=True) for key in keys}


def triple(key: str) -> Schema:
    """Three numbers: a place."""
    return {"type": "array", "items": number(key), "minItems": 3, "maxItems": 3}


def _told(schema: Schema, says: str) -> Schema:
    return {**schema, "description": says} if says else schema
