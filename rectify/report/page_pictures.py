"""The page's pictures: the unrolled map with its legend, and the model from five sides."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING, Any

from rectify.report.four_sides import Picture, four_sides
from rectify.report.markup import Html, join, section, text
from rectify.report.page_tables import DONE
from rectify.report.unrolled import unrolled_map

if TYPE_CHECKING:
    from rectify.engine import Outcome

__all__ = ["in_words", "map_section", "sides_section"]

Facts = dict[str, Any]

_FROM = {
    "anterior": "From the front",
    "lateral": "From the outside",
    "posterior": "From behind",
    "medial": "From the inside",
    "distal": "From the end",
}
_SIDES_NOTE = (
    "The rectified model, in the colours of the map. Lines every 50 mm of level, level 0 darker; outlines in violet, "
    "dashed round a reduction."
)


def map_section(facts: Facts, outcome: Outcome) -> Html:
    """The map, what it shows in words, and its legend."""
    alt = text("Map of the unrolled limb. " + in_words(facts))
    svg = unrolled_map(outcome).replace("<svg ", f'<svg role="img" aria-label="{alt}" ', 1)
    figure = Html(f"<figure>{svg}<figcaption>{text(_caption(facts['side']))}</figcaption></figure>")
    return section(
        "map",
        "Map of the change",
        figure,
        _legend(filled=len(outcome.limb.invented) > 0, formed=any(r.region.forms for r in outcome.regions)),
    )


def _caption(side: str) -> str:
    lateral = "left" if side == "right" else "right"
    return (
        "The limb opened along the back and laid flat, as seen facing its front: on this "
        f"{side} limb lateral lies {lateral} of the middle. Colours and thin contour lines (solid built up, dashed "
        "reduced): the whole move from the captured surface, made up for what is worn. Beside each region's name: its "
        "own amount at the core, measured from the surface the rulebook says. White: no skin was captured."
    )


def _legend(*, filled: bool, formed: bool) -> Html:
    def icon(inside: str) -> str:
        return f"<svg width='30' height='12' viewBox='0 0 30 12' aria-hidden='true'>{inside}</svg>"

    line = "<path d='M1 6H29' stroke='#5a2a86' stroke-width='2'{}/>"
    trim = "<path d='M1 6H29' stroke='#20262b' stroke-width='1.6' stroke-dasharray='9 2 1.5 2'/>"
    dot = "<circle cx='15' cy='6' r='3.6' fill='{}' stroke='#20262b'/>"
    cross = "<path d='M10.5 1.5l9 9m0-9l-9 9' stroke='#20262b' stroke-width='1.3'/>"
    ring = "<circle cx='15' cy='6' r='5.2' fill='none' stroke='#20262b' stroke-dasharray='2 1.2'/>"
    stripes = "<path d='M3 11L11 1M10 11L18 1M17 11L25 1' stroke='#20262b' stroke-width='1.4'/>"
    entries = [
        (line.format(""), "outline of a build-up"),
        (line.format(" stroke-dasharray='6 3'"), "outline of a reduction"),
        *([(line.format(" stroke-dasharray='8 2 2 2'"), "outline of a formed wall")] if formed else []),
        (trim, "trimline"),
        (dot.format("#20262b"), "landmark, marked"),
        (dot.format("#fff"), "computed"),
        (dot.format("#fff") + cross, "estimated"),
        (ring, "as far as its place may be off"),
        *([(stripes, "filled hole: no skin was captured there")] if filled else []),
    ]
    return Html("<ul class='legend'>" + "".join(f"<li>{icon(i)}{text(w)}</li>" for i, w in entries) + "</ul>")


def in_words(facts: Facts) -> str:
    """The regions in words, for whoever cannot see the picture."""
    parts = []
    for name, r in facts["regions"].items():
        amount = r["asked_mm"] if r["achieved_mm"] is None else r["achieved_mm"]
        parts.append(f"{name} {DONE[r['action']]} by {amount:.1f} mm")
    return "; ".join(parts) + "." if parts else "No regions."


def sides_section(outcome: Outcome) -> Html:
    """The model from four sides and from the end."""
    figures = join(_figure(picture) for picture in four_sides(outcome))
    note = Html(f"<p><small>{text(_SIDES_NOTE)}</small></p>")
    return section("sides", "The rectified model from five sides", Html(f"<div class='sides'>{figures}</div>"), note)


def _figure(picture: Picture) -> Html:
    words, right = _FROM[picture.view], f"{picture.right_is} to the right"
    data = base64.b64encode(picture.png).decode("ascii")
    alt = text(f"{words}: {picture.view} side of the rectified model, {right}, coloured by displacement.")
    size = f"width='{picture.width}' height='{picture.height}'"
    return Html(
        f"<figure style='flex:{picture.width} 1 0'><img src='data:image/png;base64,{data}' {size} alt='{alt}'>"
        f"<figcaption>{text(words)}<br><small>{text(right)}</small></figcaption></figure>"
    )
