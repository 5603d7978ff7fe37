"""Pictures of a comparison: the change report's map and five sides, drawn of how far AFTER lies from BEFORE.

The surface is BEFORE's. Where nothing was compared the map is striped, as over a filled hole. Only a limb frame says
which way is front: without one there are no pictures.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from rectify.engine.places import Places, places_of
from rectify.geometry.mesh import Floats, Mesh
from rectify.limb.limb import Limb
from rectify.report.four_sides import Picture, four_sides
from rectify.report.markup import Html, join, section, text
from rectify.report.shown import Shown
from rectify.report.unrolled import unrolled_map
from rectify.rulebook.plan import Plan
from rectify.studies.regions import ShownAs, shown_regions
from rectify.studies.shapes import Shapes

__all__ = ["map_section", "sides_section"]

_FROM = {
    "anterior": "From the front",
    "lateral": "From the outside",
    "posterior": "From behind",
    "medial": "From the inside",
    "distal": "From the end",
}


@dataclass(frozen=True, eq=False)
class _Shown:
    """What the pictures ask for (`rectify.report.shown`), of a comparison."""

    limb: Limb
    move: Floats
    worked: Floats  # what counts of it: the colour scale is for this
    regions: tuple[ShownAs, ...]
    plan: Plan

    @property
    def mesh(self) -> Mesh:
        """The surface that is drawn."""
        return self.limb.mesh

    @property
    def asked(self) -> _Shown:
        """Itself: it has the places."""
        return self

    @cached_property
    def places(self) -> Places:
        """Where its vertices lie on the chart."""
        return places_of(self.limb)


def _shown(shapes: Shapes) -> Shown | None:
    if shapes.limb is None or not shapes.anatomical:
        return None
    d = shapes.difference
    limb = replace(shapes.limb, invented=np.flatnonzero(~d.compared))
    move = np.where(d.compared, d.outward, 0.0)
    bare = Plan("", "", "", limb.amputation, "usable", 0, "", "", ())  # no trimline: nothing is cut away
    plan = shapes.plan if shapes.trimmed and shapes.plan is not None else bare
    return _Shown(limb, move, move[shapes.counted], tuple(shown_regions(list(shapes.regions))), plan)


def map_section(shapes: Shapes, facts: dict[str, Any]) -> Html:
    """The unrolled map of the difference, in words too."""
    outcome = _shown(shapes)
    if outcome is None:
        why = "Neither shape is in a limb frame" if not shapes.anatomical else "BEFORE is not open at the top alone"
        return section("map", "Map of the difference", Html(f"<p>{text(why)}: no map can be drawn.</p>"))
    alt = text("Map of the unrolled limb. " + _in_words(facts))
    svg = unrolled_map(outcome).replace("<svg ", f'<svg role="img" aria-label="{alt}" ', 1)
    svg = svg.replace("built up (outward)", "AFTER outside").replace("reduced (inward)", "AFTER inside")
    side = outcome.limb.side
    lateral = "left" if side == "right" else "right"
    caption = (
        f"BEFORE opened along the back and laid flat, as seen facing its front: on this {side} limb lateral lies "
        f"{lateral} of the middle. Colours and thin contour lines (solid: AFTER lies outside, dashed: inside): the "
        "distance to the nearest point of AFTER; the scale is for what counts. Beside each region's name: the median "
        "at its core, else over all."
    )
    figure = Html(f"<figure>{svg}<figcaption>{text(caption)}</figcaption></figure>")
    return section(
        "map", "Map of the difference", figure, _legend(missing=len(outcome.limb.invented) > 0, trimmed=shapes.trimmed)
    )


def _legend(*, missing: bool, trimmed: bool) -> Html:
    def icon(inside: str) -> str:
        return f"<svg width='30' height='12' viewBox='0 0 30 12' aria-hidden='true'>{inside}</svg>"

    line = "<path d='M1 6H29' stroke='#5a2a86' stroke-width='2'{}/>"
    trim = "<path d='M1 6H29' stroke='#20262b' stroke-width='1.6' stroke-dasharray='9 2 1.5 2'/>"
    stripes = "<path d='M3 11L11 1M10 11L18 1M17 11L25 1' stroke='#20262b' stroke-width='1.4'/>"
    entries = [
        (line.format(""), "region of the plan where AFTER lies outside, or there is no difference"),
        (line.format(" stroke-dasharray='6 3'"), "region where AFTER lies inside"),
        *([(trim, "trimline: what lies above it is cut away and does not count")] if trimmed else []),
        *([(stripes, "not compared: AFTER has nothing that answers it")] if missing else []),
    ]
    return Html("<ul class='legend'>" + "".join(f"<li>{icon(i)}{text(w)}</li>" for i, w in entries) + "</ul>")


def _in_words(facts: dict[str, Any]) -> str:
    """The places that differ in words, for whoever cannot see the picture."""
    parts = [
        f"level {p['level_mm']:.0f} mm, {p['angle_deg']:.0f} degrees: {p['peak_mm']:+.1f} mm"
        + (f" ({', '.join(p['regions'])})" if p["regions"] else "")
        for p in facts["places"]
    ]
    return (
        "AFTER lies more than 1 mm away at " + "; ".join(parts) + "."
        if parts
        else "No place differs by more than 1 mm."
    )


def sides_section(shapes: Shapes) -> Html:
    """BEFORE from four sides and from the end, in the colours of the map."""
    outcome = _shown(shapes)
    if outcome is None:
        return Html("")
    figures = join(_figure(picture) for picture in four_sides(outcome))
    note = (
        "BEFORE, in the colours of the map: brown where AFTER lies outside it, teal where inside. Lines every 50 mm of "
        "level, level 0 darker."
    )
    return section(
        "sides",
        "The difference from five sides",
        Html(f"<div class='sides'>{figures}</div>"),
        Html(f"<p><small>{text(note)}</small></p>"),
    )


def _figure(picture: Picture) -> Html:
    words, right = _FROM[picture.view], f"{picture.right_is} to the right"
    data = base64.b64encode(picture.png).decode("ascii")
    alt = text(f"{words}: {picture.view} side of BEFORE, {right}, coloured by the distance of AFTER.")
    size = f"width='{picture.width}' height='{picture.height}'"
    return Html(
        f"<figure style='flex:{picture.width} 1 0'><img src='data:image/png;base64,{data}' {size} alt='{alt}'>"
        f"<figcaption>{text(words)}<br><small>{text(right)}</small></figcaption></figure>"
    )
