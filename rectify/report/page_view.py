"""The page's view in three dimensions: what the viewer needs, inside the page, and what is said where it cannot run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rectify.report.markup import Html, section, text
from rectify.report.page_pictures import in_words
from rectify.viewer import joined_script, pack, packed_text, scene_of

if TYPE_CHECKING:
    from rectify.engine import Outcome

__all__ = ["view_script", "view_section"]

Facts = dict[str, Any]

_NOTE = (
    "Here stands a view that can be turned, where the page's script runs and the browser draws in three dimensions. "
    "Everything that it shows is in the pictures and tables below, too."
)
_HOW = (
    "Drag to turn; drag the black line, or the slider, to move the section. Point at the model to read level, angle "
    "and move. With the keyboard, once the picture has the focus: arrows turn, + and \u2212 change the size, A L P M E "
    "look from a side, Page Up and Page Down move the section, Escape lets go of a region. Ctrl and the wheel zoom."
)
_COLOURS = (
    "Colours and contour lines (solid built up, dashed reduced): the whole move from the captured surface. Beside a "
    "region's name: its own amount at the core."
)


def view_script() -> str:
    """The script that starts the view; the page's policy names its digest."""
    return joined_script("report")


def view_section(facts: Facts, outcome: Outcome) -> Html:
    """The view, hidden until its script has found that it can be shown, and what it shows."""
    scene = scene_of(outcome, case=facts["case"])
    shown, whole = len(scene.view.faces), scene.view.whole_faces
    light = (
        f" The picture is simplified, {shown} of {whole} faces; every figure is that of the whole surface."
        if scene.view.simplified
        else ""
    )
    flare = facts["brim"] is not None and facts["brim"]["flare"] is not None
    bare = " Figures by level leave out what forms the brim." if flare else ""
    label = text(f"The model of {facts['case']} in three dimensions, coloured by how far it moved. {in_words(facts)}")
    return section(
        "view",
        "Captured against rectified",
        Html(f"<p data-part='note'>{text(_NOTE)}</p>"),
        Html(
            "<div class='stage'><div class='tools' data-part='controls'></div>"
            f"<div class='picture' data-part='picture' data-label=\"{label}\"></div>"
            "<div class='under'><div data-part='scale'></div><div data-part='parts'></div>"
            f"<p><small>{text(_COLOURS + bare + light)}</small></p></div>"
            f"<div class='cut' data-part='section'></div><p><small>{text(_HOW)}</small></p>"
            "<p class='unseen' data-part='said' aria-live='polite'></p></div>"
        ),
        Html(f"<script type='application/octet-stream' id='view-data'>{packed_text(pack(scene))}</script>"),
    )
