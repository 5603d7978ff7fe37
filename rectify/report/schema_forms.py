"""The parts of the change report's schema that tell of formed walls and of the brim."""

from __future__ import annotations

from rectify.report.schema_pieces import Schema, choice, count, listing, maybes, number, numbers, or_null, record, words

__all__ = ["brim_schema", "form_schema"]


def form_schema() -> Schema:
    """How a wall came out that a region forms; `asked_mm` and `achieved_mm` of the region are then how deep inside its
    place a flat wall lies, how much smaller a width is, how deep a shelf is, how high a wall stands."""
    return {
        **maybes("faces_deg", "tilt_deg", says="where the formed face looks, and how it leans"),
        **numbers("in_mm", "out_mm", least=0.0, says="the farthest it may take the skin"),
        **numbers("corner_mm", least=0.0),
        "narrow": or_null(choice("ml", "ap"), "of a squeeze"),
        **maybes("off_rms_mm", "off_max_mm", says="of its core from where it should lie, where no bound held it back"),
        **maybes("on_percent", says="of its core within 0.1 mm of where it should lie"),
        **maybes("girth_percent", says="of a squeeze: the largest change of circumference at its levels"),
    }


def brim_schema() -> Schema:
    """The trimline and its flare."""
    return {
        "places": count(),
        **numbers("corner_radius_mm", least=0.0),
        "radii_mm": listing(number("radii_mm"), "one for each place, where they differ"),
        "flare": or_null(
            record(
                {
                    **numbers("out_mm", "over_mm", least=0.0),
                    "where": words("the side that is flared, or all"),
                    **maybes("achieved_mm", says="how far out the model lies at the line"),
                    **numbers("steepest_deg", says="of the flare, at the line"),
                }
            ),
            "null: not flared",
        ),
    }
