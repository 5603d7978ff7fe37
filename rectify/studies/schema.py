"""The published JSON Schema of comparison.json, made of the same pieces as the change report's."""

from __future__ import annotations

from rectify.limb.vocabulary import AMPUTATIONS
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
    truth,
    words,
)
from rectify.rulebook.describe import ACTION_WORDS

__all__ = ["comparison_schema"]

_SAYS = (
    "Two versions of one limb. AFTER less BEFORE throughout, distances outward positive: where AFTER lies outside. "
    "Lengths in mm, areas in mm², volumes in ml, angles in degrees; level_mm = -z of the frame. null: not there, or "
    "not to be had."
)
_SHA256 = {"type": "string", "pattern": "^[0-9a-f]{64}$"}


def comparison_schema() -> Schema:
    """JSON Schema, draft 2020-12, of a comparison."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:rectify:comparison:1",
        "title": "Comparison of two versions of a residual limb's model",
        "description": _SAYS,
        **record(
            {
                "format": {"const": 1},
                "program": record({"name": words(), "version": words()}),
                "before": record(_version()),
                "after": record(_version()),
                "shapes": or_null(record(_shapes()), "null: reports only"),
                "plans": or_null(record(_plans()), "null: not both have a plan"),
                "reports": or_null(record(_reports()), "null: not both have a report"),
                "citations": named(words(), "what `beside` is held against, by its key of the evidence list"),
                "warnings": listing(
                    record(
                        {
                            "code": words("kebab-case, stable"),
                            "severity": choice("note", "look", says="look: a person must look first"),
                            "message": words(),
                            "where": words(),
                        }
                    ),
                    "the gravest first",
                ),
            }
        ),
    }


def _version() -> Schema:
    return {
        "kind": choice("result", "case", "model", "report"),
        "name": words("of the file or folder"),
        "case": maybe_words("the case's code"),
        "side": or_null(choice("left", "right")),
        "amputation": or_null(choice(*AMPUTATIONS)),
        "status": or_null(choice("draft", "released")),
        "rulebook": maybe_words(),
        "scan_sha256": or_null(_SHA256, "of the scan that it was made from"),
        "faces": count("of the wall; 0: no shape"),
        "files": listing(record({"file": words(), "sha256": _SHA256})),
    }


def _matrix(says: str) -> Schema:
    row = {"type": "array", "items": number("frame"), "minItems": 4, "maxItems": 4}
    return {"type": "array", "items": row, "minItems": 4, "maxItems": 4, "description": says}


def _shapes() -> Schema:
    return {
        "frame": record(
            {
                "anatomical": truth("a limb frame; false: levels from BEFORE's distal end, angles from its own axes"),
                "origin": words(),
                "side": or_null(choice("left", "right")),
                "counted": words("what the overall figures and places are of: all, or below a result's trimline"),
                "before_frame": _matrix("from BEFORE's own axes"),
                "after_frame": _matrix("from AFTER's own axes"),
            },
            "what all levels and angles are in",
        ),
        "alignment": record(_alignment()),
        "distance": record(
            {
                **_spread(),
                **numbers(
                    "within_quarter_percent",
                    "within_one_percent",
                    "within_two_percent",
                    says="of the area: mm",
                    least=0.0,
                ),
                "largest_out": or_null(record({**numbers("amount_mm"), **_place()})),
                "largest_in": or_null(record({**numbers("amount_mm"), **_place()})),
            },
            "at every vertex of BEFORE to the nearest point of AFTER's triangles, weighed by area",
        ),
        "above_trimline": or_null(record(_spread()), "what is cut away; null: no trimline"),
        "volume": record(
            {
                **maybes("before_ml", "after_ml", "change_ml", "change_percent", says="below the plane; null: a hole"),
                **maybes(
                    *("below_trimline_ml", "below_trimline_percent"),
                    says="between the two below the trimline, and of before_ml; null: no trimline",
                ),
                **numbers("plane_level_mm", says="2 mm distal of the lowest point of either open edge"),
            }
        ),
        "levels": listing(record(_level())),
        "regions": named(record(_region()), "of the plan, laid out on BEFORE"),
        "outside_regions": or_null(record(_spread())),
        "places": listing(
            record({**numbers("peak_mm", "mean_mm", "area_mm2", "volume_ml"), **_place()}),
            "where the two lie more than 1 mm apart over more than 1 cm², the largest volume first",
        ),
        "beside": listing(
            record({key: words() for key in ("figure", "value", "unit", "mark", "says", "evidence")}),
            "what was read of how much such a difference matters",
        ),
    }


def _alignment() -> Schema:
    return {
        "method": choice("none", "scan", "landmarks", "landmarks-and-shape", "shape"),
        "why": words(),
        **numbers("turned_deg", "shifted_mm", least=0.0),
        "after_to_before_frame": _matrix("rigid: AFTER's own axes to BEFORE's"),
        "landmarks": listing(record({"name": words(), **numbers("off_mm", least=0.0)}), "that both have marked"),
        **maybes("landmarks_rms_mm"),
        **maybes("kept_rms_mm", says="of the half of the surface that agrees best; null: nothing was fitted"),
        **maybes("half_within_mm", says="half of the surface lies within this"),
        **maybes("mirror_rms_mm", says="of a mirror image fitted in the same way; null: not tried"),
        **maybes("room_along_mm", "room_turn_deg", says="how far it may be moved until the fit is half as bad again"),
    }


def _spread() -> Schema:
    return {
        **maybes("mean_mm", "median_mm", "p5_mm", "p95_mm", says="null: nothing compared"),
        **maybes("quartiles_mm", says="from the first to the third"),
        **maybes("mean_size_mm", says="without sign"),
        **numbers("area_mm2", "compared_percent", least=0.0),
        **maybes("volume_ml", says="between the two, outward positive"),
    }


def _place() -> Schema:
    regions = listing(words(), "that reach there; of a place, those that have a tenth of it")
    return {**numbers("level_mm", "angle_deg"), "regions": regions}


def _level() -> Schema:
    pairs = [f"{name}_{word}_mm" for name in ("circumference", "ap", "ml") for word in ("before", "after")]
    says = "null: the section is open there"
    return {**numbers("level_mm"), **maybes(*pairs, "area_before_mm2", "area_after_mm2", "change_percent", says=says)}


def _region() -> Schema:
    return {
        "action": choice(*ACTION_WORDS, says="of the plan"),
        **maybes("core_mm", says="median where the region has its full weight"),
        **_spread(),
        **numbers("level_mm", "angle_deg", says="of its anchor"),
        "beside": words("how the figure stands to what people differ by; empty: no difference"),
    }


def _difference() -> Schema:
    return record({"what": words(), "before": words(), "after": words(), "by": words("may be empty")})


def _plans() -> Schema:
    return {
        "regions": listing(
            record(
                {
                    "name": words(),
                    **maybes("before_mm", "after_mm", says="build-ups positive; null: not there"),
                    **numbers("change_mm"),
                    "beside": words(),
                    "differences": listing(_difference()),
                }
            )
        ),
        "alike": listing(words()),
        "overall": listing(_difference()),
        "rest": listing(_difference()),
    }


def _reports() -> Schema:
    pair = {"type": "array", "items": words(), "minItems": 2, "maxItems": 2}
    amounts = [f"{word}_{key}_mm" for key in ("asked", "achieved", "peak") for word in ("before", "after")]
    sizes = [f"{word}_{key}" for key in ("area_mm2", "volume_ml") for word in ("before", "after")]
    levels = [f"{name}_{word}_mm" for name in ("circumference", "ap", "ml") for word in ("before", "after")]
    return {
        "status": pair,
        "rulebook": pair,
        "volume": record(
            numbers(
                "before_ml",
                "after_ml",
                "before_change_percent",
                "after_change_percent",
                "before_plane_level_mm",
                "after_plane_level_mm",
                says="of the rectified models, each below its own plane; change_percent against its own capture",
            )
        ),
        "regions": named(
            record({**maybes(*amounts, says="build-ups positive"), **numbers("change_mm"), **maybes(*sizes)}),
            "that differ",
        ),
        "alike": listing(words()),
        "levels": listing(record({**numbers("level_mm"), **maybes(*levels)}), "of the rectified models"),
        "landmarks": named(
            record(
                {
                    "before": maybe_words("its source; null: not there"),
                    "after": maybe_words(),
                    **maybes("distal_mm", "turned_deg"),
                }
            ),
            "that lie elsewhere or are known in another way",
        ),
        "tuned": listing(words(), "tunings of AFTER that BEFORE has not"),
        "untuned": listing(words(), "tunings of BEFORE that AFTER has not"),
    }
