"""The unrolled map: the limb opened along the back and laid flat, coloured by how far each place moved.

Across runs the angle, anterior in the middle; down runs the station, proximal at the top, the end cap below a line.
It shows the limb as somebody sees it who faces its front: on a right limb lateral lies to the left of the middle,
on a left limb to the right, as in the picture from the front. Where there is no skin the map stays white.

Promised: the same outcome gives the same bytes, on one version of the drawing library.
"""

from __future__ import annotations

import io
import logging
import re
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from rectify.geometry.mesh import Floats
from rectify.report.map_marks import draw_landmarks, draw_outlines, draw_trimline, region_labels, write_names
from rectify.report.unrolled_field import Field, displacement_field
from rectify.viewer.colours import INK, displacement_colours, scale_top

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from rectify.report.shown import Shown

__all__ = ["map_picture", "unrolled_map"]

_WIDTH_IN, _MAP_IN, _LEFT_IN, _BELOW_IN, _ABOVE_IN = 7.4, 5.95, 0.62, 0.28, 0.36
_SHORTEST_IN, _TALLEST_IN = 3.4, 6.6
_TITLE_IN = 0.24
_SMOOTH_PX = 2.0  # of the contour lines only
_TICK_PT, _CONTOUR_PT = 7.0, 4.8
_LEVEL_STEP_MM = 50.0
_STRIPE_PX, _STRIPE = 8, (70, 74, 80)
_RIM = (
    '#unrolled [id^="name-"] text{paint-order:stroke;stroke:#fff;stroke-opacity:.85;stroke-width:2px;'
    "stroke-linejoin:round}"
)
_MANY_MM = 6.0  # a scale that goes past this has a contour every 2 mm


def unrolled_map(outcome: Shown) -> str:
    """The map as an SVG element to stand in a page, 7.4 inches wide."""
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    with mpl.rc_context(_style()):
        figure = _drawn(outcome)
        FigureCanvasSVG(figure)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return _tidied(out.getvalue())


def map_picture(outcome: Shown, title: str, dpi: int = 150) -> bytes:
    """The map as a PNG of its own, with a line above it that says what it shows."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.patheffects import withStroke

    with mpl.rc_context(_style()):
        figure = _drawn(outcome, title)
        FigureCanvasAgg(figure)
        for name in figure.axes[0].texts:
            name.set_path_effects([withStroke(linewidth=1.6, foreground="white", alpha=0.85)])
        out = io.BytesIO()
        figure.savefig(out, format="png", dpi=dpi, metadata={"Software": None})
    return out.getvalue()


def _style() -> Any:
    logging.getLogger("matplotlib").setLevel(logging.ERROR)  # where it may keep its caches is no matter of the user's
    return {
        "svg.hashsalt": "rectify",
        "svg.fonttype": "none",
        "font.family": "DejaVu Sans",
        "text.parse_math": False,
        "text.color": INK,
        "axes.edgecolor": INK,
        "xtick.color": INK,
        "ytick.color": INK,
        "axes.labelcolor": INK,
        "font.size": _TICK_PT,
        "axes.linewidth": 0.7,
    }


def _drawn(outcome: Shown, title: str = "") -> Figure:
    from matplotlib.figure import Figure

    field = displacement_field(outcome)
    tall = _height_in(outcome)
    whole = tall + _BELOW_IN + _ABOVE_IN + (_TITLE_IN if title else 0.0)
    figure = Figure(figsize=(_WIDTH_IN, whole), dpi=72)
    box = (_LEFT_IN / _WIDTH_IN, _BELOW_IN / whole, _MAP_IN / _WIDTH_IN, tall / whole)
    ax = figure.add_axes(box)
    _paint(ax, outcome, field)
    _scales(ax, outcome)
    draw_outlines(ax, outcome)
    draw_trimline(ax, outcome)
    marks = draw_landmarks(ax, outcome)
    write_names(ax, region_labels(outcome), marks)
    _colour_bar(figure, (box[0] + box[2] + 0.3 / _WIDTH_IN, box[1], 0.13 / _WIDTH_IN, 0.95 * box[3]), outcome)
    if title:
        figure.text(box[0], 1.0 - 0.08 / whole, title, fontsize=8.5, va="top")
    return figure


def _tidied(svg: str) -> str:
    """The picture alone, to a hundredth of a point, with fonts of about one width to fall back on, and names with a
    white rim so that they read on any colour."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"\s*<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r' d="[^"]*"', lambda d: re.sub(r"\d+\.\d+", lambda n: f"{float(n[0]):.2f}", d[0]), svg)
    svg = svg.replace("'DejaVu Sans'", "'DejaVu Sans', Verdana, sans-serif")
    svg = svg.replace("*{stroke-linejoin", _RIM + "#unrolled *{stroke-linejoin", 1)
    return svg.replace("<svg ", '<svg id="unrolled" ', 1)


def _height_in(outcome: Shown) -> float:
    """So that a mm along is about a mm around, in the middle of the wall."""
    chart = outcome.limb.chart
    around = 2 * np.pi * chart.mean_radius((chart.top_mm + chart.centre_mm) / 2)
    return float(np.clip((chart.pole_mm - chart.top_mm) / around * _MAP_IN, _SHORTEST_IN, _TALLEST_IN))


def _paint(ax: Axes, outcome: Shown, field: Field) -> None:
    """The colours, and contour lines: solid where material was added, dashed where it was taken."""
    chart, top = outcome.limb.chart, scale_top(outcome.worked)
    move, across = field.move, -chart.lateral * field.angles
    filled = field.filled
    if chart.lateral > 0:
        move, across, filled = move[:, ::-1], across[::-1], filled[:, ::-1]
    extent = (-180.0, 180.0, chart.pole_mm, chart.top_mm)
    picture = np.round(displacement_colours(move, top)).astype(np.uint8)
    row, column = np.indices(filled.shape)
    picture[filled & ((row + column) % _STRIPE_PX < _STRIPE_PX // 4)] = _STRIPE
    ax.imshow(picture, extent=extent, aspect="auto", interpolation="none", zorder=0)
    # at half millimetres: amounts are mostly whole ones, and a contour at a plateau's own height is only noise
    levels = np.arange(0.5, top, 1.0 if top <= _MANY_MM else 2.0)
    smooth = _smoothed(move)
    for sign, dash in ((1.0, "solid"), (-1.0, (0, (3.2, 1.6)))):
        here = np.sort(sign * levels)
        here = here[(here > np.nanmin(smooth)) & (here < np.nanmax(smooth))]
        if len(here) == 0:
            continue
        lines = ax.contour(
            across, field.stations, smooth, here, colors=INK, linewidths=0.4, linestyles=[dash], alpha=0.75, zorder=1
        )
        ax.clabel(lines, fmt=lambda x: f"{x:+.1f}".replace("-", "\u2212"), fontsize=_CONTOUR_PT, inline_spacing=1)


def _smoothed(move: Floats) -> np.ma.MaskedArray[Any, Any]:
    """The field a little smoothed, over the seam, without a step where the skin ends."""
    there = np.isfinite(move)
    weight = _blurred(there.astype(np.float64))
    value = _blurred(np.where(there, move, 0.0))
    smooth = np.divide(value, weight, out=np.zeros_like(value), where=weight > 1e-3)
    return np.ma.masked_array(smooth, ~there)


def _blurred(grid: Floats) -> Floats:
    along = ndimage.gaussian_filter1d(grid, _SMOOTH_PX, axis=0, mode="nearest")
    return np.asarray(ndimage.gaussian_filter1d(along, _SMOOTH_PX, axis=1, mode="wrap"))


def _scales(ax: Axes, outcome: Shown) -> None:
    """Levels down the left, the four sides across the top, degrees below."""
    chart = outcome.limb.chart
    first = np.ceil(chart.top_mm / _LEVEL_STEP_MM) * _LEVEL_STEP_MM
    levels = np.arange(first, chart.centre_mm - 4.0, _LEVEL_STEP_MM)
    ax.set_yticks([*levels, chart.pole_mm], [f"{x:.0f}".replace("-", "\u2212") for x in levels] + ["end"])
    ax.set_ylabel("level, mm", labelpad=1)
    ax.set_xlim(-180, 180)
    ax.set_ylim(chart.pole_mm, chart.top_mm)
    sides = ("posterior", "lateral", "anterior", "medial", "posterior")
    places = np.array([-180.0, -90.0, 0.0, 90.0, 180.0])
    angles = (-chart.lateral * places) % 360.0
    ax.set_xticks(places, [f"{a:.0f}°" for a in angles])
    above = ax.secondary_xaxis("top")
    above.set_xticks(places, sides if chart.lateral > 0 else sides[::-1], fontsize=8.5, fontweight="bold")
    for axis in (ax, above):
        axis.tick_params(length=3, width=0.6, pad=2)
    for level in levels:
        ax.axhline(level, color=INK, lw=0.9 if level == 0 else 0.3, alpha=0.55 if level == 0 else 0.3, zorder=0.5)
    for place in places[1:-1]:
        ax.axvline(place, color=INK, lw=0.3, alpha=0.3, zorder=0.5)
    ax.axhline(chart.centre_mm, color=INK, lw=1.0, zorder=0.6)
    ax.text(-178, chart.centre_mm + 1.0, "end cap", fontsize=5.6, va="top", ha="left", zorder=4, gid="name-cap")


def _colour_bar(figure: Figure, box: tuple[float, float, float, float], outcome: Shown) -> None:
    top = scale_top(outcome.worked)
    bar = figure.add_axes(box)
    values = np.linspace(top, -top, 201)[:, None]
    colours = np.round(displacement_colours(values, top)).astype(np.uint8)
    bar.imshow(colours, extent=(0.0, 1.0, -top, top), aspect="auto", interpolation="none")
    bar.set_xticks([])
    step = 1.0 if top <= _MANY_MM else 2.0
    ticks = np.arange(-np.floor(top / step) * step, top + 0.01, step)
    bar.set_yticks(ticks, [f"{x:+.0f}".replace("-", "\u2212") if x else "0" for x in ticks])
    bar.yaxis.tick_right()
    bar.tick_params(length=2.5, width=0.6, pad=2)
    bar.set_title("mm", fontsize=_TICK_PT, pad=4)
    for y, words in ((0.75, "built up (outward)"), (0.25, "reduced (inward)")):
        bar.text(-0.5, y, words, transform=bar.transAxes, rotation=90, ha="right", va="center", fontsize=_TICK_PT)
