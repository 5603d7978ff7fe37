"""What scanning software does to a mesh: stray pieces, sheets twice, fins, pinches, gaps, sides mixed up, not-numbers.

Each takes a scan and a random generator and returns the scan with one fault more, told.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from rectify.geometry.mesh import Faces, Ints, Mesh, Points
from rectify.geometry.normals import face_areas, vertex_normals
from rectify.synthetic.scanned import Done, Scan, border_vertices, disc, in_ball, inner_vertex, sheet_of

__all__ = ["MESH"]

Fault = Callable[[Scan, np.random.Generator], Scan]


def _told(scan: Scan, done: Done) -> Scan:
    return replace(scan, done=(*scan.done, done))


def islands_near(scan: Scan, rng: np.random.Generator) -> Scan:
    """Three to ten small pieces 3 to 25 mm off the skin, some lying against it."""
    normals = vertex_normals(scan.truth)
    count = int(rng.integers(3, 11))
    for _ in range(count):
        vertex = inner_vertex(scan, rng, 5.0)
        place = scan.truth.vertices[vertex] + rng.uniform(3.0, 25.0) * normals[vertex]
        scan = scan.plus_piece(disc(place, normals[vertex], float(rng.uniform(1.5, 7.0)), 2.0))
    return _told(scan, Done("islands-near", f"{count} stray pieces near the skin"))


def islands_far(scan: Scan, rng: np.random.Generator) -> Scan:
    """One to six pieces 0.2 to 0.8 m away."""
    count = int(rng.integers(1, 7))
    for _ in range(count):
        place = _direction(rng) * rng.uniform(250.0, 800.0)
        scan = scan.plus_piece(disc(place, _direction(rng), float(rng.uniform(2.0, 15.0)), 3.0))
    return _told(scan, Done("islands-far", f"{count} stray pieces far away"))


def island_large(scan: Scan, rng: np.random.Generator) -> Scan:
    """A piece of 5 to 15 % of the limb's area below its end."""
    share = float(rng.uniform(0.05, 0.15))
    area = share * float(face_areas(scan.truth.vertices, scan.truth.faces).sum())
    place = np.array([0.0, 0.0, scan.truth.vertices[:, 2].min() - rng.uniform(30.0, 120.0)])
    piece = disc(place, np.array([0.0, 0.0, 1.0]), float(np.sqrt(area / np.pi)), 5.0)
    return _told(scan.plus_piece(piece), Done("island-large", f"a stray piece of {share:.0%} of the limb's area"))


def two_limbs(scan: Scan, rng: np.random.Generator) -> Scan:
    """The other limb beside this one."""
    other = scan.truth.vertices * np.array([-1.0, 1.0, 1.0]) + np.array([float(rng.uniform(220.0, 300.0)), 10.0, -15.0])
    out = scan.plus_piece(Mesh(other, np.ascontiguousarray(scan.truth.faces[:, ::-1])))
    return _told(out, Done("two-limbs", "two limbs in one scan", mendable=False, refusal=("two bodies",)))


def sheet_partial(scan: Scan, rng: np.random.Generator) -> Scan:
    """A part of the skin captured a second time, 0.5 to 2 mm off."""
    offset = float(rng.uniform(0.5, 2.0) * rng.choice([-1.0, 1.0]))
    radius = float(rng.uniform(20.0, 45.0))
    vertex = inner_vertex(scan, rng, 0.6 * radius)
    piece = sheet_of(scan, in_ball(scan.mesh, vertex, radius, _normals(scan)), offset)
    return _told(
        scan.plus_piece(piece), Done("sheet-partial", f"a second sheet {offset:+.1f} mm off, {2 * radius:.0f} mm wide")
    )


def sheet_whole(scan: Scan, rng: np.random.Generator) -> Scan:
    """All of the skin captured twice, 0.5 to 2 mm apart."""
    offset = float(rng.uniform(0.5, 2.0) * rng.choice([-1.0, 1.0]))
    keep = np.ones(len(scan.mesh.faces), dtype=bool)
    return _told(
        scan.plus_piece(sheet_of(scan, keep, offset)),
        Done("sheet-whole", f"a second whole sheet {offset:+.1f} mm off", mendable=False, refusal=("twice",)),
    )


def sheet_attached(scan: Scan, rng: np.random.Generator) -> Scan:
    """A part of the skin captured a second time and grown together with the first along one side."""
    offset = float(rng.uniform(0.7, 2.0))
    radius = float(rng.uniform(15.0, 30.0))
    vertex = inner_vertex(scan, rng, radius + 8.0)
    chosen = in_ball(scan.mesh, vertex, radius, _normals(scan))
    faces = scan.mesh.faces[chosen]
    used = np.unique(faces)
    rim = border_vertices(Mesh(scan.mesh.vertices, faces))
    away = scan.mesh.vertices - scan.mesh.vertices[vertex]
    way = _direction(rng)
    joined = rim[away[rim] @ way > 0]
    own = np.setdiff1d(used, joined)
    index = np.arange(len(scan.mesh.vertices))
    index[own] = len(scan.mesh.vertices) + np.arange(len(own))
    points = scan.mesh.vertices[own] + offset * _normals(scan)[own]
    # a face whose three corners all are the wall's would be a copy of it
    sheet = index[faces]
    sheet = sheet[(sheet != faces).any(axis=1)]
    return _told(
        scan.plus(points, sheet),
        Done("sheet-attached", f"a second sheet {offset:.1f} mm off, grown to the skin along one side"),
    )


def duplicate_faces(scan: Scan, rng: np.random.Generator) -> Scan:
    """Five to sixty faces told again, some the other way round."""
    count = int(rng.integers(5, 61))
    again = scan.mesh.faces[rng.choice(len(scan.mesh.faces), count)]
    turned = rng.random(count) < 0.3
    again[turned] = again[turned][:, ::-1]
    return _told(scan.plus(np.zeros((0, 3)), again), Done("duplicate-faces", f"{count} faces told again"))


def degenerate_faces(scan: Scan, rng: np.random.Generator) -> Scan:
    """Faces with one corner twice, faces with their corners in a line, and needles a hair wide."""
    f = scan.mesh.faces
    flat = f[rng.choice(len(f), 12)].copy()
    flat[:, 2] = flat[:, 0]
    scan = scan.plus(np.zeros((0, 3)), flat)
    for _ in range(6):
        scan = _split(scan, rng, 0.5, "flat")
        scan = _split(scan, rng, 1e-6, "both")
    return _told(scan, Done("degenerate-faces", "12 faces with a corner twice, 6 in a line, 12 needles"))


def cracks(scan: Scan, rng: np.random.Generator) -> Scan:
    """Edges that one side has whole and the other in two halves: holes without area."""
    count = int(rng.integers(3, 12))
    for _ in range(count):
        scan = _split(scan, rng, float(rng.uniform(0.3, 0.7)), "open")
    return _told(scan, Done("cracks", f"{count} cracks without area"))


def fins(scan: Scan, rng: np.random.Generator) -> Scan:
    """Two to eight flaps of one or two faces that stand on edges of the skin."""
    count = int(rng.integers(2, 9))
    normals = _normals(scan)
    for _ in range(count):
        vertex = inner_vertex(scan, rng, 8.0)
        face = scan.mesh.faces[np.flatnonzero((scan.mesh.faces == vertex).any(axis=1))[0]]
        a, b = int(face[0]), int(face[1])
        new = len(scan.mesh.vertices)
        middle = (scan.mesh.vertices[a] + scan.mesh.vertices[b]) / 2
        tip = middle + rng.uniform(2.0, 6.0) * normals[vertex]
        beside = tip + 0.6 * (scan.mesh.vertices[b] - scan.mesh.vertices[a])
        flap = np.array([[a, b, new], [new, b, new + 1]], dtype=np.int64)[: int(rng.integers(1, 3))]
        scan = scan.plus(np.stack([tip, beside])[: len(flap)], flap)
        normals = np.concatenate([normals, np.zeros((len(flap), 3))])
    return _told(scan, Done("fins", f"{count} flaps on edges of the skin"))


def pinches(scan: Scan, rng: np.random.Generator) -> Scan:
    """Holes that touch in a vertex, and stray pieces that hang on one."""
    normals = _normals(scan)
    count = int(rng.integers(1, 4))
    for _ in range(count):
        vertex = inner_vertex(scan, rng, 12.0)
        about = np.flatnonzero((scan.mesh.faces == vertex).any(axis=1))
        middle = scan.centres()[about] - scan.mesh.vertices[vertex]
        first = int(np.argmax(middle @ _direction(rng)))
        other = int(np.argmin(middle @ middle[first]))
        gone = np.zeros(len(scan.mesh.faces), dtype=bool)
        gone[about[[first, other]]] = True
        scan = scan.without(gone)
        hung = inner_vertex(scan, rng, 12.0)
        piece = disc(scan.mesh.vertices[hung] + 3.0 * normals[hung], _direction(rng), 2.0, 2.0)
        new = len(scan.mesh.vertices)
        tie = np.array([[hung, new + 1, new + 2]], dtype=np.int64)
        scan = scan.plus(piece.vertices, np.concatenate([piece.faces + new, tie]))
        normals = np.concatenate([normals, np.zeros((len(piece.vertices), 3))])
    return _told(scan, Done("pinches", f"{2 * count} vertices that hold pieces together", reach_mm=2.0))


def gaps(scan: Scan, rng: np.random.Generator) -> Scan:
    """Faces of their own corners, up to 0.0001 mm apart: over all the scan or along a seam."""
    mesh = scan.mesh
    if rng.random() < 0.5:
        points = mesh.vertices[mesh.faces].reshape(-1, 3)
        faces = np.arange(len(points)).reshape(-1, 3)
        points = points + rng.uniform(-1e-4, 1e-4, points.shape) / 2
        return _told(replace(scan, mesh=Mesh(points, faces)), Done("gaps", "every face apart from its neighbours"))
    far = mesh.vertices[mesh.faces].mean(axis=1) @ _direction(rng) > 0
    used = np.unique(mesh.faces[far])
    index = np.arange(len(mesh.vertices))
    index[used] = len(mesh.vertices) + np.arange(len(used))
    faces = mesh.faces.copy()
    faces[far] = index[faces[far]]
    points = mesh.vertices[used] + rng.uniform(-1e-4, 1e-4, (len(used), 3)) / 2
    return _told(
        replace(scan, mesh=Mesh(np.concatenate([mesh.vertices, points]), faces)), Done("gaps", "two halves apart")
    )


def inside_out(scan: Scan, rng: np.random.Generator) -> Scan:  # noqa: ARG001  one signature for all
    """Every face the other way round."""
    out = replace(scan, mesh=Mesh(scan.mesh.vertices, np.ascontiguousarray(scan.mesh.faces[:, ::-1])))
    return _told(out, Done("inside-out", "all faces inside out"))


def mixed_sides(scan: Scan, rng: np.random.Generator) -> Scan:
    """Faces the other way round in two balls and at random."""
    middle = scan.centres()
    turned = rng.random(len(middle)) < 0.03
    for _ in range(2):
        centre = middle[rng.integers(len(middle))]
        turned |= np.linalg.norm(middle - centre, axis=1) < rng.uniform(15.0, 50.0)
    faces = scan.mesh.faces.copy()
    faces[turned] = faces[turned][:, ::-1]
    out = replace(scan, mesh=Mesh(scan.mesh.vertices, faces))
    return _told(out, Done("mixed-sides", f"{turned.mean():.0%} of the faces inside out"))


def not_numbers(scan: Scan, rng: np.random.Generator) -> Scan:
    """One to five vertices without a place."""
    v = scan.mesh.vertices.copy()
    count = int(rng.integers(1, 6))
    v[rng.choice(np.unique(scan.mesh.faces), count, replace=False), rng.integers(3)] = rng.choice([np.nan, np.inf])
    return _told(
        scan.with_vertices(v),
        Done("not-numbers", f"{count} vertices without a place", mendable=False, refusal=("not a number", "finite")),
    )


MESH: dict[str, Fault] = {
    "sheet-whole": sheet_whole,
    "sheet-partial": sheet_partial,
    "sheet-attached": sheet_attached,
    "two-limbs": two_limbs,
    "islands-near": islands_near,
    "islands-far": islands_far,
    "island-large": island_large,
    "pinches": pinches,
    "fins": fins,
    "cracks": cracks,
    "duplicate-faces": duplicate_faces,
    "degenerate-faces": degenerate_faces,
    "gaps": gaps,
    "inside-out": inside_out,
    "mixed-sides": mixed_sides,
    "not-numbers": not_numbers,
}


def _direction(rng: np.random.Generator) -> Points:
    way = rng.standard_normal(3)
    return np.asarray(way / np.linalg.norm(way))


def _normals(scan: Scan) -> Points:
    """The truth's normals, and zeros for vertices that faults have added."""
    known = vertex_normals(scan.truth)
    return np.concatenate([known, np.zeros((len(scan.mesh.vertices) - len(known), 3))])


def _split(scan: Scan, rng: np.random.Generator, at: float, how: str) -> Scan:
    """A vertex more on an edge of the wall.

    'both': on both sides of it. 'flat': on one side, with a face without area between. 'open': on one side only.
    """
    f, v = scan.mesh.faces, scan.mesh.vertices
    one, other, a, b = _inner_edge(f, v, inner_vertex(scan, rng, 8.0))
    c, d = _third(f[one], a, b), _third(f[other], a, b)
    m = len(v)
    point = v[a] + at * (v[b] - v[a])
    new: list[list[int]] = [[b, m, d], [m, a, d]]
    gone = [other]
    if how == "both":
        new += [[a, m, c], [m, b, c]]
        gone.append(one)
    elif how == "flat":
        new.append([b, a, m])
    keep = np.ones(len(f), dtype=bool)
    keep[gone] = False
    faces: Faces = np.concatenate([f[keep], np.array(new, dtype=np.int64)])
    return replace(scan, mesh=Mesh(np.concatenate([v, point[None]]), faces))


def _inner_edge(faces: Faces, vertices: Points, vertex: int) -> tuple[int, int, int, int]:
    """Two faces at a vertex that share an edge a, b, run a to b by the first and b to a by the other."""
    about = np.flatnonzero((faces == vertex).any(axis=1))
    areas = face_areas(vertices, faces[about])
    for one in about[np.argsort(-areas)]:
        place = int(np.flatnonzero(faces[one] == vertex)[0])
        a, b = int(faces[one, place]), int(faces[one, (place + 1) % 3])
        for other in about:
            if other != one and _runs(faces[other], b, a):
                return int(one), int(other), a, b
    raise ValueError("the vertex has no edge with two faces")


def _runs(face: Ints, a: int, b: int) -> bool:
    return any(face[i] == a and face[(i + 1) % 3] == b for i in range(3))


def _third(face: Ints, a: int, b: int) -> int:
    return next(int(x) for x in face if x not in (a, b))
