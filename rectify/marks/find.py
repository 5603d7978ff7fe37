"""Find the pencil marks on a coloured capture.

    colours -> amount of pencil -> samples -> pieces -> strokes -> figures -> marks

Nothing is known of limbs here: no frame, no names. The result does not depend on how the capture lies, nor on which
side its faces look to. Not promised: two marks that overlap except a spot on a line, a cross on a line and a closed
curve that a line runs into; marks thinner than the mesh's edges are long.
"""

from __future__ import annotations

import numpy as np

from rectify.errors import MeshError
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.nearest import nearest
from rectify.marks.cloud import closest
from rectify.marks.colours import PencilColour, pencil_colour
from rectify.marks.kinds import SOFT_MM, STAIN_MM, Shape, parted, shape_of
from rectify.marks.mark import Mark
from rectify.marks.pieces import FAINT, pieces_of
from rectify.marks.pigment import pigment
from rectify.marks.samples import sample_ink
from rectify.marks.strokes import groups_of

__all__ = ["LEAST_AREA_MM2", "find_marks"]

LEAST_AREA_MM2 = 6.0  # a dot of 2.8 mm across; less is a speck
_SURE_AREA_MM2 = 14.0  # from here on the size says nothing against a mark
_SURE_LINE_MM = 20.0
_CRUMB_MM2, _CRUMB_GAP_MM = 20.0, 5.0
_SIGMAS = 4.0  # of the bare surface's variation: no ink below


def find_marks(mesh: Mesh, colour: str | PencilColour = "blue-violet") -> tuple[Mark, ...]:
    """Every pencil mark, the largest ink first.

    Parameters
    ----------
    mesh : Mesh
        In mm, with a colour per vertex.
    colour : a word of COLOURS, `#rrggbb`, or a PencilColour

    Returns
    -------
    tuple of Mark
        In the mesh's axes; level and angle are NaN. Empty where there is no such pencil.

    Raises
    ------
    MeshError
        If the mesh carries no colours.
    CaseError
        If there is no such colour, or it cannot be told from the surface.
    """
    if mesh.colours is None:
        raise MeshError(
            "the scan carries no colours, so no pencil marks can be read",
            wanted="a colour per vertex, or a texture",
            found="neither",
            hint="export the scan as PLY, OBJ, GLB or 3MF with colour, or give the landmarks by hand",
        )
    pencil = colour if isinstance(colour, PencilColour) else pencil_colour(colour)
    ink = pigment(mesh.vertices, mesh.colours, pencil)
    if not ink.found:
        return ()
    samples = sample_ink(mesh, ink.amount, max(FAINT, _SIGMAS * ink.sigma))
    pieces, half = pieces_of(samples, _SIGMAS * ink.sigma)
    groups = [part for group in groups_of(samples, pieces, half) for part in parted(samples, group, half)]
    groups = [g for g in groups if samples.areas[g].sum() >= LEAST_AREA_MM2]
    if not groups:
        return ()
    owner = np.repeat(np.arange(len(groups)), [len(g) for g in groups])
    nearest_ink = closest(samples.points, samples.points[np.concatenate(groups)])[1]
    marks = []
    for k, group in enumerate(groups):
        shape = shape_of(samples, group, owner[nearest_ink] == k, half)
        area = float(samples.areas[group].sum())
        others = np.concatenate([g for j, g in enumerate(groups) if j != k]) if len(groups) > 1 else group[:0]
        gap = float(closest(samples.points[group], samples.points[others])[0].min()) if len(others) else np.inf
        sure = _confidence(shape, area, samples.amount[group], gap)
        place = _on_surface(mesh, shape)
        curve = _laid_on(mesh, shape.curve)
        vertices = np.unique(samples.vertices[group])
        marks.append(Mark(shape.kind, place, curve, shape.normal, shape.size_mm, shape.width_mm, area, sure, vertices))
    return tuple(sorted(marks, key=lambda m: -m.area_mm2))


def _confidence(shape: Shape, area: float, amount: Floats, gap: float) -> float:
    """How sure this is a mark of its kind: by its figure, edge, size, darkness, and whether it stands alone."""
    figure = np.clip((shape.score - 0.3) / 0.35, 0.0, 1.0)
    lead = np.clip(0.75 + (shape.score - shape.second) / 0.4, 0.0, 1.0)
    edge = np.clip((STAIN_MM - shape.soft_mm) / (STAIN_MM - SOFT_MM), 0.0, 1.0)
    size = np.clip(area / _SURE_AREA_MM2, 0.0, 1.0)
    dark = np.clip(float(np.percentile(amount, 75.0)) / 0.6, 0.0, 1.0)
    kind = {"patch": 0.5, "line": float(np.clip(shape.size_mm / _SURE_LINE_MM, 0.3, 1.0))}.get(shape.kind, 1.0)
    alone = 0.6 if area < _CRUMB_MM2 and gap < _CRUMB_GAP_MM else 1.0  # it may have broken off its neighbour
    return float(figure * lead * edge * size * dark * kind * alone)


def _on_surface(mesh: Mesh, shape: Shape) -> Points:
    """Lift a figure's centre along the normal to the surface: the middle of a ring lies under the skin."""
    off = mesh.vertices - shape.centre
    up = off @ shape.normal
    aside = np.linalg.norm(off - up[:, None] * shape.normal, axis=1)
    reach = max(6.0, shape.size_mm / 2)
    near = np.abs(up) < reach
    if not near.any():
        return np.asarray(_laid_on(mesh, shape.centre[None])[0])
    k = min(6, int(near.sum()))
    few = np.flatnonzero(near)[np.argpartition(aside[near], k - 1)[:k]]
    weight = 1.0 / (aside[few] + 0.5)
    lifted = shape.centre + float(weight @ up[few] / weight.sum()) * shape.normal
    return np.asarray(_laid_on(mesh, lifted[None])[0])


def _laid_on(mesh: Mesh, points: Points) -> Points:
    """The nearest points of the surface (k, 3)."""
    if not len(points):
        return np.zeros((0, 3))
    reach = np.linalg.norm(np.ptp(points, axis=0)) / 2 + 30.0
    near = np.linalg.norm(mesh.vertices - points.mean(axis=0), axis=1) < reach
    faces = mesh.faces[near[mesh.faces].any(axis=1)]
    return np.asarray(nearest(points, mesh.vertices, faces if len(faces) else mesh.faces)[2])
