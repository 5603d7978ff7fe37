"""What the viewer is given to show: two positions of one surface, the move between them, and what lies on it.

Figures are the engine's and the limb room's. What is worked out here is which part of a mesh is shown, and in which
of its faces outlines and landmarks lie.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rectify.engine.brim import brim_curve
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.nearest import nearest
from rectify.limb.measure import Profile, measure_levels
from rectify.limb.vocabulary import vocabulary
from rectify.rulebook.describe import ACTION_WORDS
from rectify.viewer.colours import scale_top
from rectify.viewer.outlines import on_skin, rings_of
from rectify.viewer.simplify import ViewMesh, view_mesh

if TYPE_CHECKING:
    from rectify.engine import Outcome
    from rectify.rulebook.plan import RegionPlan

__all__ = [
    "LEVEL_COLUMNS",
    "MOST_FACES",
    "Line",
    "Mark",
    "Named",
    "Scene",
    "level_table",
    "places_in_faces",
    "scene_of",
]

MOST_FACES = 60_000  # a picture of 1000 pixels shows no more; about 0.6 MB of a page
LEVEL_COLUMNS = (
    "level_mm",
    "circumference_before_mm",
    "circumference_after_mm",
    "ap_before_mm",
    "ap_after_mm",
    "ml_before_mm",
    "ml_after_mm",
    "area_before_mm2",
    "area_after_mm2",
)
_LEVEL_STEP_MM = 2.0
_MEASURES = ("circumference", "ap", "ml", "area")


@dataclass(frozen=True, eq=False)
class Line:
    """A line on the captured surface: points (k, 3) mm; of region number `region` where it is an outline."""

    points: Points
    region: int = -1


@dataclass(frozen=True, eq=False)
class Mark:
    """A landmark: its first or middle point on the captured surface, (3,) mm, and how it is known."""

    name: str
    source: str
    uncertainty_mm: float
    point: Floats


@dataclass(frozen=True, eq=False)
class Named:
    """A region: its name, action, what is written beside it, and where its name belongs, (3,) mm."""

    name: str
    action: str
    label: str
    point: Floats


@dataclass(frozen=True)
class Words:
    """What the two surfaces and the two ways are called: of a rectification, unless somebody says otherwise.

    Parameters
    ----------
    change, both, captured : what the buttons for the three ways of showing say
    change_means, both_means, captured_means : the same in full
    before, after : headings of figures
    less, more : ends of the colour scale
    """

    change: str = "Change"
    both: str = "Both"
    captured: str = "Captured"
    change_means: str = "the rectified model, coloured by how far it moved"
    both_means: str = "the captured surface as glass over the rectified one"
    captured_means: str = "the captured surface alone"
    before: str = "captured"
    after: str = "rectified"
    less: str = "reduced"
    more: str = "built up"


@dataclass(frozen=True, eq=False)
class Scene:
    """Everything that the viewer shows, in mm and the limb frame.

    Parameters
    ----------
    about : dict
        What the picture is of: case, side, amputation.
    lateral : float
        +1 on a right limb, -1 on a left one.
    view : ViewMesh
    captured, rectified : (v, 3) mm
        Of the vertices that `view` keeps.
    move : (v,) mm
    top_mm : float
        Where the colour scale ends, either way.
    regions, outlines, marks : what lies on the surface; `trimline` too, where there is one
    region_of : (v,) int64
        1 + the number of the region that weighs most at each vertex, 0 where none does.
    filled : (v,) bool
        Where a hole of the scan was filled.
    levels : (k, 9) mm, mm²
        LEVEL_COLUMNS; NaN where a section is open or not there. Without what forms the brim, as in the report.
    frame : (4, 4)
        From the scan's own axes to the limb frame.
    words : Words
    """

    about: dict[str, Any]
    lateral: float
    view: ViewMesh
    captured: Points
    rectified: Points
    move: Floats
    top_mm: float
    regions: tuple[Named, ...]
    outlines: tuple[Line, ...]
    marks: tuple[Mark, ...]
    trimline: Line | None
    region_of: NDArray[np.int64]
    filled: NDArray[np.bool_]
    levels: Floats
    frame: Floats
    words: Words = Words()


def scene_of(outcome: Outcome, *, case: str = "", most_faces: int = MOST_FACES) -> Scene:
    """What there is to show of a rectification.

    Parameters
    ----------
    outcome : Outcome
    case : str
        The case's code.
    most_faces : int
        A surface with more is shown with about so many; every figure stays that of the whole.
    """
    limb, view = outcome.limb, view_mesh(outcome.limb.mesh, most_faces)
    filled = np.zeros(len(outcome.move), dtype=bool)
    filled[limb.invented] = True
    return Scene(
        about={"case": case, "side": limb.side, "amputation": limb.amputation},
        lateral=limb.chart.lateral,
        view=view,
        captured=limb.mesh.vertices[view.kept],
        rectified=outcome.mesh.vertices[view.kept],
        move=outcome.move[view.kept],
        top_mm=scale_top(outcome.worked),
        regions=_regions(outcome),
        outlines=tuple(_outlines(outcome)),
        marks=_marks(outcome),
        trimline=_trimline(outcome),
        region_of=_region_of(outcome)[view.kept],
        filled=filled[view.kept],
        levels=level_table(limb.profile, limb.mesh, outcome.unbrimmed),
        frame=limb.frame,
    )


def level_table(known: Profile, captured: Mesh, rectified: Mesh) -> Floats:
    """Exact figures of both surfaces every 2 mm: (k, 9) in LEVEL_COLUMNS' order, levels ascending.

    Parameters
    ----------
    known : Profile
        What was measured on the captured surface already; taken where its levels are the wanted ones.
    captured, rectified : Mesh
    """
    top = min(-float(m.vertices[:, 2].max()) for m in (captured, rectified))
    tip = max(-float(m.vertices[:, 2].min()) for m in (captured, rectified))
    levels = np.arange(np.ceil(top / _LEVEL_STEP_MM) * _LEVEL_STEP_MM, tip, _LEVEL_STEP_MM)
    after = measure_levels(rectified, levels)
    same = np.array_equal(known.levels, levels[: len(known.levels)])
    before = known if same else measure_levels(captured, levels)
    columns = [levels]
    for name in _MEASURES:
        for profile in (before, after):
            column = np.full(len(levels), np.nan)
            values = getattr(profile, name)
            column[: len(values)] = values
            columns.append(column)
    return np.stack(columns, axis=1)


def _region_of(outcome: Outcome) -> NDArray[np.int64]:
    weight = outcome.asked.weight
    if len(weight) == 0:
        return np.zeros(len(outcome.move), dtype=np.int64)
    # a build-up outranks a reduction, as it does in the shape
    rank = np.array([2.0 if region.action == "build-up" else 1.0 for region in outcome.plan.regions])
    ranked = np.where(weight > 0, weight + rank[:, None], 0.0)
    return np.where(ranked.max(axis=0) > 0, 1 + np.argmax(ranked, axis=0), 0)


def _regions(outcome: Outcome) -> tuple[Named, ...]:
    out = []
    for r in outcome.regions:
        spot = r.region.anchor.spot
        point = outcome.limb.chart.point(np.array([spot.station_mm]), np.array([spot.angle_deg]))[0]
        out.append(Named(r.region.name, r.region.action, amount_words(r.region, r.achieved_mm), point))
    return tuple(out)


def amount_words(region: RegionPlan, achieved_mm: float) -> str:
    """What stands beside a region's name in a picture: what it achieved, or what was asked where it is covered."""
    amount = region.asked_mm if np.isnan(achieved_mm) else achieved_mm
    sign = "+" if region.action == "build-up" else "\u2212"
    return f"{ACTION_WORDS[region.action]} {amount:.1f} mm" if region.forms else f"{sign}{amount:.1f} mm"


def _outlines(outcome: Outcome) -> list[Line]:
    """Every outline as far as there is skin, a point every few mm."""
    out = []
    for i, r in enumerate(outcome.regions):
        for ring in rings_of(r.outline):
            out += [Line(points, i) for points in on_skin(outcome.limb.chart, ring)]
    return out


def _trimline(outcome: Outcome) -> Line | None:
    """The trimline, its corners rounded as they will be cut: its longest stretch that lies on skin."""
    brim = outcome.plan.brim
    if brim is None or len(brim.line) < 2:
        return None
    along, degrees, _ = brim_curve(outcome.limb.chart, brim)
    places = np.stack([np.append(along, along[0]), np.append(degrees, degrees[0])], axis=1)
    lines = on_skin(outcome.limb.chart, places)
    return Line(max(lines, key=len)) if lines else None


def _marks(outcome: Outcome) -> tuple[Mark, ...]:
    """Landmarks that lie on the captured surface, by name; those that are a level only have no one place."""
    limb, names = outcome.limb, vocabulary(outcome.limb.amputation).names
    out = []
    for name in sorted(limb.landmarks):
        mark = limb.landmarks[name]
        if mark.absent or mark.beyond_capture or not mark.spots or (name in names and names[name].level_only):
            continue
        spot = mark.spots[len(mark.spots) // 2]
        point = limb.chart.point(np.array([spot.station_mm]), np.array([spot.angle_deg]))[0]
        out.append(Mark(name, mark.source, float(mark.uncertainty_mm), point))
    return tuple(out)


def places_in_faces(points: Points, vertices: Points, faces: NDArray[np.int64]) -> tuple[NDArray[np.int64], Floats]:
    """The face nearest to each point: its corners (k, 3), and their weights (k, 3), which add up to one."""
    _, face, place = nearest(points, vertices, faces)
    corners = faces[face] if len(points) else np.zeros((0, 3), dtype=np.int64)
    a, b, c = (vertices[corners[:, i]] for i in range(3))
    normal = np.cross(b - a, c - a)
    twice = np.einsum("ij,ij->i", normal, normal)
    twice = np.where(twice > 0, twice, 1.0)
    u = np.einsum("ij,ij->i", np.cross(b - place, c - place), normal) / twice
    v = np.einsum("ij,ij->i", np.cross(c - place, a - place), normal) / twice
    weights = np.clip(np.stack([u, v, 1.0 - u - v], axis=1), 0.0, 1.0)
    return corners, weights / weights.sum(axis=1, keepdims=True)
