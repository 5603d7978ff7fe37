"""The published JSON Schema of change-report.json, so that other people's programs can check what they read.

Strict: every key is required, no other key is allowed. What may be absent is null. Units stand in the
descriptions, decimals come from the table that rounds the numbers.
"""

from __future__ import annotations

from typing import Any

from rectify.limb.vocabulary import AMPUTATIONS
from rectify.report.rounding import decimals_of

__all__ = ["report_schema"]

Schema = dict[str, Any]

_SOURCE = ("marked", "mark", "computed", "estimated")
_SHA256 = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
_UNITS = (
    ("_mm2", "mm²"), ("_mm", "mm"), ("_ml", "ml"), ("_deg", "degrees"), ("_percent", "percent"), ("xyz", "mm, limb frame"),
    ("points", "mm, limb frame"),
)


def report_schema() -> Schema:
    """JSON Schema, draft 2020-12, of a change report."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:rectify:change-report:1",
        "title": "Change report of a rectified residual limb",
        "description": "Lengths in mm, areas in mm², volumes in ml, angles in degrees. Limb frame: origin on the limb's axis at "
        "level 0, +z proximal, +y anterior, +x to the person's right; level_mm = -z. angle_deg: 0 anterior, 90 lateral, "
        "180 posterior, 270 medial, on either side. null: not there, or not to be had.",
        **_object(_top()),
    }


def _top() -> Schema:
    return {
        "format": {"const": 1},
        "program": _object({"name": _text(), "version": _text()}),
        "case": _text("the case's code"),
        "side": _one_of("left", "right"),
        "amputation": _one_of(*AMPUTATIONS),
        "status": _one_of("draft", "released", says="a draft must not go to a machine"),
        "release": _or_null(_object({"by": _text("initials or a role"), "on": _text("ISO date")}), "null: a draft"),
        "digest": {**_SHA256, "description": "of plan and inputs; a release is bound to it"},
        "rulebook": _object({
            "name": _text(),
            "key": _text("what --rulebook takes"),
            "revision": _count(),
            "status": _one_of("usable", "draft", says="a draft's results are drafts"),
            "sha256": {**_SHA256, "description": "of the rulebook as merged, before tuning"},
            "conditions": _list(_text(), "what the case's facts changed in it, in words"),
        }),
        "tune": _list({"type": "object"}, "the tunings as they were written, oldest first"),
        "inputs": _list(_object({"role": _text("case | scan | landmarks | rulebook"), "file": _text(), "sha256": _SHA256})),
        "scan": _object(_scan()),
        "limb": _object(_limb()),
        "landmarks": _map(_object(_landmark()), "by name, proximal first"),
        "volume": _object({
            **_numbers("before_ml", "after_ml", "change_ml", "change_percent", says="below the plane"),
            **_numbers("plane_level_mm", says="the plane, distal of the open edge"),
            **_numbers("model_before_ml", "model_after_ml", says="of the whole closed body"),
        }),
        "extremes": _object({
            "build_up": _or_null(_object(_extreme()), "null: nothing was built up"),
            "reduction": _or_null(_object(_extreme()), "null: nothing was reduced"),
        }, "farthest from the captured surface"),
        "overall": _or_null(_object(_overall()), "null: no overall reduction"),
        "end": _or_null(_object(_end()), "null: the end was left alone"),
        "levels": _list(_object({
            **_numbers("level_mm"),
            **_maybes("circumference_before_mm", "circumference_after_mm", "change_percent", "ap_before_mm",
                      "ap_after_mm", "ml_before_mm", "ml_after_mm", says="null: the section is open there"),
        }), "circumference is what a tape reads: the perimeter of the section's convex hull; change_percent is its change"),
        "regions": _map(_object(_region()), "by name, in the rulebook's order"),
        "lengths": _list(_object({
            "from": _text(), "to": _text(), **_numbers("before_mm"),
            **_maybes("after_mm", says="null: bone, which no rectification moves"),
            "source": _one_of(*_SOURCE), **_numbers("uncertainty_mm"),
        }), "along the limb's axis"),
        "dimensions": _list(_object({
            "measure": _measure(), "at": _text(), **_numbers("level_mm"),
            **_maybes("target_mm", says="null: the case gives no such value"),
            **_numbers("within_mm"), **_maybes("before_mm", "after_mm"), "met": {"type": ["boolean", "null"]},
        })),
        "tape": _list(_object(_tape()), "hand measurements beside the capture"),
        "shape": _object({"class": _one_of("conical", "cylindrical", "bulbous"), **_maybes("ratio", says="distal over "
                          "proximal circumference")}),
        "capture": _list(_object({
            "code": _text("kebab-case, stable"), "message": _text(), "look": {"type": "boolean"}, "count": _count(),
            **_numbers("area_mm2", least=0.0), "xyz": _or_null(_triple("xyz"), "in the scan's own axes"),
        }), "what was done to the capture on the way in"),
        "limits": _list(_object({
            "limit": _text(), "unit": _one_of("percent", "mm", "deg"),
            **_maybes("least", "most", says="what the rulebook allows"),
            **_maybes("found_least", "found_most", says="what the result comes to"), "held": {"type": "boolean"},
        })),
        "checks": _object(_checks(), "on the finished, closed surface"),
        "warnings": _list(_object({
            "code": _text("kebab-case, stable"),
            "severity": _one_of("note", "look", "stop", says="look: a person must look before it goes to a machine; "
                                "stop: a limit of the rulebook is breached, no shape is written"),
            "message": _text(), "where": _text("a key of the case or the rulebook; may be empty"),
        }), "the gravest first"),
        "cautions": _list(_text()),
    }


def _scan() -> Schema:
    return {
        "file": _text(), "surface": _text(), "shaping": _maybe_text("null: not said"), "rectified": {"type": "boolean"},
        "layers": _layers("between the skin and the captured surface, from inside out"), "vertices": _count(), "faces": _count(),
        **_numbers("edge_mm", says="median length of a mesh edge"),
    }


def _limb() -> Schema:
    said = ("tissue", "sensation", "circulation", "skin", "volume", "suspension")
    return {**{key: _maybe_text("null: not said") for key in said}, "wear": _layers("what will be worn, from inside out")}


def _layers(says: str) -> Schema:
    layer = _object({"kind": _text(), **_numbers("thickness_mm", least=0.0), "measured": {"type": "boolean"}})
    return _list(layer, says)


def _landmark() -> Schema:
    return {
        "xyz": _or_null(_triple("xyz"), "null: absent. Of a line, the first point"),
        "points": _or_null(_list(_triple("points")), "of a line; null otherwise"),
        **_maybes("level_mm", "angle_deg", says="null: absent"),
        "source": _one_of(*_SOURCE, says="marked by a person; read from a pencil mark; computed by definition; "
                          "estimated from proportions"),
        **_numbers("uncertainty_mm", least=0.0),
        **_maybes("off_surface_mm", says="as given, from the skin"),
        "absent": {"type": "boolean"}, "beyond_capture": {"type": "boolean"}, "note": _text(),
    }


def _extreme() -> Schema:
    return {
        **_numbers("amount_mm", least=0.0), **_numbers("level_mm", "angle_deg"),
        "region": _maybe_text("the region that weighs most there; null: none does"),
        **_numbers("overall_and_end_mm", least=0.0, says="what the overall reduction and the end moved there"),
    }


def _overall() -> Schema:
    return {
        "basis": _one_of("circumference", "volume"), "holds": _one_of("before-regions", "finished"), **_numbers("fade_mm"),
        "spare": _list(_text(), "what it leaves alone"), **_numbers("spare_fade_mm"),
        "rows": _list(_object({
            "at": _text(), **_numbers("level_mm"), **_numbers("asked_percent", says="by the basis"),
            **_maybes("achieved_percent", says="by the basis; null: the section is open, or the end was stretched there"),
            **_numbers("circumference_percent", "volume_percent", says="the same reduction counted both ways, length kept"),
        })),
    }


def _end() -> Schema:
    return {
        "kind": _one_of("lengthen", "pad"), **_numbers("rulebook_mm", "change_mm", "asked_mm", "achieved_mm", "from_level_mm"),
        "tuned_by": _tuned_by(),
    }


def _tuned_by() -> Schema:
    return _list(_object({
        "by": _text("initials or a role"), "on": _maybe_text("ISO date"), "after": _maybe_text("the fitting it follows from"),
        "why": _text(), "change": _text(), "beyond_allow": _maybe_text("who answers for going past `allow`, and why"),
    }))


def _region() -> Schema:
    return {
        "action": _one_of("reduce", "build-up"),
        "from": _one_of("reduced", "capture", says="the surface that the amount is measured from"),
        "profile": _one_of("flat", "dome", "groove"),
        "amount": _text("as the rulebook says it"),
        **_numbers("rulebook_mm", "change_mm"), **_numbers("asked_mm", least=0.0),
        "allow_mm": _or_null({"type": "array", "prefixItems": [_number("_mm"), _number("_mm")], "items": False, "minItems": 2},
                             "what scaling and tuning may reach"),
        **_maybes("achieved_mm", says="median at the core; null: other regions reach over all of it"),
        **_maybes("achieved_from_capture_mm", "achieved_from_reduced_mm"),
        **_maybes("core_off_mm", says="largest difference from asked_mm at the core"),
        "core_xyz": _triple("core_xyz"),
        "core_vertices": _count(),
        **_numbers("peak_mm", "mean_mm", says="of the region's own move, positive in the action's direction"),
        **_numbers("area_mm2", least=0.0), **_numbers("volume_ml", says="added (+) or taken (-)"),
        **_numbers("feather_mm", says="as held"), **_numbers("feather_asked_mm"),
        "anchor": _object({
            **_numbers("level_mm", "angle_deg"), "landmark": _maybe_text(), "source": _one_of(*_SOURCE),
            **_numbers("uncertainty_mm", least=0.0),
        }),
        "overlaps": _list(_text()),
        "backed_off": {"type": "boolean", "description": "the shape could not carry all of it"},
        **_numbers("filled_percent", least=0.0, says="of the core lies where a hole of the scan was filled"),
        **_numbers("plane_off_percent", least=0.0, says="by how much lengths are off where the region's plane is least true"),
        "tuned_by": _tuned_by(),
        "why": _text(),
        "evidence": _text("a key of the evidence list, or words that say there is no source"),
    }


def _tape() -> Schema:
    return {
        "measure": _measure(), "at": _text(), **_numbers("distal_mm", says="along the axis from the landmark"),
        **_maybes("level_mm"), "over": _one_of("skin", "liner"), "tension": _maybe_text(), **_numbers("tape_mm"),
        **_maybes("capture_mm", says="at the same level, less layers_off_mm all round"),
        **_numbers("layers_off_mm", says="thickness between what the tape lay on and the captured surface"),
        **_maybes("difference_mm", says="capture less tape"), **_numbers("accepted_mm"),
        "agrees": {"type": ["boolean", "null"]},
    }


def _checks() -> Schema:
    row = {"type": "array", "items": _number("frame"), "minItems": 4, "maxItems": 4}
    return {
        "watertight": {"type": "boolean"}, "bodies": _count(), "self_intersections": _count(),
        "self_intersections_of_capture": _count(), "flipped_faces": _count(),
        **_numbers("added_dihedral_deg", says="largest change of angle between neighbouring faces"),
        "backed_off": {"type": "boolean"}, "within_limits": {"type": "boolean"},
        "frame": {"type": "array", "items": row, "minItems": 4, "maxItems": 4,
                  "description": "from the scan's own axes to the limb frame, columns of positions in mm"},
    }


# -- pieces ----------------------------------------------------------------------------------------


def _object(properties: Schema, says: str = "") -> Schema:
    out: Schema = {"type": "object", "properties": properties, "required": list(properties), "additionalProperties": False}
    return {"description": says, **out} if says else out


def _map(value: Schema, says: str) -> Schema:
    return {"type": "object", "additionalProperties": value, "description": says}


def _list(items: Schema, says: str = "") -> Schema:
    return {"type": "array", "items": items, **({"description": says} if says else {})}


def _or_null(schema: Schema, says: str = "") -> Schema:
    return {"anyOf": [schema, {"type": "null"}], **({"description": says} if says else {})}


def _text(says: str = "") -> Schema:
    return {"type": "string", **({"description": says} if says else {})}


def _maybe_text(says: str = "") -> Schema:
    return {"type": ["string", "null"], **({"description": says} if says else {})}


def _one_of(*words: str, says: str = "") -> Schema:
    return {"enum": list(words), **({"description": says} if says else {})}


def _measure() -> Schema:
    return _one_of("circumference", "ap", "ml")


def _count() -> Schema:
    return {"type": "integer", "minimum": 0}


def _number(key: str, says: str = "", null: bool = False) -> Schema:
    unit = next((unit for ending, unit in _UNITS if key.endswith(ending)), "")
    said = "; ".join(part for part in (unit, f"{decimals_of(key)} decimals", says) if part)
    return {"type": ["number", "null"] if null else "number", "description": said}


def _numbers(*keys: str, says: str = "", least: float | None = None) -> Schema:
    return {key: {**_number(key, says), **({} if least is None else {"minimum": least})} for key in keys}


def _maybes(*keys: str, says: str = "") -> Schema:
    return {key: _number(key, says, null=True) for key in keys}


def _triple(key: str) -> Schema:
    return {"type": "array", "items": _number(key), "minItems": 3, "maxItems": 3}
