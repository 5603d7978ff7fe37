"""Sections at five levels, captured and rectified over each other, to one scale: what was added and what was taken.

Seen from above with anterior at the top, as one looks down on a model that stands: x, the person's right, runs to
the right. Figures beside them are the facts' own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from rectify.geometry.mesh import Points
from rectify.geometry.sections import cut
from rectify.report.markup import Html, join, number, section, text

if TYPE_CHECKING:
    from rectify.engine import Outcome

__all__ = ["chosen_levels", "overlay_section"]

Facts = dict[str, Any]

_HOW_MANY = 5
_FINE_MM = 0.05  # an outline drawn closer than this looks the same on any paper
_ROOM = 1.24  # of the widest place, so that the words stand clear of the outlines
_RULE_MM = 20.0
_NOTE = (
    "From above, anterior at the top, all to one scale. Solid: the rectified model; dashed: the captured surface. "
    "Brown where material was added, teal where it was taken. Figures in mm, captured \u2192 "
    "rectified, without what forms the brim."
)
_ADDED, _TAKEN = "#d4a056", "#62b0ac"


def overlay_section(facts: Facts, outcome: Outcome) -> Html:
    """The part of the page; empty where no section is closed."""
    rows = chosen_levels(facts["levels"])
    if not rows:
        return Html("")
    levels = np.array([row["level_mm"] for row in rows])
    cuts = [cut(mesh, -mesh.vertices[:, 2], levels) for mesh in (outcome.limb.mesh, outcome.mesh)]
    lines = [[[line[:, :2] for line in c.lines(i)] for i in range(len(levels))] for c in cuts]
    reach = _ROOM * max(float(np.abs(p).max()) for kind in lines for level in kind for p in level)
    sides = ("medial", "lateral") if facts["side"] == "right" else ("lateral", "medial")
    figures = join(_figure(row, lines[0][i], lines[1][i], reach, sides) for i, row in enumerate(rows))
    note = Html(f"<p><small>{text(_NOTE)}</small></p>")
    return section("sections", "Sections at five levels", Html(f"<div class='cuts'>{figures}</div>"), note)


def chosen_levels(rows: list[Facts]) -> list[Facts]:
    """Five of the levels whose sections are closed before and after, evenly between the first and the last; fewer
    where there are fewer."""
    closed = [r for r in rows if r["circumference_before_mm"] is not None and r["circumference_after_mm"] is not None]
    if len(closed) <= _HOW_MANY:
        return closed
    # a little in from both ends: the first lies at the open edge, the last cuts the tip
    at = np.round(np.linspace(0.1, 0.93, _HOW_MANY) * (len(closed) - 1)).astype(int)
    return [closed[i] for i in at]


def _figure(row: Facts, before: list[Points], after: list[Points], reach: float, sides: tuple[str, str]) -> Html:
    r = f"{reach:.1f}"
    box = f"viewBox='-{r} -{r} {2 * reach:.1f} {2 * reach:.1f}'"
    was, now = _area(before), _area(after)
    added, taken = shapely.difference(now, was), shapely.difference(was, now)
    fills = "".join(
        f"<path d='{_path_of_area(shape)}' fill='{colour}'/>" for shape, colour in ((added, _ADDED), (taken, _TAKEN))
    )
    size = f"{reach / 9:.1f}"
    words = (
        f"<g font-size='{size}' fill='#565d63'><text x='0' y='-{reach * 0.9:.1f}' text-anchor='middle'>anterior</text>"
        f"<text x='-{r}' y='-2'>{sides[0]}</text><text x='{r}' y='-2' text-anchor='end'>{sides[1]}</text>"
        f"<path d='M{-reach:.1f} {reach * 0.94:.1f}h{_RULE_MM:g}m0 -2v4m{-_RULE_MM:g} 0v-4' stroke='#20262b' "
        f"stroke-width='.7' fill='none'/><text x='{_RULE_MM + 2 - reach:.1f}' y='{reach * 0.97:.1f}'>"
        f"{_RULE_MM:g} mm</text></g>"
    )
    level = number(row["level_mm"], 0)
    told = [f"{name} {row[key + '_before_mm']:.1f} to {row[key + '_after_mm']:.1f} mm" for name, key in _FIGURES]
    alt = text(f"Section at level {level} mm, captured and rectified: {'; '.join(told)}")
    svg = (
        f"<svg {box} role='img' aria-label=\"{alt}\"><path d='M-{r} 0H{r}M0 -{r}V{r}' stroke='#cfc9bc' "
        f"stroke-width='.5'/>{fills}<path d='{_path(before)}' fill='none' stroke='#565d63' stroke-width='.9' "
        f"stroke-dasharray='3 2'/><path d='{_path(after)}' fill='none' stroke='#20262b' stroke-width='1.3'/>"
        f"{words}</svg>"
    )
    dims = "<br>".join(
        f"{name} <span>{number(row[key + '_before_mm'])} \u2192 {number(row[key + '_after_mm'])}</span>"
        for name, key in _FIGURES
    )
    return Html(f"<figure>{svg}<figcaption><b>level {level} mm</b><br>{dims}</figcaption></figure>")


_FIGURES = (("AP", "ap"), ("ML", "ml"), ("circumference", "circumference"))


def _area(lines: list[Points]) -> shapely.Geometry:
    rings = [shapely.Polygon(line) for line in lines if len(line) > 3]
    return shapely.union_all(shapely.buffer(rings, 0)) if rings else shapely.Polygon()


def _path_of_area(shape: shapely.Geometry) -> str:
    pieces = [p for p in shapely.get_parts(shape) if isinstance(p, shapely.Polygon)]
    rings = [ring for p in pieces for ring in (p.exterior, *p.interiors)]
    return _path([np.asarray(ring.coords) for ring in rings])


def _path(lines: list[Points]) -> str:
    """SVG path of lines in mm, y upward in the limb and downward in the picture."""
    out = []
    for line in lines:
        if len(line) < 2:
            continue
        thin = shapely.get_coordinates(shapely.simplify(shapely.LineString(line), _FINE_MM))
        out.append("M" + "L".join(f"{x:.1f} {-y + 0.0:.1f}" for x, y in thin))
    return "".join(out)
