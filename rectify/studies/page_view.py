"""The view in three dimensions of a comparison: the report's viewer, given BEFORE and where its points lie on AFTER.

The viewer speaks of a captured and a rectified surface unless it is told otherwise: here they are BEFORE and AFTER.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from rectify.report.markup import Html, section, text
from rectify.studies.shapes import Shapes
from rectify.viewer import Words, pack, packed_text
from rectify.viewer.colours import scale_top
from rectify.viewer.outlines import on_skin, rings_of
from rectify.viewer.scene import MOST_FACES, Line, Mark, Named, Scene, level_table
from rectify.viewer.simplify import view_mesh

__all__ = ["scene_of_comparison", "view_section"]

_WORDS = Words(
    change="Difference",
    captured="Before",
    change_means="AFTER, coloured by how far it lies from BEFORE",
    both_means="BEFORE as glass over AFTER",
    captured_means="BEFORE alone",
    before="before",
    after="after",
    less="inside",
    more="outside",
)
_NOTE = (
    "Here stands a view that can be turned, where the page's script runs and the browser draws in three dimensions. "
    "Everything that it shows is in the pictures and tables below, too."
)
_HOW = (
    "Drag to turn; drag the black line, or the slider, to move the section. Point at the model to read level, angle "
    "and distance. With the keyboard, once the picture has the focus: arrows turn, + and \u2212 change the size, A L P "
    "M E look from a side, Page Up and Page Down move the section, Escape lets go of a region."
)
_COLOURS = (
    "Colours and contour lines (solid: AFTER lies outside, dashed: inside): the distance to the nearest point of "
    "AFTER. AFTER is drawn where BEFORE's points meet it; what only AFTER has is not shown."
)


def scene_of_comparison(shapes: Shapes, *, case: str = "", most_faces: int = MOST_FACES) -> Scene | None:
    """What there is to show; None without a limb frame and a chart."""
    limb, d = shapes.limb, shapes.difference
    if limb is None or not shapes.anatomical:
        return None
    view = view_mesh(limb.mesh, most_faces)
    move = np.where(d.compared, d.outward, 0.0)
    regions, outlines = [], []
    # smaller regions last, so that one within another is told by its own name
    region_of = np.zeros(len(move), dtype=np.int64)
    for i, laid in enumerate(shapes.regions):
        spot = laid.region.anchor.spot
        at = limb.chart.point(np.array([spot.station_mm]), np.array([spot.angle_deg]))[0]
        mm = laid.figure_mm
        label = (f"{mm:+.1f} mm" if mm else "0.0 mm").replace("-", "\u2212") if np.isfinite(mm) else "not compared"
        regions.append(Named(laid.region.name, "reduce" if mm < 0 else "build-up", label, at))
        for ring in rings_of(laid.outline):
            outlines += [Line(points, i) for points in on_skin(limb.chart, ring)]
    for i in sorted(range(len(shapes.regions)), key=lambda i: -shapes.regions[i].whole.area_mm2):
        region_of[shapes.regions[i].has] = i + 1
    marks = [
        Mark(name, mark.source, float(mark.uncertainty_mm), mark.points[len(mark.points) // 2])
        for name, mark in sorted(limb.landmarks.items())
        if len(mark.points) and not mark.beyond_capture
    ]
    return Scene(
        about={"case": case, "side": limb.side, "amputation": limb.amputation},
        lateral=limb.chart.lateral,
        view=view,
        captured=limb.mesh.vertices[view.kept],
        rectified=(limb.mesh.vertices + d.step)[view.kept],
        move=move[view.kept],
        top_mm=scale_top(move[shapes.counted]),
        regions=tuple(regions),
        outlines=tuple(outlines),
        marks=tuple(marks),
        trimline=None,
        region_of=region_of[view.kept],
        filled=~d.compared[view.kept],
        levels=level_table(limb.profile, limb.mesh, d.after),
        frame=limb.frame,
        words=_WORDS,
    )


def view_section(shapes: Shapes, facts: dict[str, Any]) -> Html:
    """The view, hidden until its script has found that it can be shown; nothing where there is no scene."""
    scene = scene_of_comparison(shapes, case=facts["before"]["case"] or facts["after"]["case"] or "")
    if scene is None:
        return Html("")
    light = (
        f" The picture is simplified, {len(scene.view.faces)} of {scene.view.whole_faces} faces; every figure is that "
        "of the whole surface."
        if scene.view.simplified
        else ""
    )
    label = text("AFTER in three dimensions, coloured by how far it lies from BEFORE; the tables below say the same.")
    return section(
        "view",
        "Before against after",
        Html(f"<p data-part='note'>{text(_NOTE)}</p>"),
        Html(
            "<div class='stage'><div class='tools' data-part='controls'></div>"
            f"<div class='picture' data-part='picture' data-label=\"{label}\"></div>"
            "<div class='under'><div data-part='scale'></div>"
            f"<p><small>{text(_COLOURS + light)}</small></p></div>"
            f"<div class='cut' data-part='section'></div><p><small>{text(_HOW)}</small></p>"
            "<p class='unseen' data-part='said' aria-live='polite'></p></div>"
        ),
        Html(f"<script type='application/octet-stream' id='view-data'>{packed_text(pack(scene))}</script>"),
    )
