"""Triangles over a surface that is known as a formula: rings from the distal end up to the open edge.

A surface is a function of two arrays: `rise` (0 at the pole or the lower edge, 1 at the upper edge) and
`angle` in radians (0 anterior, growing toward +x). Rings are laid a row height apart along the surface and
each holds as many vertices as its own length asks for, so triangles stay near-equilateral from the wall to
the pole and no fan of needles forms there. Vertices lie on the surface to rounding; faces point outward.

Not promised: an exact edge length. Where meridians differ in length (an oblique edge, an end that lies off
the axis) rows are spread by the mean meridian.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np

from rectify.errors import MeshError
from rectify.geometry.mesh import Faces, Floats, Ints, Mesh, Points

__all__ = ["Surface", "mirrored", "weave"]

Surface = Callable[[Floats, Floats], Points]  # (rise, angle) of one shape -> that shape + (3,), mm

ROW_HEIGHT = np.sqrt(3.0) / 2.0  # of the edge length: the height of an equilateral triangle
MERIDIANS = 24  # along these the surface is measured to place the rows
STEPS = 600  # samples along one meridian
SAMPLES = 240  # samples round one ring to place its vertices evenly


def weave(
    surface: Surface,
    edge_mm: float,
    *,
    breaks: Sequence[float] = (0.0, 1.0),
    start: str = "pole",
    stop: str = "edge",
) -> Mesh:
    """Cover a surface with triangles of one edge length.

    Parameters
    ----------
    surface : callable (rise, angle) -> points
        Periodic in angle with 2 pi; `rise` runs from 0 to 1.
    edge_mm : float, mm, > 0
        The edge length aimed at.
    breaks : increasing floats from 0 to 1
        Where a ring must lie, whatever the row height: the rim of a flat end, for one.
    start, stop : 'pole' | 'edge'
        Whether the surface closes in one point at rise 0 and at rise 1, or ends in an open ring.

    Returns
    -------
    Mesh
        Vertices in rings from rise 0 to rise 1; outward if increasing rise is proximal.

    Raises
    ------
    MeshError
        If the edge length is not positive, or too long for the shape.
    """
    if not np.isfinite(edge_mm) or edge_mm <= 0:
        raise MeshError("the edge length must be positive", found=f"{edge_mm} mm")
    rises = _rises(surface, edge_mm, breaks)
    first = 1 if start == "pole" else 0
    last = len(rises) - 1 if stop == "pole" else len(rises)
    rings = [_ring(surface, rise, edge_mm, row % 2) for row, rise in enumerate(rises[first:last])]
    points = [
        surface(np.full(len(angles), rise), angles) for rise, angles in zip(rises[first:last], rings, strict=True)
    ]
    offsets = np.cumsum([0] + [len(angles) for angles in rings])
    faces = [_zip(rings[i], rings[i + 1], offsets[i], offsets[i + 1]) for i in range(len(rings) - 1)]
    nothing = np.zeros(1)
    if start == "pole":
        pole = int(offsets[-1])
        points.append(surface(nothing, nothing))
        faces.append(_fan(pole, int(offsets[0]), len(rings[0]), distal=True))
    if stop == "pole":
        pole = sum(len(part) for part in points)
        points.append(surface(nothing + 1.0, nothing))
        faces.append(_fan(pole, int(offsets[-2]), len(rings[-1]), distal=False))
    return Mesh(np.concatenate(points), np.concatenate(faces))


def mirrored(mesh: Mesh) -> Mesh:
    """The other side's limb: x changes its sign, faces are turned so that they point outward again."""
    vertices = mesh.vertices.copy()
    vertices[:, 0] = 0.0 - vertices[:, 0]  # 0 - x, not -x: no negative zero on the midline
    return Mesh(vertices, np.ascontiguousarray(mesh.faces[:, ::-1]), mesh.colours)


def _rises(surface: Surface, edge_mm: float, breaks: Sequence[float]) -> Floats:
    """Where the rings lie: equal steps along the mean meridian between each two breaks."""
    rise = np.linspace(0.0, 1.0, STEPS + 1)
    angle = np.arange(MERIDIANS) * (2.0 * np.pi / MERIDIANS)
    points = surface(*np.broadcast_arrays(rise[:, None], angle[None, :]))
    step = np.linalg.norm(np.diff(points, axis=0), axis=2).mean(axis=1)
    gone = np.concatenate([[0.0], np.cumsum(step)])
    places = [np.array([breaks[0]])]
    for low, high in pairwise(breaks):
        here, there = np.interp([low, high], rise, gone)
        rows = max(1, round((there - here) / (edge_mm * ROW_HEIGHT)))
        piece = np.interp(np.linspace(here, there, rows + 1), gone, rise)
        piece[-1] = high
        places.append(piece[1:])
    found = np.concatenate(places)
    if len(found) < 4:
        raise MeshError(
            "the edge length is too long for this shape",
            found=f"{edge_mm} mm",
            hint="ask for a shorter edge length",
        )
    return found


def _ring(surface: Surface, rise: float, edge_mm: float, odd: int) -> Floats:
    """The angles of one ring's vertices, evenly along the ring; odd rows start half a step on."""
    angle = np.linspace(-np.pi, np.pi, SAMPLES + 1)
    points = surface(np.full(SAMPLES + 1, rise), angle)
    gone = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    count = max(5, round(gone[-1] / edge_mm))
    return np.asarray(np.interp((np.arange(count) + 0.5 * odd) / count * gone[-1], gone, angle))


def _zip(low: Floats, high: Floats, low_start: int, high_start: int) -> Faces:
    """Triangles between two rings of angles: each edge takes the nearest vertex of the other ring."""
    low_mid, high_mid = _middles(low), _middles(high)
    over = _nearest(low_mid, high_mid, "left")  # for each edge of the lower ring
    under = _nearest(high_mid, low_mid, "right")  # ties go to the lower ring on both sides
    i, j = np.arange(len(low)), np.arange(len(high))
    upward = np.stack([low_start + i, high_start + over, low_start + (i + 1) % len(low)], axis=1)
    downward = np.stack([high_start + j, high_start + (j + 1) % len(high), low_start + under], axis=1)
    return np.concatenate([upward, downward]).astype(np.int64)


def _middles(angles: Floats) -> Floats:
    """The middle of each edge, from vertex i to vertex i + 1."""
    following = np.append(angles[1:], angles[0] + 2.0 * np.pi)
    return np.asarray((angles + following) / 2.0)


def _nearest(middles: Floats, others: Floats, side: str) -> Ints:
    """The vertex of the other ring that an edge's middle falls to; `others` are that ring's middles."""
    turn = 2.0 * np.pi
    unrolled = np.concatenate([others - turn, others, others + turn])
    place = np.searchsorted(unrolled, middles, side="left" if side == "left" else "right")
    return np.asarray(place % len(others), dtype=np.int64)


def _fan(pole: int, start: int, count: int, *, distal: bool) -> Faces:
    """The few triangles about a pole."""
    i = np.arange(count)
    here, there = start + i, start + (i + 1) % count
    centre = np.full(count, pole)
    columns = [here, there, centre] if distal else [there, here, centre]
    return np.stack(columns, axis=1).astype(np.int64)
