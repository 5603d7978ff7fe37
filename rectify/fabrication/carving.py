"""A positive model to be carved: the exact shape up to its trimline, waste above it, and what a cutter makes of it.

    Positive + CarvingSpec -> CarvingModel -> folder of files

The exact rectified model lies beside it in the folder, untouched. Within the trimline the carving model has the very
vertices of the exact one, but for a scribed groove where one is asked for.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from math import ceil
from pathlib import Path
from typing import Any

import numpy as np

import rectify
from rectify.errors import InputError
from rectify.fabrication.cut_line import Within, within_trimline
from rectify.fabrication.cutter import Missed, missed_depths, missed_places
from rectify.fabrication.filed import check_sound, filed
from rectify.fabrication.made import Kind, save_made
from rectify.fabrication.mandrel import Mandrel, choose_mandrel, hidden_depths
from rectify.fabrication.manifest import FRAME
from rectify.fabrication.narrowing import Narrowing, narrowing
from rectify.fabrication.narrowing_facts import narrowing_facts, place_of
from rectify.fabrication.positive import Positive
from rectify.fabrication.skirt import Skirt, with_skirt
from rectify.geometry.diffuse import diffused
from rectify.geometry.edges import border_loops, survey
from rectify.geometry.mesh import Floats, Ints, Mesh
from rectify.geometry.normals import dots, face_cross, lengths, unit, vertex_normals
from rectify.geometry.refine import refine
from rectify.geometry.volume import volume

__all__ = ["CARVE_REPORT", "CarvingModel", "CarvingSpec", "make_carving"]

CARVE_REPORT = "carve-report.json"
_KIND = Kind("carve", "carving model", "carving-model", "model to be carved, with waste", CARVE_REPORT)
_OVER_MM = 1.0  # the exact surface goes so far past the line
_GROOVE_MM, _GROOVE_DEEP_MM, _GROOVE_EDGE_MM = 1.2, 0.8, 0.5  # half its width, its depth, the mesh there
_GROOVE_SMOOTH_MM = 2.5  # of the directions it is pressed in along: a facet's own would fold it
_STOCK_MM = 5.0  # a blank's measures are rounded up to this
_SHOWN = 12  # places told


@dataclass(frozen=True)
class CarvingSpec:
    """What is asked of a model to be carved; lengths mm.

    Parameters
    ----------
    skirt_mm : height of the waste above the highest point of the trimline
    bore_mm, bore_depth_mm : of the mandrel's bore; 0 for a flat base without one
    cutter_mm : diameter of the ball-ended cutter
    reach_mm : how far the cutter reaches in from the blank's outside; 0 where nobody says
    groove : scribe the trimline
    mark : cut the case code into the waste
    axes : "limb" or "mandrel", of the files
    """

    skirt_mm: float = 40.0
    bore_mm: float = 0.0
    bore_depth_mm: float = 0.0
    cutter_mm: float = 12.0
    reach_mm: float = 0.0
    groove: bool = False
    mark: bool = True
    axes: str = "limb"

    def __post_init__(self) -> None:
        for key, value, low, high in (
            ("skirt", self.skirt_mm, 5.0, 200.0),
            ("bore", self.bore_mm, 5.0, 80.0),
            ("bore-depth", self.bore_depth_mm, 5.0, 400.0),
            ("cutter", self.cutter_mm, 1.0, 50.0),
            ("reach", self.reach_mm, 10.0, 500.0),
        ):
            if (value or key in ("skirt", "cutter")) and not low <= value <= high:
                raise InputError("is out of range", key=key, wanted=f"{low:g} mm to {high:g} mm", found=f"{value:g} mm")
        if bool(self.bore_mm) != bool(self.bore_depth_mm):
            raise InputError(
                "needs a diameter and a depth", key="bore", hint="give --bore and --bore-depth, or neither"
            )


@dataclass(frozen=True, eq=False)
class CarvingModel:
    """A model to be carved and what was measured on it.

    Parameters
    ----------
    positive, spec : what went in
    within : Within
        The exact surface before a groove.
    mandrel : Mandrel
    mesh : Mesh
        The body, with the numbers of its file, in the axes asked for.
    letters_mm : height of the mark's letters; 0 where there is none
    hidden : (n,) mm
        Of each vertex of the exact surface: how deep it lies below what a cutter from the side makes.
    missed : places that are tighter than the cutter, the deepest first
    draft : Narrowing
        What holds a stiff shell that is pulled off along the mandrel.
    """

    positive: Positive
    spec: CarvingSpec
    within: Within
    mandrel: Mandrel
    mesh: Mesh
    letters_mm: float
    hidden: Floats
    missed: list[Missed]
    draft: Narrowing

    @cached_property
    def facts(self) -> dict[str, Any]:
        """What carve-report.json holds."""
        return _facts(self)

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write STL, 3MF, the exact model, report and manifest into a new folder, all of it or nothing.

        Raises
        ------
        OutputError
        """
        exact = "exact positive model, in the limb frame"
        frame = FRAME if self.spec.axes == "limb" else f"{_MANDREL_FRAME}; {self.positive.code}-rectified.stl: {FRAME}"
        return save_made(self.positive, _KIND, self.mesh, self.facts, folder, exact=exact, frame=frame, replace=replace)


_MANDREL_FRAME = "mandrel: z along it from the end to the base, x = y = 0 on it, +y as near to anterior as can be"


def make_carving(positive: Positive, spec: CarvingSpec | None = None) -> CarvingModel:
    """A model to be carved of a positive model.

    Raises
    ------
    InputError
        There is no trimline, it does not belong to the model, or a measure cannot be.
    RectifyError
        No sound body was found.
    """
    spec = CarvingSpec() if spec is None else spec
    if positive.trimline is None:
        raise InputError(
            "has no trimline, so nothing says where the waste begins",
            path=f"case {positive.code}",
            hint="give the rulebook a brim, or a curve with --trimline FILE",
        )
    over = _OVER_MM + (_GROOVE_MM if spec.groove else 0.0)
    within = within_trimline(positive.mesh, positive.trimline, -over)
    exact = within.mesh
    mandrel = choose_mandrel(exact, positive.side)
    surface, loop = _scribed(within) if spec.groove else (exact, within.loop)
    skirt = Skirt(spec.skirt_mm, spec.bore_mm, spec.bore_depth_mm, positive.code if spec.mark else "")
    body, letters = with_skirt(surface, loop, mandrel, skirt)
    made = filed(body)
    check_sound(made, "model to be carved")
    if spec.axes == "mandrel":
        move = mandrel.transform()
        made = filed(made.with_vertices(made.vertices @ move[:3, :3].T + move[:3, 3]))
        check_sound(made, "model to be carved")
    counts = within.from_line >= 0.0  # what lies past the line is waste
    plain, _ = with_skirt(exact, within.loop, mandrel, Skirt(spec.skirt_mm))
    return CarvingModel(
        positive,
        spec,
        within,
        mandrel,
        made,
        letters,
        np.where(counts, hidden_depths(plain, mandrel)[: len(exact.vertices)], 0.0),
        missed_places(exact, np.where(counts, missed_depths(exact, plain, spec.cutter_mm / 2), 0.0)),
        narrowing(plain, exact, mandrel.up),
    )


def _scribed(within: Within) -> tuple[Mesh, Ints]:
    """The exact surface with a groove along the trimline, so that the line is found on the model; and its open edge."""
    mesh = refine(
        within.mesh,
        lambda middles, lengths: within.ring.within(middles, _GROOVE_MM + lengths / 2),
        _GROOVE_EDGE_MM,
    )
    far, _, _ = within.ring.closest(mesh.vertices)
    deep = _GROOVE_DEEP_MM * np.clip(1.0 - (far / _GROOVE_MM) ** 2, 0.0, None)
    (loop,) = border_loops(mesh)
    inward = -unit(diffused(mesh, vertex_normals(mesh), _GROOVE_SMOOTH_MM))
    return mesh.with_vertices(mesh.vertices + deep[:, None] * inward), loop


# -- facts -----------------------------------------------------------------------------------------


def _facts(made: CarvingModel) -> dict[str, Any]:
    positive, spec, mandrel = made.positive, made.spec, made.mandrel
    return {
        "format": 1,
        "program": {"name": "rectify", "version": rectify.__version__},
        "case": positive.code,
        "side": positive.side,
        "amputation": positive.amputation,
        "status": positive.status,
        "units": "mm",
        "frame": FRAME if spec.axes == "limb" else _MANDREL_FRAME,
        "made_from": [{"file": name, "sha256": digest} for name, digest in positive.sources.items()],
        "mandrel": {
            "flexion_deg": mandrel.flexion_deg,
            "adduction_deg": mandrel.adduction_deg,
            "tip_xyz": [_mm(x) for x in mandrel.tip.tolist()],
            "up_xyz": [round(x, 6) + 0.0 for x in mandrel.up.tolist()],
            "limb_to_mandrel": [[round(x, 9) + 0.0 for x in row] for row in mandrel.transform().tolist()],
        },
        "waste": {
            "skirt_mm": _mm(spec.skirt_mm),
            "bore_mm": _mm(spec.bore_mm),
            "bore_depth_mm": _mm(spec.bore_depth_mm),
            "mark": positive.code if made.letters_mm else None,
            "letters_mm": _mm(made.letters_mm),
            "groove": spec.groove,
        },
        "blank": _blank(made),
        "cutter": _cutter(made),
        "draft": {**_steepness(made), **narrowing_facts(made.draft, positive.side)},
        "model": {
            "volume_ml": round(volume(made.mesh) / 1000.0, 3),
            "triangles": len(made.mesh.faces),
            "bodies": survey(made.mesh).body_count,
            "watertight": survey(made.mesh).watertight,
        },
        "look": list(_looks(made)),
    }


def _blank(made: CarvingModel) -> dict[str, Any]:
    """The cylinder about the mandrel that holds the body, and a blank in whole steps of stock."""
    local = _in_mandrel(made)
    radius, height = float(np.hypot(local[:, 0], local[:, 1]).max()), float(np.ptp(local[:, 2]))
    return {
        "diameter_mm": _mm(2.0 * radius),
        "length_mm": _mm(height),
        "stock_diameter_mm": _STOCK_MM * ceil(2.0 * radius / _STOCK_MM),
        "stock_length_mm": _STOCK_MM * ceil(height / _STOCK_MM),
    }


def _in_mandrel(made: CarvingModel) -> np.ndarray:
    if made.spec.axes == "mandrel":
        return made.mesh.vertices
    move = made.mandrel.transform()
    return np.asarray(made.mesh.vertices @ move[:3, :3].T + move[:3, 3])


def _cutter(made: CarvingModel) -> dict[str, Any]:
    worst = int(np.argmax(made.hidden))
    side = made.positive.side
    hidden = made.hidden[worst] > 0
    return {
        "diameter_mm": _mm(made.spec.cutter_mm),
        "reach_mm": _mm(made.spec.reach_mm) if made.spec.reach_mm else None,
        "reach_needed_mm": _mm(_reach(made)),
        "hidden_from_side": {
            "most_mm": _mm(float(made.hidden[worst])),
            "at": place_of(made.within.mesh.vertices[worst], side) if hidden else None,
        },
        "missed": [
            {
                "depth_mm": _mm(place.depth_mm),
                "area_mm2": round(place.area_mm2, 1),
                "at": place_of(np.array(place.xyz), side),
            }
            for place in made.missed[:_SHOWN]
        ],
        "missed_places": len(made.missed),
    }


def _reach(made: CarvingModel) -> float:
    """From the blank's outside in to the mandrel: the end is cut down to it."""
    local = _in_mandrel(made)
    return float(np.hypot(local[:, 0], local[:, 1]).max())


def _steepness(made: CarvingModel) -> dict[str, Any]:
    """How the exact surface stands to a pull along the mandrel."""
    mesh = made.within.mesh
    cross = face_cross(mesh.vertices, mesh.faces)
    area = lengths(cross)
    rise = dots(cross, np.broadcast_to(made.mandrel.up, cross.shape)) / np.maximum(area, 1e-12)
    under = rise > np.sin(np.radians(0.5))
    return {
        "undercut_percent": round(100.0 * float(area[under].sum() / area.sum()), 2),
    }


def _looks(made: CarvingModel) -> Iterator[str]:
    yield from made.positive.looks
    needed, reach = _reach(made), made.spec.reach_mm
    if reach and needed > reach:
        yield f"the cutter reaches {reach:g} mm, and {needed:.0f} mm are needed from the blank's outside to the end"
    if made.missed and made.missed[0].depth_mm >= _LOOK_MM:
        place = made.missed[0]
        yield (
            f"a cutter of {made.spec.cutter_mm:g} mm misses {hollows(len(made.missed))}, the deepest by "
            f"{place.depth_mm:.1f} mm at level {round(-place.xyz[2]):d} mm"
        )
    hidden = float(made.hidden.max())
    if hidden >= _LOOK_MM:
        z = made.within.mesh.vertices[int(np.argmax(made.hidden)), 2]
        yield f"up to {hidden:.1f} mm are hidden from a cutter that comes from the side, at level {round(-z):d} mm"


_LOOK_MM = 0.5  # common practice, no source; a mean error of 0.25 mm over a whole socket is felt (Sanders JE 2012)


def hollows(count: int) -> str:
    """Their number in words."""
    return "1 hollow" if count == 1 else f"{count} hollows"


def _mm(value: float) -> float:
    return round(float(value), 3) + 0.0
