"""From numbers in a file to faces that mean something: vertices have places, none a hair apart, and faces have area.

Vertices within a hair of each other at open edges are joined (a seam that was written twice); so are the ends of edges
shorter than that. A face flatter than a hair keeps its neighbours together: the edge along it is laid the other way
instead of leaving a crack.
"""

from __future__ import annotations

import numpy as np

from rectify.capture.step import Step
from rectify.errors import MeshError
from rectify.geometry.clip import without_unused
from rectify.geometry.close_pairs import pairs_within
from rectify.geometry.corners import edge_squares
from rectify.geometry.edges import survey
from rectify.geometry.mesh import Faces, Floats, Ints, Mesh, Points
from rectify.geometry.normals import face_cross, lengths
from rectify.geometry.pieces import pieces
from rectify.limb.intake import LARGEST_MM, SMALLEST_MM

__all__ = [
    "HAIR_MM",
    "check_numbers",
    "check_size",
    "close_cracks",
    "close_gaps",
    "drop_bad_faces",
    "unfold_flat",
]

HAIR_MM = 1e-3  # far below what a scanner sees, far above what rounding to float32 does to a metre (6e-5 mm)
_THROWN = 1000.0  # times as far from the middle as half of all points: 100 m and more off a limb
_ROUNDS = 8
_MANY, _UNEVEN = 5000, 6.0  # open edges, and longest over median: with more a tree finds what lies on them


def check_numbers(mesh: Mesh) -> Mesh:
    """Refuse what no mending can begin with; vertices that no face uses go.

    Raises
    ------
    MeshError
        No faces, places that are not numbers, or a scan so small that its units must be others.
    """
    if not len(mesh.faces):
        raise MeshError("the scan has no faces", wanted="a surface", found=f"0 faces, {len(mesh.vertices)} points")
    unused = survey(mesh).unused  # refuses faces that name vertices that do not exist
    bad = np.setdiff1d(np.flatnonzero(~np.isfinite(mesh.vertices).all(axis=1)), unused)
    if len(bad):
        raise MeshError(
            "a vertex is not a number",
            wanted="finite coordinates",
            found=f"{len(bad)} such vertices, the first is number {bad[0]}",
            hint="export the scan again",
        )
    out = without_unused(mesh)[0] if len(unused) else mesh
    longest = float(np.ptp(out.vertices, axis=0).max())
    if longest < SMALLEST_MM:
        _refuse_size(longest)
    if longest > LARGEST_MM:
        _refuse_far(out.vertices, longest)
    return out


def _refuse_far(vertices: Points, longest: float) -> None:
    """Refuse points thrown so far off that all work on them would be in vain, as a damaged file has them."""
    off = np.abs(vertices - np.median(vertices, axis=0)).max(axis=1)
    far = np.flatnonzero(off > _THROWN * max(float(np.median(off)), SMALLEST_MM))
    if len(far):
        raise MeshError(
            "a point lies far off all others",
            wanted=f"a limb of {SMALLEST_MM:g} to {LARGEST_MM:g} mm",
            found=f"{len(far)} such points, one {off[far].max() / 1000:.3g} m away",
            hint="the file may be damaged: export the scan again, or delete the point in the scanning software",
        )
    if longest > _THROWN * LARGEST_MM:
        _refuse_size(longest)


def check_size(mesh: Mesh) -> None:
    """Refuse a limb that no limb is as large or as small as.

    Raises
    ------
    MeshError
    """
    longest = float(np.ptp(mesh.vertices, axis=0).max())
    if not SMALLEST_MM <= longest <= LARGEST_MM:
        _refuse_size(longest)


def _refuse_size(longest: float) -> None:
    text = f"{longest / 1000:.3g} m" if longest > LARGEST_MM else f"{longest:.3g} mm"
    raise MeshError(
        f"the scan is {text} long",
        wanted=f"{SMALLEST_MM:g} to {LARGEST_MM:g} mm",
        found=f"{longest:.4g} mm",
        hint="are the scan's `units` right? mm, cm, m or inch",
    )


def close_gaps(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    """Join vertices that lie within a hair of each other, at open edges and at the ends of edges as short as that.

    Of vertices that are joined the first keeps its place to the bit.
    """
    v, f = mesh.vertices, mesh.faces
    ends = [survey(mesh).border.ravel()]
    for i, side in enumerate(edge_squares(v, f)):
        short = side < HAIR_MM**2
        ends += [f[short, i], f[short, (i + 1) % 3]]
    asked = np.unique(np.concatenate(ends))
    if not len(asked):
        return mesh, []
    pairs = pairs_within(v[asked], HAIR_MM)
    if not len(pairs):
        return mesh, []
    _, label = pieces(len(asked), pairs[:, 0], pairs[:, 1])
    first = np.full(label.max() + 1, len(v))
    np.minimum.at(first, label, asked)
    becomes = np.arange(len(v))
    becomes[asked] = first[label]
    out = without_unused(Mesh(v, becomes[f], mesh.colours))[0]
    count = int((becomes != np.arange(len(v))).sum())
    message = f"{count} vertices within {HAIR_MM:g} mm of others were joined with them"
    return out, [Step("gaps-closed", message, count=count)]


def close_cracks(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    """Where a vertex of one open edge lies on another open edge, that edge's face takes the vertex in.

    A side that has an edge whole and one that has it in parts are then joined; nothing moves.
    """
    taken = 0
    for _ in range(_ROUNDS):
        faces, count = _taken_in(mesh)
        if not count:
            break
        mesh = Mesh(mesh.vertices, faces, mesh.colours)
        taken += count
    if not taken:
        return mesh, []
    message = f"{taken} vertices that lay on an open edge of their neighbours were taken into it"
    return mesh, [Step("cracks-closed", message, count=taken)]


def _taken_in(mesh: Mesh) -> tuple[Faces, int]:
    """Faces with vertices taken into one open edge each, and how many vertices."""
    border = survey(mesh).border
    v = mesh.vertices
    ends = np.unique(border)
    if len(ends) < 4:
        return mesh.faces, 0
    a, b = v[border[:, 0]], v[border[:, 1]]
    length = np.linalg.norm(b - a, axis=1)
    edge, vertex = _within_reach((a + b) / 2, length / 2, v[ends])
    vertex = ends[vertex]
    along = np.einsum("ij,ij->i", v[vertex] - a[edge], b[edge] - a[edge]) / np.maximum(length[edge], 1e-300)
    foot = a[edge] + (along / np.maximum(length[edge], 1e-300))[:, None] * (b[edge] - a[edge])
    on = np.linalg.norm(v[vertex] - foot, axis=1) < HAIR_MM
    on &= (along > HAIR_MM) & (along < length[edge] - HAIR_MM)
    if not on.any():
        return mesh.faces, 0
    edge, vertex, along = edge[on], vertex[on], along[on]
    return _with_edges_split(mesh.faces, border, edge, vertex, along)


def _within_reach(middles: Points, reach: Floats, points: Points) -> tuple[Ints, Ints]:
    """Pairs of a middle and a point in its reach, and perhaps some that are not: a vertex on an edge lies no farther
    from its middle than its ends."""
    k = len(middles)
    if k < _MANY and reach.max() < _UNEVEN * np.median(reach):
        one, other = pairs_within(np.concatenate([middles, points]), float(reach.max())).T
        of_both = (one < k) & (other >= k)
        return one[of_both], other[of_both] - k
    from scipy.spatial import cKDTree

    near = cKDTree(points).query_ball_point(middles, reach)
    return np.repeat(np.arange(k), [len(hits) for hits in near]), np.concatenate(
        [np.array(hits, dtype=np.int64) for hits in near]
    )


def _with_edges_split(faces: Faces, border: Ints, edge: Ints, vertex: Ints, along: Floats) -> tuple[Faces, int]:
    """Split the faces of some open edges at vertices along them; of a face with several such edges only one for now."""
    owner = {}
    wanted = {tuple(pair) for pair in border[np.unique(edge)].tolist()}
    touched = np.flatnonzero(np.isin(faces, border[np.unique(edge)]).sum(axis=1) >= 2)
    for face in touched.tolist():
        for i in range(3):
            pair = (int(faces[face, i]), int(faces[face, (i + 1) % 3]))
            if pair in wanted:
                owner[pair] = (face, i)
    gone: set[int] = set()
    new: list[list[int]] = []
    count = 0
    for number in np.unique(edge).tolist():
        face, place = owner[int(border[number, 0]), int(border[number, 1])]
        tip = int(faces[face, (place + 2) % 3])
        rows = np.flatnonzero((edge == number) & (vertex != tip))
        if face in gone or not len(rows):
            continue
        course = [int(border[number, 0]), *vertex[rows[np.argsort(along[rows])]].tolist(), int(border[number, 1])]
        new += [[course[i], course[i + 1], tip] for i in range(len(course) - 1)]
        gone.add(face)
        count += len(rows)
    keep = np.ones(len(faces), dtype=bool)
    keep[list(gone)] = False
    return np.concatenate([faces[keep], np.array(new, dtype=np.int64).reshape(-1, 3)]), count


def drop_bad_faces(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    """Drop faces with a corner twice and faces told twice; unfold flat ones."""
    steps = []
    seen = survey(mesh)
    bad = np.zeros(len(mesh.faces), dtype=bool)
    bad[seen.degenerate] = True
    bad[seen.duplicate] = True
    if bad.any():
        message = f"{len(seen.degenerate)} faces without area and {len(seen.duplicate)} told twice were dropped"
        steps.append(Step("bad-faces-dropped", message, count=int(bad.sum())))
        mesh = without_unused(Mesh(mesh.vertices, mesh.faces[~bad], mesh.colours))[0]
    faces, count = unfold_flat(mesh)
    if count:
        message = f"{count} faces flatter than {HAIR_MM:g} mm were unfolded"
        steps.append(Step("flat-faces-unfolded", message, count=count))
        mesh = without_unused(Mesh(mesh.vertices, faces, mesh.colours))[0]
    return mesh, steps


def unfold_flat(mesh: Mesh) -> tuple[Faces, int]:
    """Faces whose corners lie in a line are taken into their neighbour across the longest edge.

    Where that edge is open the face is dropped. Where the new edge is there already, or three faces meet, it stays.

    Returns
    -------
    (m, 3) int64
    int
        How many faces were unfolded or dropped.
    """
    faces, done = mesh.faces.copy(), 0
    for _ in range(_ROUNDS):
        height, longest = _heights(mesh, faces)
        flat = np.flatnonzero(height < HAIR_MM)
        if not len(flat):
            break
        count = _unfold(faces, flat, longest)
        faces = faces[faces[:, 0] >= 0]
        done += count
        if not count:
            break
    return faces, done


def _heights(mesh: Mesh, faces: Faces) -> tuple[Floats, Ints]:
    """Height over the longest edge (m,), and which edge that is (0 runs from corner 0 to corner 1)."""
    one, two, three = edge_squares(mesh.vertices, faces)
    longest = np.where((one >= two) & (one >= three), 0, np.where(two >= three, 1, 2))
    side = np.sqrt(np.maximum(np.maximum(one, two), three))
    return lengths(face_cross(mesh.vertices, faces)) / np.maximum(side, 1e-300), longest


def _unfold(faces: Faces, flat: Ints, longest: Ints) -> int:
    """Lay each flat face's longest edge the other way, in place; a dropped face becomes (-1, -1, -1)."""
    n = np.int64(faces.max() + 1)
    half = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    key = half.min(axis=1) * n + half.max(axis=1)
    order = np.argsort(key, kind="stable")
    ranked = key[order]
    touched = np.zeros(len(faces), dtype=bool)
    made: set[int] = set()
    done = 0
    for face in flat.tolist():
        turn = int(longest[face])
        a, b, tip = (int(faces[face, (turn + i) % 3]) for i in range(3))
        at = np.searchsorted(ranked, min(a, b) * n + max(a, b))
        end = np.searchsorted(ranked, min(a, b) * n + max(a, b), side="right")
        there = [int(i) % len(faces) for i in order[at:end]]
        others = [other for other in there if other != face]
        if touched[face] or any(touched[other] for other in others) or len(there) > 2:
            continue
        if not others:
            faces[face] = -1
            touched[face] = True
            done += 1
            continue
        other = others[0]
        far = next(int(x) for x in faces[other] if x not in (a, b))
        new = min(far, tip) * n + max(far, tip)
        if far == tip or new in made or ranked[min(np.searchsorted(ranked, new), len(ranked) - 1)] == new:
            continue
        made.add(int(new))
        # the neighbour runs b to a where sides agree, a to b where they do not: it keeps its own way round
        place = int(np.flatnonzero(faces[other] == far)[0])
        one, two = int(faces[other, (place + 1) % 3]), int(faces[other, (place + 2) % 3])
        faces[other], faces[face] = (far, one, tip), (tip, two, far)
        touched[[face, other]] = True
        done += 1
    return done
