"""What is drawn on the unrolled map: region outlines, landmarks, trimline, names.

Places come as (station, angle); across the map runs minus the angle on a right limb and the angle on a left one.
What crosses the seam at the back is drawn on both sides of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rectify.engine.brim import brim_curve
from rectify.limb.chart import wrap_deg
from rectify.limb.vocabulary import vocabulary
from rectify.report.labels import Label, place_labels
from rectify.viewer.colours import INK, PENCIL
from rectify.viewer.outlines import rings_of
from rectify.viewer.scene import amount_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.transforms import Transform

    from rectify.report.shown import Shown

__all__ = ["Name", "draw_landmarks", "draw_outlines", "draw_trimline", "region_labels", "write_names"]

_REGION_PT, _MARK_PT = 6.4, 5.4
_LEADER_FROM_PT = 5.0
_POLE_NEAR_MM = 1.0
_UNSURE_MM = 0.5  # from here on an uncertainty is drawn


@dataclass(frozen=True)
class Name:
    """A name for the map: its lines, the place it names (map coordinates), how it is written."""

    lines: tuple[str, ...]
    at: tuple[float, float]
    size_pt: float
    bold: bool


def _across(outcome: Shown, angles: NDArray[np.float64]) -> NDArray[np.float64]:
    return -outcome.limb.chart.lateral * angles


def _laid(outcome: Shown, ring: NDArray[np.float64]) -> Iterator[NDArray[np.float64]]:
    """A line of places (k, 2) in map coordinates, once for every turn in which it shows."""
    x = np.degrees(np.unwrap(np.radians(_across(outcome, ring[:, 1]))))
    for turn in (-720.0, -360.0, 0.0, 360.0, 720.0):
        if x.min() + turn < 180.0 and x.max() + turn > -180.0:
            yield np.stack([x + turn, ring[:, 0]], axis=1)


def draw_outlines(ax: Axes, outcome: Shown) -> None:
    """The pencil lines: solid round a build-up, dashed round a reduction, dashes and dots round a formed wall."""
    for r in outcome.regions:
        style: str | tuple[int, tuple[float, ...]] = "solid" if r.region.action == "build-up" else (0, (4.0, 2.0))
        style = (0, (6.0, 1.5, 1.5, 1.5)) if r.region.forms else style
        for ring in rings_of(r.outline):
            for line in _laid(outcome, ring):
                ax.plot(line[:, 0], line[:, 1], color="white", lw=2.2, alpha=0.6, zorder=1.9)
                ax.plot(line[:, 0], line[:, 1], color=PENCIL, lw=1.0, linestyle=style, zorder=2)


def draw_trimline(ax: Axes, outcome: Shown) -> None:
    """The trimline, its corners rounded as they will be cut."""
    brim = outcome.plan.brim
    if brim is None or len(brim.line) < 2:
        return
    along, degrees, _ = brim_curve(outcome.limb.chart, brim)
    places = np.stack([np.append(along, along[0]), np.append(degrees, degrees[0])], axis=1)
    for line in _laid(outcome, places):
        ax.plot(line[:, 0], line[:, 1], color=INK, lw=0.9, linestyle=(0, (6.0, 1.5, 1.0, 1.5)), zorder=1.8)
    left = min(places[:-1], key=lambda p: float(np.round(wrap_deg(_across(outcome, p[1])), 3)))
    ax.text(-178, left[0] - 1.5, "trimline", fontsize=_MARK_PT, va="bottom", ha="left", gid="name-trimline", zorder=4)


# -- landmarks -------------------------------------------------------------------------------------


def draw_landmarks(ax: Axes, outcome: Shown) -> list[Name]:
    """Marked ones filled, computed ones hollow, estimated ones crossed, with a ring as wide as the uncertainty;
    levels as dotted lines. Returns their names; a landmark that a region is named after needs none."""
    limb, names = outcome.limb, vocabulary(outcome.limb.amputation).names
    regions = {r.region.name for r in outcome.regions}
    out = []
    for name in sorted(limb.landmarks):
        mark = limb.landmarks[name]
        if mark.absent or not mark.spots:
            continue
        places = np.array([(s.station_mm, s.angle_deg) for s in mark.spots])
        unsure = f" \u00b1{mark.uncertainty_mm:.0f} mm" if mark.uncertainty_mm >= _UNSURE_MM else ""
        if name in names and names[name].level_only:
            _draw_level(ax, places[0, 0], name + unsure)
            continue
        places = places[(places[:, 0] > limb.chart.top_mm) & (places[:, 0] < limb.chart.pole_mm - _POLE_NEAR_MM)]
        if len(places) == 0:
            continue
        x, y = wrap_deg(_across(outcome, places[:, 1])), places[:, 0]
        _draw_dots(ax, x, y, mark.source)
        if len(places) > 1:
            for line in _laid(outcome, places):
                ax.plot(line[:, 0], line[:, 1], color=INK, lw=0.5, linestyle=(0, (1.0, 1.5)), zorder=2.5)
        if unsure:
            _draw_ring(ax, outcome, places[0], mark.uncertainty_mm)
        middle = len(places) // 2
        words = (name + unsure,) if unsure or name not in regions else ()
        out.append(Name(words, (float(x[middle]), float(y[middle])), _MARK_PT, False))
    return out


def _draw_level(ax: Axes, station: float, words: str) -> None:
    where: Any = {"va": "bottom", "ha": "right", "gid": f"name-{words.split()[0]}"}
    ax.axhline(station, color=INK, lw=0.7, linestyle=(0, (1.0, 2.0)), zorder=1.5)
    ax.text(178, station - 0.8, words, fontsize=_MARK_PT, zorder=4, **where)


def _draw_dots(ax: Axes, x: NDArray[np.float64], y: NDArray[np.float64], source: str) -> None:
    face = INK if source in ("marked", "mark") else "white"
    ax.plot(x, y, "o", ms=3.2, mfc=face, mec=INK, mew=0.7, zorder=3, linestyle="none")
    if source == "estimated":
        ax.plot(x, y, "x", ms=4.6, color=INK, mew=0.8, zorder=3.1, linestyle="none")


def _draw_ring(ax: Axes, outcome: Shown, place: NDArray[np.float64], unsure_mm: float) -> None:
    """How far the true place may lie away, drawn to scale."""
    turn = np.linspace(0.0, 2 * np.pi, 73)
    around = max(outcome.limb.chart.mean_radius(float(place[0])), unsure_mm)
    angles = place[1] + np.degrees(unsure_mm * np.sin(turn) / around)
    for line in _laid(outcome, np.stack([place[0] + unsure_mm * np.cos(turn), angles], axis=1)):
        ax.plot(line[:, 0], line[:, 1], color=INK, lw=0.6, linestyle=(0, (2.0, 1.2)), zorder=2.6)


# -- names -----------------------------------------------------------------------------------------


def region_labels(outcome: Shown) -> list[Name]:
    """Each region's name and what it achieved, largest region first."""
    out = []
    for r in sorted(outcome.regions, key=lambda r: (-round(r.area_mm2), r.region.name)):
        spot = r.region.anchor.spot
        station = min(spot.station_mm, outcome.limb.chart.pole_mm - 3.0)
        at = (float(wrap_deg(_across(outcome, np.array(spot.angle_deg)))), station)
        out.append(Name((r.region.name, amount_words(r.region, r.achieved_mm)), at, _REGION_PT, True))
    return out


def write_names(ax: Axes, regions: list[Name], marks: list[Name]) -> None:
    """Lay all names down, regions first, with a thin line to what they name where they had to move away."""
    names = [*regions, *(m for m in marks if m.lines)]
    if not names:
        return
    labels = [_label(ax, name, centred=name.bold) for name in names]
    dots = ax.transData.transform(np.array([m.at for m in marks])) if marks else np.zeros((0, 2))
    box = ax.get_window_extent()
    taken = np.concatenate([dots - 2.2, dots + 2.2], axis=1)
    middles = place_labels(labels, (box.x0 + 1.5, box.y0 + 1.5, box.x1 - 1.5, box.y1 - 1.5), taken)
    plain = _points(ax)
    for i, (name, label, (x, y)) in enumerate(zip(names, labels, middles, strict=True)):
        _leader(ax, label, x, y)
        ax.text(
            x,
            y,
            "\n".join(name.lines),
            transform=plain,
            fontsize=name.size_pt,
            color=INK,
            ha="center",
            va="center",
            linespacing=1.05,
            fontweight="bold" if name.bold else "normal",
            gid=f"name-{i}",
            zorder=5,
        )


def _label(ax: Axes, name: Name, *, centred: bool) -> Label:
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(size=name.size_pt, weight="bold" if name.bold else "normal")
    widths = [text_to_path.get_text_width_height_descent(line, font, False)[0] for line in name.lines]
    x, y = ax.transData.transform(name.at)
    return Label((float(x), float(y)), max(widths) + 2.0, len(name.lines) * name.size_pt * 1.12 + 1.0, centred)


def _points(ax: Axes) -> Transform:
    """Points of the whole figure, whatever it is drawn at: names are laid out at 72 dots to the inch."""
    from matplotlib.transforms import Affine2D

    return Affine2D().scale(1.0 / 72.0) + ax.get_figure(root=True).dpi_scale_trans  # type: ignore[union-attr]


def _leader(ax: Axes, label: Label, x: float, y: float) -> None:
    half = np.array([label.width, label.height]) / 2
    anchor, middle = np.array(label.anchor), np.array([x, y])
    edge = np.clip(anchor, middle - half, middle + half)
    if np.linalg.norm(edge - anchor) > _LEADER_FROM_PT:
        ax.plot([edge[0], anchor[0]], [edge[1], anchor[1]], color=INK, lw=0.4, transform=_points(ax), zorder=4.5)
