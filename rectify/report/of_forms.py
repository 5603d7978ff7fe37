"""What is reported of walls that are formed and of the brim. Figures are the engine's."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from rectify.engine.flare import above_line, flared_side
from rectify.rulebook.slope import flare_deg

if TYPE_CHECKING:
    from rectify.engine import Outcome
    from rectify.engine.achieved import RegionOutcome

__all__ = ["brim_facts", "form_facts"]

Row = dict[str, Any]


def form_facts(r: RegionOutcome) -> Row | None:
    """How a wall came out that a region forms."""
    form, figures = r.region.form, r.form
    if form is None or figures is None:
        return None
    plane = r.region.action in ("flatten", "shelf")
    return {
        "faces_deg": float(form.faces_deg % 360.0) if plane else None,
        "tilt_deg": None if r.region.action == "squeeze" else float(form.tilt_deg),
        "in_mm": float(form.in_mm),
        "out_mm": float(form.out_mm),
        "corner_mm": float(form.corner_mm),
        "narrow": form.narrow if r.region.action == "squeeze" else None,
        "off_rms_mm": figures.off_rms_mm,
        "off_max_mm": figures.off_max_mm,
        "on_percent": figures.on_percent,
        "girth_percent": figures.girth_percent,
    }


def brim_facts(outcome: Outcome) -> Row | None:
    """The trimline's corners and its flare: asked, and as it stands at the line."""
    brim = outcome.plan.brim
    if brim is None:
        return None
    return {
        "places": len(brim.line),
        "corner_radius_mm": float(brim.corner_radius_mm),
        "radii_mm": [float(radius) for radius in brim.radii_mm],
        "flare": _flare(outcome) if brim.flare_out_mm > 0 else None,
    }


def _flare(outcome: Outcome) -> Row:
    brim, asked = outcome.plan.brim, outcome.asked
    assert brim is not None
    out = np.linalg.norm(asked.form - asked.walls, axis=1)
    places = asked.places
    moved = np.flatnonzero(out > 0)
    above = above_line(outcome.limb.chart, brim, places.stations[moved], places.angles[moved])
    full = flared_side(brim, places.angles[moved]) == 1.0
    near = full & (np.abs(above) < outcome.limb.edge_mm)
    # at the line itself: the flare is straight there to within an edge, so a line through what lies about it will do
    fitted = np.polyfit(above[near], out[moved][near], 1)[1] if near.sum() > 2 else float("nan")
    return {
        "out_mm": float(brim.flare_out_mm),
        "over_mm": float(brim.flare_over_mm),
        "where": brim.flare_where or "all",
        "achieved_mm": float(fitted),
        "steepest_deg": flare_deg(brim.flare_out_mm, brim.flare_over_mm),
    }
