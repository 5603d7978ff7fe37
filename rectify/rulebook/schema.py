"""JSON Schema of a rulebook file, for editors and for whoever writes rulebooks by program.

It comes from the models, so it cannot drift from what is read. A file that says `extends` may leave out what
the extended one says; a file that does not must be whole. What the schema cannot say (an amount outside its own
allow, two moves in one direction) `rectify rules check` does.
"""

from __future__ import annotations

from copy import deepcopy
from typing import Any

from rectify.rulebook.fields import LANDMARK_SCHEMA, REGION_NAME
from rectify.rulebook.model import RulebookModel

__all__ = ["rulebook_schema"]

DRAFT = "https://json-schema.org/draft/2020-12/schema"
_MERGED = ("Region", "OverallSays", "EndSays", "Brim", "Needs", "LimitsSay")  # merge key by key
_REMOVE = {
    "type": "object",
    "properties": {"remove": {"const": True, "description": "drops what the extended rulebook says"}},
    "required": ["remove"],
    "additionalProperties": False,
}


def rulebook_schema() -> dict[str, Any]:
    """The schema, draft 2020-12; a fresh copy each time."""
    schema = RulebookModel.model_json_schema(by_alias=True)
    definitions: dict[str, Any] = schema.pop("$defs")
    for part in (schema, *definitions.values()):
        _without_null(part)
        _tidied(part)
    definitions["Landmark"] = deepcopy(LANDMARK_SCHEMA)
    regions = schema["properties"]["regions"]
    regions["additionalProperties"] = False  # beside patternProperties: a name that is no name is an error
    whole = {key: schema[key] for key in ("properties", "required", "additionalProperties")}
    parts = {f"Part{name}": _partial(definitions[name]) for name in _MERGED}
    return {
        "$schema": DRAFT,
        "title": "rectify rulebook",
        "description": "How a positive model is rectified. Amounts are starting values for a licensed practitioner.",
        "type": "object",
        "if": {"required": ["extends"]},
        "then": _extending(whole),
        "else": whole,
        "$defs": definitions | parts,
    }


def _without_null(node: Any) -> None:
    """An empty value is refused when read, so `null` is no alternative, and no default."""
    if isinstance(node, dict):
        if node.get("default", 0) is None:
            del node["default"]
        options = node.get("anyOf")
        if isinstance(options, list) and {"type": "null"} in options:
            options.remove({"type": "null"})
            if len(options) == 1:
                del node["anyOf"]
                node.update({key: value for key, value in options[0].items() if key not in node})
        for inner in node.values():
            _without_null(inner)
    elif isinstance(node, list):
        for inner in node:
            _without_null(inner)


def _tidied(node: Any) -> None:
    """Landmarks by reference, and without the titles the models make of their own names."""
    if isinstance(node, dict):
        if node.get("anyOf") == LANDMARK_SCHEMA["anyOf"]:
            del node["anyOf"]
            node["$ref"] = "#/$defs/Landmark"
        if isinstance(node.get("title"), str):
            del node["title"]
        for inner in node.values():
            _tidied(inner)
    elif isinstance(node, list):
        for inner in node:
            _tidied(inner)


def _partial(definition: dict[str, Any]) -> dict[str, Any]:
    """The same keys, none of them required."""
    part = deepcopy(definition)
    part.pop("required", None)
    return part


def _extending(whole: dict[str, Any]) -> dict[str, Any]:
    """The file as it may be where it is laid over another."""
    part = deepcopy(whole)
    part["required"] = ["extends"]
    properties = part["properties"]
    for key, name in (("overall", "OverallSays"), ("end", "EndSays"), ("brim", "Brim"), ("needs", "Needs")):
        properties[key] = {"anyOf": [{"$ref": f"#/$defs/Part{name}"}, _REMOVE]}
    properties["limits"] = {"anyOf": [{"$ref": "#/$defs/PartLimitsSay"}, _REMOVE]}
    properties["regions"]["patternProperties"] = {REGION_NAME: {"anyOf": [{"$ref": "#/$defs/PartRegion"}, _REMOVE]}}
    return part
