"""What a scanner does to the skin it sees: holes, a ragged top, noise, spikes, a top that its program closed.

Each takes a scan and a random generator and returns the scan with one fault more, told.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from rectify.geometry.mesh import Faces, Floats, Ints, Mesh, Points
from rectify.geometry.normals import vertex_normals
from rectify.synthetic.scanned import Done, Scan, border_ring, in_ball, inner_vertex

__all__ = ["SKIN"]

Fault = Callable[[Scan, np.random.Generator], Scan]
_DIRECTIONS = 72


def _told(scan: Scan, done: Done) -> Scan:
    return replace(scan, done=(*scan.done, done))


def _hole(scan: Scan, rng: np.random.Generator, radius: Floats | float) -> Scan:
    far = float(np.max(radius))
    vertex = inner_vertex(scan, rng, far + 12.0)
    return scan.without(in_ball(scan.mesh, vertex, radius, vertex_normals(scan.truth)))


def hole_small(scan: Scan, rng: np.random.Generator) -> Scan:
    """One hole of 6 to 14 mm."""
    radius = float(rng.uniform(3.0, 7.0))
    out = _hole(scan, rng, max(radius, 1.3 * _edge(scan)))
    return _told(out, Done("hole-small", f"a hole {2 * radius:.0f} mm wide", reach_mm=2.0))


def hole_ragged(scan: Scan, rng: np.random.Generator) -> Scan:
    """One hole of some 15 to 26 mm with a crooked edge."""
    radius = float(rng.uniform(7.5, 13.0))
    crooked = gaussian_filter1d(rng.standard_normal(_DIRECTIONS), 3.0, mode="wrap")
    by_turn = radius * (1.0 + 0.3 * crooked / np.abs(crooked).max())
    return _told(
        _hole(scan, rng, by_turn), Done("hole-ragged", f"a ragged hole {2 * radius:.0f} mm wide", reach_mm=2.0)
    )


def hole_wide(scan: Scan, rng: np.random.Generator) -> Scan:
    """One hole of 28 to 36 mm, where it may still be filled."""
    radius = float(rng.uniform(14.0, 18.0))
    return _told(_hole(scan, rng, radius), Done("hole-wide", f"a hole {2 * radius:.0f} mm wide", reach_mm=2.5))


def hole_huge(scan: Scan, rng: np.random.Generator) -> Scan:
    """One hole of 56 to 80 mm: invented, were it filled."""
    radius = float(rng.uniform(28.0, 40.0))
    return _told(
        _hole(scan, rng, radius),
        Done("hole-huge", f"a hole {2 * radius:.0f} mm wide", mendable=False, refusal=("too wide", "not captured")),
    )


def holes(scan: Scan, rng: np.random.Generator) -> Scan:
    """Three to seven holes of 6 to 14 mm."""
    count = int(rng.integers(3, 8))
    for _ in range(count):
        scan = _hole(scan, rng, max(float(rng.uniform(3.0, 7.0)), 1.3 * _edge(scan)))
    return _told(scan, Done("holes", f"{count} holes of 6 to 14 mm", reach_mm=2.0))


def hole_at_top(scan: Scan, rng: np.random.Generator) -> Scan:
    """A bite of 16 to 36 mm out of the top edge."""
    radius = float(rng.uniform(8.0, 18.0))
    vertex = int(rng.choice(border_ring(scan.truth)))
    gone = in_ball(scan.mesh, vertex, radius, vertex_normals(scan.truth))
    return _told(scan.without(gone), Done("hole-at-top", f"a bite {2 * radius:.0f} mm wide out of the top edge"))


def ragged_top(scan: Scan, rng: np.random.Generator) -> Scan:
    """Bites of up to 9 mm all along the top edge."""
    ring = border_ring(scan.truth)
    turn = np.arctan2(*scan.truth.vertices[ring][:, [0, 1]].T)
    order = np.argsort(turn)
    edge = np.interp(_turn(scan), turn[order], scan.truth.vertices[ring][order, 2], period=2 * np.pi)
    depth = gaussian_filter1d(rng.uniform(-6.0, 14.0, _DIRECTIONS), 0.7, mode="wrap").clip(0.0, 9.0)
    bite = np.interp(_turn(scan), np.linspace(-np.pi, np.pi, _DIRECTIONS, endpoint=False), depth, period=2 * np.pi)
    near = np.abs(scan.centres()[:, 2] - edge) < 14.0
    gone = near & (scan.centres()[:, 2] > edge - bite)
    return _told(scan.without(gone), Done("ragged-top", f"bites of up to {depth.max():.0f} mm along the top"))


def missing_half(scan: Scan, rng: np.random.Generator) -> Scan:
    """A third to a half of the way round was never seen, from top to end."""
    share = float(rng.uniform(0.33, 0.5))
    away = np.abs((_turn(scan) - rng.uniform(-np.pi, np.pi) + np.pi) % (2 * np.pi) - np.pi)
    return _told(
        scan.without(away < share * np.pi),
        Done(
            "missing-half",
            f"{share:.0%} of the way round was not captured",
            mendable=False,
            refusal=("was not captured", "too wide"),
        ),
    )


def noise(scan: Scan, rng: np.random.Generator) -> Scan:
    """Every vertex off along its normal, standard deviation 0.05 to 0.4 mm."""
    sigma = float(rng.uniform(0.05, 0.4))
    normals = vertex_normals(scan.truth)
    shift = sigma * rng.standard_normal(len(normals))
    out = scan.with_vertices(scan.mesh.vertices + shift[:, None] * normals)
    return _told(out, Done("noise", f"{sigma:.2f} mm of noise", noise_mm=sigma))


def spike(scan: Scan, rng: np.random.Generator) -> Scan:
    """One vertex 15 to 40 mm out in the air."""
    vertex = inner_vertex(scan, rng, 15.0)
    height = float(rng.uniform(15.0, 40.0))
    v = scan.mesh.vertices.copy()
    v[vertex] += height * vertex_normals(scan.truth)[vertex]
    return _told(scan.with_vertices(v), Done("spike", f"a spike {height:.0f} mm out", reach_mm=1.0))


def spike_through(scan: Scan, rng: np.random.Generator) -> Scan:
    """One vertex, or two neighbours, drawn through the limb and out on its other side."""
    vertex = inner_vertex(scan, rng, 15.0)
    faces = scan.mesh.faces[(scan.mesh.faces == vertex).any(axis=1)]
    beside = int(rng.choice(np.setdiff1d(faces, [vertex])))
    v = scan.mesh.vertices.copy()
    moved = [vertex, beside] if rng.random() < 0.5 else [vertex]
    through = np.array([v[vertex, 0], v[vertex, 1], 0.0]) * -2.2
    v[moved] += through
    return _told(
        scan.with_vertices(v), Done("spike-through", f"a spike of {len(moved)} vertices through the limb", reach_mm=1.5)
    )


def lid_large(scan: Scan, rng: np.random.Generator) -> Scan:
    """The top cut by a plane and closed by few large triangles."""
    out = _planed(scan, rng)
    ring = border_ring(out.mesh)
    faces = ring[_ears(out.mesh.vertices[ring][:, :2])]
    return _told(out.plus(np.zeros((0, 3)), faces), Done("lid-large", f"a flat lid of {len(faces)} large triangles"))


def lid_grid(scan: Scan, rng: np.random.Generator) -> Scan:
    """The top cut by a plane and closed by fine triangles."""
    out = _planed(scan, rng)
    points, faces = _cover(out.mesh, border_ring(out.mesh), 0.0, 9)
    return _told(out.plus(points, faces), Done("lid-grid", f"a flat lid of {len(faces)} triangles"))


def dome(scan: Scan, rng: np.random.Generator) -> Scan:
    """The top closed by a dome."""
    height = float(rng.uniform(0.25, 0.7))
    points, faces = _cover(scan.mesh, border_ring(scan.mesh), height, 9)
    return _told(
        scan.plus(points, faces),
        Done("dome", f"a dome {height:.0%} of its radius high over the top", mendable=False, refusal=("trim",)),
    )


SKIN: dict[str, Fault] = {
    "missing-half": missing_half,
    "ragged-top": ragged_top,
    "hole-at-top": hole_at_top,
    "hole-huge": hole_huge,
    "hole-wide": hole_wide,
    "hole-ragged": hole_ragged,
    "holes": holes,
    "hole-small": hole_small,
    "noise": noise,
    "spike": spike,
    "spike-through": spike_through,
    "lid-large": lid_large,
    "lid-grid": lid_grid,
    "dome": dome,
}


def _edge(scan: Scan) -> float:
    v, f = scan.truth.vertices, scan.truth.faces
    return float(np.median(np.linalg.norm(v[f[:, 0]] - v[f[:, 1]], axis=1)))


def _turn(scan: Scan) -> Floats:
    """Direction of each face's middle about z, radians."""
    middle = scan.centres()
    return np.asarray(np.arctan2(middle[:, 0], middle[:, 1]))


def _planed(scan: Scan, rng: np.random.Generator) -> Scan:
    """Scan and truth cut by a plane a little below the top's lowest point, the way scanning software does."""
    v = scan.mesh.vertices
    tilt = rng.uniform(-0.08, 0.08, 2)
    height = v[:, 2] - (float(v[border_ring(scan.mesh), 2].min()) - 8.0 + v[:, :2] @ tilt)
    f = scan.truth.faces
    half = np.sort(np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]]), axis=1)
    low, high = np.unique(half[height[half[:, 0]] * height[half[:, 1]] < 0], axis=0).T
    share = (height[low] / (height[low] - height[high]))[:, None]
    new = {(int(a), int(b)): len(v) + i for i, (a, b) in enumerate(zip(low, high, strict=True))}
    meshes = []
    for mesh in (scan.mesh, scan.truth):
        at = mesh.vertices
        cut = at[low] + share * (at[high] - at[low])
        above = height[mesh.faces] > 0
        whole = mesh.faces[~above.any(axis=1)]
        part = [
            _below(face, over, new) for face, over in zip(mesh.faces, above, strict=True) if over.any() != over.all()
        ]
        faces = np.concatenate([whole, *[np.array(piece, dtype=np.int64) for piece in part]])
        meshes.append(Mesh(np.concatenate([at, cut]), faces))
    return replace(scan, mesh=meshes[0], truth=meshes[1])


def _below(face: Ints, above: NDArray[np.bool_], new: dict[tuple[int, int], int]) -> list[list[int]]:
    """What is left of a face that a plane crosses: one triangle or two."""

    def between(a: int, b: int) -> int:
        return new[min(a, b), max(a, b)]

    lonely = int(np.flatnonzero(above if above.sum() == 1 else ~above)[0])
    a, b, c = (int(face[(lonely + i) % 3]) for i in range(3))
    if above.sum() == 2:
        return [[a, between(a, b), between(a, c)]]
    return [[between(a, b), b, c], [between(a, b), c, between(a, c)]]


def _ears(flat: NDArray[np.float64]) -> Faces:
    """Triangles over a ring without points inside it; they run against the ring."""
    corners = shapely.get_coordinates(shapely.constrained_delaunay_triangles(shapely.Polygon(flat)))
    known = {(x, y): i for i, (x, y) in enumerate(flat.tolist())}
    faces = np.array([known[x, y] for x, y in corners.tolist()]).reshape(-1, 4)[:, :3]
    u, w = flat[faces[:, 1]] - flat[faces[:, 0]], flat[faces[:, 2]] - flat[faces[:, 0]]
    turned = (u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0] > 0) == shapely.LinearRing(flat).is_ccw
    faces[turned] = faces[turned][:, ::-1]
    return faces.astype(np.int64)


def _cover(mesh: Mesh, ring: Ints, height: float, rings: int) -> tuple[Points, Faces]:
    """A cover over a ring: `rings` rings and an apex, `height` mean radii above its middle."""
    edge = mesh.vertices[ring]
    centre = edge.mean(axis=0)
    rise = height * float(np.linalg.norm(edge - centre, axis=1).mean())
    k, first = len(ring), len(mesh.vertices)
    out = [ring]
    points = []
    for i in range(1, rings):
        part = 1.0 - i / rings
        points.append(centre + (edge - centre) * part + np.array([0.0, 0.0, rise * np.sqrt(1.0 - part * part)]))
        out.append(first + (i - 1) * k + np.arange(k))
    points.append((centre + np.array([0.0, 0.0, rise]))[None])
    apex = np.full(k, first + (rings - 1) * k)
    faces = []
    for low, high in pairwise(out):
        low_on, high_on = np.roll(low, -1), np.roll(high, -1)
        faces += [np.stack([low_on, low, high], axis=1), np.stack([low_on, high, high_on], axis=1)]
    faces.append(np.stack([np.roll(out[-1], -1), out[-1], apex], axis=1))
    return np.concatenate(points), np.concatenate(faces)
