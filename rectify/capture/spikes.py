"""Single vertices far out of the skin, and faces that pass through others: taken out, for the holes to be filled.

A spike is one vertex, or two or three side by side, further from its neighbours than these are round it: no anatomy
does that within one edge, and no noise of a working scanner.
"""

from __future__ import annotations

from typing import NoReturn

import numpy as np

from rectify.capture.sheets import keep_limb, unpinch
from rectify.capture.spine import crossings_of
from rectify.capture.step import Step, place_of, place_text
from rectify.errors import MeshError
from rectify.geometry.clip import without_unused
from rectify.geometry.corners import columns, edge_squares
from rectify.geometry.edges import survey
from rectify.geometry.mesh import Floats, Ints, Mesh

__all__ = ["check_crossings", "clear_crossings", "drop_spikes", "without_faces"]

_STEEP = 1.7  # mean distance of the neighbours over the radius of a circle as long as the ring of them
_BESIDE = 1.5  # the same, of a second tip beside a spike (at the foot of one: up to 1.3)
_SHARP = np.radians(270.0)  # the angles about a spike's tip add up to less (about a flat vertex: 360 degrees)
_LONG, _LONG_MM = 4.0, 15.0  # sides of a tip at an open edge, over the mesh's own edges, and mm
_NARROW = np.radians(60.0)
_LEAST_MM = 3.0  # further out than the ring's radius: noise stays below
_ROUNDS = 4
_MOST_CROSSING = 0.01  # of the faces: more is no scanner's fault but another problem


def drop_spikes(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    """Take out the faces at spikes. Neighbouring faces must agree which side is out."""
    dropped = 0
    tallest, place = 0.0, np.zeros(3)
    for _ in range(_ROUNDS):
        # nothing stands farther out of its neighbours than the longest edge is
        if max(float(side.max()) for side in edge_squares(mesh.vertices, mesh.faces)) <= _LEAST_MM**2:
            break
        far, radius, angle = _about(mesh)
        steep = (far > _STEEP * radius) & (far > radius + _LEAST_MM) & (angle < _SHARP)
        edge = np.unique(survey(mesh).border)
        # an open edge has no ring round its vertices: there a spike is a narrow tip on long sides
        steep[edge] = (far[edge] > _LONG * np.median(far)) & (far[edge] > _LONG_MM) & (angle[edge] < _NARROW)
        spikes = np.flatnonzero(steep)
        if not len(spikes):
            break
        beside = np.unique(mesh.faces[np.isin(mesh.faces, spikes).any(axis=1)])
        beside = beside[far[beside] > _BESIDE * radius[beside]]
        spikes = np.union1d(spikes, beside)
        dropped += len(spikes)
        if far[spikes].max() > tallest:
            tallest = float(far[spikes].max())
            place = mesh.vertices[spikes[int(np.argmax(far[spikes]))]]
        mesh = without_faces(mesh, np.flatnonzero(np.isin(mesh.faces, spikes).any(axis=1)))
    if not dropped:
        return mesh, []
    message = f"{dropped} spikes, the farthest {tallest:.0f} mm out, near {place_text(place)}, were taken out"
    return mesh, [Step("spikes-taken-out", message, count=dropped, place=place_of(place))]


def _about(mesh: Mesh) -> tuple[Floats, Floats, Floats]:
    """For each vertex: mean distance of its neighbours, their ring's length over 2 pi, mm; angles, radians."""
    n = len(mesh.vertices)
    squares = edge_squares(mesh.vertices, mesh.faces)
    sides = [np.sqrt(square) for square in squares]
    far, ring, angle, count = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    for i, index in enumerate(columns(mesh.faces)):
        u, w, across = sides[i], sides[i - 1], sides[(i + 1) % 3]
        cosine = (squares[i] + squares[i - 1] - squares[(i + 1) % 3]) / np.maximum(2.0 * u * w, 1e-300)
        far += np.bincount(index, weights=(u + w) / 2, minlength=n)
        ring += np.bincount(index, weights=across, minlength=n)
        angle += np.bincount(index, weights=np.arccos(np.clip(cosine, -1.0, 1.0)), minlength=n)
        count += np.bincount(index, minlength=n)
    return far / np.maximum(count, 1.0), ring / (2 * np.pi), angle


def clear_crossings(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    """Take out faces that pass through others, and let the holes they leave be filled.

    Raises
    ------
    MeshError
        If there are more of them than a scanner's faults explain, or more turn up each time.
    """
    dropped, place = 0, None
    crossing = crossings_of(mesh)
    for _ in range(_ROUNDS):
        if not len(crossing):
            break
        if len(crossing) > _MOST_CROSSING * len(mesh.faces):
            _refuse(mesh, crossing)
        place = _middle(mesh, crossing) if place is None else place
        before = len(mesh.faces)
        mesh = without_faces(mesh, crossing)
        dropped += before - len(mesh.faces)
        crossing = crossings_of(mesh)
    if len(crossing):
        _refuse(mesh, crossing)
    if place is None:
        return mesh, []
    message = f"{dropped} faces that passed through others, or hung on them, were taken out near {place_text(place)}"
    return mesh, [Step("crossings-cleared", message, count=dropped, place=place_of(place))]


def check_crossings(mesh: Mesh) -> None:
    """Refuse a surface that passes through itself.

    Raises
    ------
    MeshError
    """
    crossing = crossings_of(mesh)
    if len(crossing):
        _refuse(mesh, crossing)


def _refuse(mesh: Mesh, crossing: Ints) -> NoReturn:
    raise MeshError(
        "the surface passes through itself",
        wanted="a surface that does not",
        found=f"{len(crossing)} of {len(mesh.faces)} faces, about {place_text(_middle(mesh, crossing))}",
        hint="is a fold of skin scanned twice? mend the scan there, or scan again",
    )


def _middle(mesh: Mesh, faces: Ints) -> Floats:
    return np.asarray(np.median(mesh.vertices[mesh.faces[faces]].reshape(-1, 3), axis=0))


def without_faces(mesh: Mesh, faces: Ints) -> Mesh:
    """Less some faces and what then hangs in a vertex or falls off; every border a simple ring."""
    keep = np.ones(len(mesh.faces), dtype=bool)
    keep[faces] = False
    if not keep.any():
        raise MeshError("nothing of the surface is left", wanted="a limb", found=f"{len(mesh.faces)} faces, all bad")
    out = keep_limb(without_unused(Mesh(mesh.vertices, mesh.faces[keep], mesh.colours))[0])[0]
    return unpinch(out)[0]
