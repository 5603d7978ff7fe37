"""The published JSON Schema of change-report.json, so that other people's programs can check what they read.

Strict: every key is required, no other key is allowed. What may be absent is null. Units stand in the
descriptions, decimals come from the table that rounds the numbers.
"""

from __future__ import annotations

from rectify.limb.vocabulary import AMPUTATIONS
from rectify.report.schema_forms import brim_schema, form_schema
from rectify.report.schema_pieces import (
    Schema,
    choice,
    count,
    listing,
    maybe_words,
    maybes,
    named,
    number,
    numbers,
    or_null,
    record,
    triple,
    truth,
    words,
)

__all__ = ["report_schema"]

_SAYS = (
    "Lengths in mm, areas in mm², volumes in ml, angles in degrees. Limb frame: origin on the limb's axis at level 0, "
    "+z proximal, +y anterior, +x to the person's right; level_mm = -z. angle_deg: 0 anterior, 90 lateral, 180 "
    "posterior, 270 medial, on either side. null: not there, or not to be had."
)
_MEASURES = ("circumference", "ap", "ml")
_SOURCE = ("marked", "mark", "computed", "estimated")
_SHA256 = {"type": "string", "pattern": "^[0-9a-f]{64}$"}


def report_schema() -> Schema:
    """JSON Schema, draft 2020-12, of a change report."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:rectify:change-report:1",
        "title": "Change report of a rectified residual limb",
        "description": _SAYS,
        **record(_top()),
    }


def _top() -> Schema:
    return {
        "format": {"const": 1},
        "program": record({"name": words(), "version": words()}),
        "case": words("the case's code"),
        "side": choice("left", "right"),
        "amputation": choice(*AMPUTATIONS),
        "status": choice("draft", "released", says="a draft must not go to a machine"),
        "release": or_null(record({"by": words("initials or a role"), "on": words("ISO date")}), "null: a draft"),
        "digest": {**_SHA256, "description": "of plan and inputs; a release is bound to it"},
        "rulebook": record(
            {
                "name": words(),
                "key": words("what --rulebook takes"),
                "revision": count(),
                "status": choice("usable", "draft", says="a draft's results are drafts"),
                "sha256": {**_SHA256, "description": "of the rulebook as merged, before tuning"},
                "conditions": listing(words(), "what the case's facts changed in it, in words"),
            }
        ),
        "version": or_null(record(_version()), "the saved version laid over the case; null: the case as written"),
        "tune": listing({"type": "object"}, "the tunings as they were written, oldest first"),
        "inputs": listing(
            record({"role": words("case | scan | landmarks | rulebook | version"), "file": words(), "sha256": _SHA256})
        ),
        "scan": record(_scan()),
        "limb": record(_limb()),
        "landmarks": named(record(_landmark()), "by name, proximal first"),
        "volume": record(
            {
                **numbers(
                    *("before_ml", "after_ml", "change_ml", "change_percent"),
                    says="below the plane, without what forms the brim",
                ),
                **numbers("plane_level_mm", says="the plane, distal of the open edge"),
                **numbers("model_before_ml", "model_after_ml", says="of the whole closed body"),
                **numbers("brim_ml", says="what seat, raised wall and flare add to that body"),
                "inside_socket": or_null(
                    record(
                        {
                            **numbers("plane_level_mm", says="of the trimline's lowest place"),
                            **numbers("before_ml", "after_ml", "change_percent", says="distal of it"),
                            **numbers("end_ml", says="added by what was done to the end alone"),
                            **numbers("change_without_end_percent", says="distal of it, less the end"),
                        }
                    ),
                    "null: no trimline",
                ),
            }
        ),
        "extremes": record(
            {
                "build_up": or_null(record(_extreme()), "null: nothing was built up"),
                "reduction": or_null(record(_extreme()), "null: nothing was reduced"),
            },
            "farthest from the captured surface, what forms the brim left out",
        ),
        "overall": or_null(record(_overall()), "null: no overall reduction"),
        "end": or_null(record(_end()), "null: the end was left alone"),
        "brim": or_null(record(brim_schema()), "null: no trimline"),
        "levels": listing(
            record(
                {
                    **numbers("level_mm"),
                    **maybes(
                        "circumference_before_mm",
                        "circumference_after_mm",
                        "change_percent",
                        "ap_before_mm",
                        "ap_after_mm",
                        "ml_before_mm",
                        "ml_after_mm",
                        "volume_before_ml",
                        "volume_after_ml",
                        says="null: the section is open there",
                    ),
                }
            ),
            "circumference is what a tape reads: the section's hull; change_percent is its change; volume is of what "
            "lies distal of the level; after is without what forms the brim (seat, raised wall, flare)",
        ),
        "regions": named(record(_region()), "by name, in the rulebook's order"),
        "lengths": listing(
            record(
                {
                    "from": words(),
                    "to": words(),
                    **numbers("before_mm"),
                    **maybes("after_mm", says="null: bone, which no rectification moves"),
                    "source": choice(*_SOURCE),
                    **numbers("uncertainty_mm"),
                }
            ),
            "along the limb's axis",
        ),
        "dimensions": listing(
            record(
                {
                    "measure": choice(*_MEASURES),
                    "at": words(),
                    **numbers("level_mm"),
                    **maybes("target_mm", says="null: the case gives no such value"),
                    **numbers("within_mm"),
                    **maybes("before_mm", "after_mm"),
                    "met": truth(null=True),
                    "by": listing(record(_moved_for()), "the regions that may move for it"),
                    "reason": words("what was moved to get there, and what stood against it; may be empty"),
                }
            )
        ),
        "tape": listing(record(_tape()), "hand measurements beside the capture"),
        "shape": record(
            {
                "class": choice("conical", "cylindrical", "bulbous"),
                **maybes("ratio", says="distal over proximal circumference"),
            }
        ),
        "capture": listing(
            record(
                {
                    "code": words("kebab-case, stable"),
                    "message": words(),
                    "look": truth(),
                    "count": count(),
                    **numbers("area_mm2", least=0.0),
                    "xyz": or_null(triple("xyz"), "in the scan's own axes"),
                }
            ),
            "what was done to the capture on the way in",
        ),
        "limits": listing(
            record(
                {
                    "limit": words(),
                    "unit": choice("percent", "mm", "deg"),
                    **maybes("least", "most", says="what the rulebook allows"),
                    **maybes("found_least", "found_most", says="what the result comes to"),
                    "held": truth(),
                }
            )
        ),
        "checks": record(_checks(), "on the finished, closed surface"),
        "warnings": listing(
            record(
                {
                    "code": words("kebab-case, stable"),
                    "severity": choice(
                        "note",
                        "look",
                        "stop",
                        says="look: a person must look before it goes to a machine; "
                        "stop: a limit of the rulebook is breached, no shape is written",
                    ),
                    "message": words(),
                    "where": words("a key of the case or the rulebook; may be empty"),
                }
            ),
            "the gravest first",
        ),
        "cautions": listing(words()),
    }


def _moved_for() -> Schema:
    return {
        "region": words(),
        **numbers("rulebook_mm", least=0.0),
        **maybes("solved_mm", says="what the dimensions made of it, before any tuning; null: it stayed"),
        **numbers("asked_mm", least=0.0, says="tunings included"),
    }


def _scan() -> Schema:
    return {
        "file": words(),
        "surface": words(),
        "shaping": maybe_words("null: not said"),
        "rectified": truth(),
        "layers": _layers("between the skin and the captured surface, from inside out"),
        "vertices": count(),
        "faces": count(),
        **numbers("edge_mm", says="median length of a mesh edge"),
        **numbers("noise_mm", least=0.0, says="of the scan, about; 0 where it is smooth"),
    }


def _limb() -> Schema:
    said = ("tissue", "sensation", "circulation", "skin", "volume", "suspension")
    return {
        **{key: maybe_words("null: not said") for key in said},
        "wear": _layers("what will be worn, from inside out"),
    }


def _layers(says: str) -> Schema:
    layer = record({"kind": words(), **numbers("thickness_mm", least=0.0), "measured": truth()})
    return listing(layer, says)


def _landmark() -> Schema:
    return {
        "xyz": or_null(triple("xyz"), "null: absent. Of a line, the first point"),
        "points": or_null(listing(triple("points")), "of a line; null otherwise"),
        **maybes("level_mm", "angle_deg", says="null: absent"),
        "source": choice(
            *_SOURCE,
            says="marked by a person; read from a pencil mark; computed by definition; estimated from proportions",
        ),
        **numbers("uncertainty_mm", least=0.0),
        **maybes("off_surface_mm", says="as given, from the skin"),
        "absent": truth(),
        "beyond_capture": truth(),
        "note": words(),
    }


def _extreme() -> Schema:
    return {
        **numbers("amount_mm", least=0.0),
        **numbers("level_mm", "angle_deg"),
        "region": maybe_words("the region that weighs most there; null: none does"),
        **numbers("overall_and_end_mm", least=0.0, says="what the overall reduction and the end moved there"),
    }


def _overall() -> Schema:
    return {
        "basis": choice("circumference", "volume"),
        "holds": choice("before-regions", "finished"),
        **numbers("fade_mm"),
        "spare": listing(words(), "what it leaves alone"),
        **numbers("spare_fade_mm"),
        "rows": listing(
            record(
                {
                    "at": words(),
                    **numbers("level_mm"),
                    **numbers("asked_percent", says="by the basis"),
                    **maybes(
                        "achieved_percent",
                        says="by the basis; null: the section is open, or the end was stretched there",
                    ),
                    **numbers(
                        "circumference_percent",
                        "volume_percent",
                        says="the same reduction counted both ways, length kept",
                    ),
                }
            )
        ),
    }


def _end() -> Schema:
    return {
        "kind": choice("lengthen", "pad"),
        **numbers("rulebook_mm", "change_mm", "asked_mm", "achieved_mm", "from_level_mm"),
        "tuned_by": _tuned_by(),
    }


def _version() -> Schema:
    return {
        "number": count(),
        "from": count("the version it was made from; 0: the case as written"),
        "by": words("initials or a role"),
        "on": words("ISO date"),
        "why": words(),
        "landmarks": listing(words(), "placed or moved in it"),
        "findings": listing({"type": "object"}, "what was seen or felt at a fitting: kind, where, minutes, ply, note"),
    }


def _tuned_by() -> Schema:
    return listing(
        record(
            {
                "by": words("initials or a role"),
                "on": maybe_words("ISO date"),
                "after": maybe_words("the fitting it follows from"),
                "why": words(),
                "change": words(),
                "beyond_allow": maybe_words("who answers for going past `allow`, and why"),
            }
        )
    )


def _region() -> Schema:
    return {
        "action": choice("reduce", "build-up", "squeeze", "flatten", "raise", "shelf"),
        "from": choice("reduced", "capture", says="the surface that the amount is measured from"),
        "profile": choice("flat", "dome", "groove"),
        "amount": words("as the rulebook says it"),
        **numbers("rulebook_mm", "change_mm"),
        **numbers("asked_mm", least=0.0),
        "allow_mm": or_null(
            {"type": "array", "prefixItems": [number("_mm"), number("_mm")], "items": False, "minItems": 2},
            "what scaling and tuning may reach",
        ),
        **maybes("achieved_mm", says="median at the core; null: other regions reach over all of it"),
        **maybes("achieved_from_capture_mm", "achieved_from_reduced_mm"),
        **maybes("core_off_mm", says="largest difference from asked_mm at the core"),
        "core_xyz": triple("core_xyz"),
        "core_vertices": count(),
        **numbers("peak_mm", "mean_mm", says="of the region's own move, positive in the action's direction"),
        **numbers("area_mm2", least=0.0),
        **numbers("volume_ml", says="added (+) or taken (-)"),
        **numbers("feather_mm", says="as held"),
        **numbers("feather_asked_mm"),
        "anchor": record(
            {
                **numbers("level_mm", "angle_deg"),
                "landmark": maybe_words(),
                "source": choice(*_SOURCE),
                **numbers("uncertainty_mm", least=0.0),
            }
        ),
        "overlaps": listing(words()),
        "backed_off": truth("the shape could not carry all of it"),
        "backed_off_at": or_null(
            record({**numbers("level_mm", "angle_deg"), **maybes("lost_mm")}), "where it is short most, and by how much"
        ),
        **numbers("filled_percent", least=0.0, says="of the core lies where a hole of the scan was filled"),
        **numbers(
            "plane_off_percent", least=0.0, says="by how much lengths are off where the region's plane is least true"
        ),
        "tuned_by": _tuned_by(),
        "why": words(),
        "evidence": words("a key of the evidence list, or words that say there is no source"),
        "form": or_null(record(form_schema()), "null: it forms no wall"),
        "fall": choice("smooth", "cosine", "run-out", says="how the amount falls over the feather"),
    }


def _tape() -> Schema:
    return {
        "measure": choice(*_MEASURES),
        "at": words(),
        **numbers("distal_mm", says="along the axis from the landmark"),
        **maybes("level_mm"),
        "over": choice("skin", "liner"),
        "tension": maybe_words(),
        **numbers("tape_mm"),
        **maybes("capture_mm", says="at the same level, less layers_off_mm all round"),
        **numbers("layers_off_mm", says="thickness between what the tape lay on and the captured surface"),
        **maybes("difference_mm", says="capture less tape"),
        **numbers("accepted_mm"),
        "agrees": truth(null=True),
        "not_compared": maybe_words(),
    }


def _checks() -> Schema:
    row = {"type": "array", "items": number("frame"), "minItems": 4, "maxItems": 4}
    return {
        "watertight": truth(),
        "bodies": count(),
        "self_intersections": count(),
        "self_intersections_of_capture": count(),
        "flipped_faces": count(),
        **numbers("added_dihedral_deg", says="largest change of angle between neighbouring faces"),
        "backed_off": truth(),
        "within_limits": truth(),
        "frame": {
            "type": "array",
            "items": row,
            "minItems": 4,
            "maxItems": 4,
            "description": "from the scan's own axes to the limb frame, columns of positions in mm",
        },
    }
