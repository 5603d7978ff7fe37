"""Edges of a triangle surface: where it is open, where more than two faces meet, which pieces it has.

Everything comes from one sort of the directed edges. Only indices are looked at, never positions: two
vertices at the same place are two vertices here (`merge` joins them first). Faces with two equal corners have
no area and no edges; they are counted and otherwise passed over. Not found here: faces that cross (a question
about positions) and surfaces that touch in a single vertex.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rectify.errors import MeshError
from rectify.geometry.corners import columns
from rectify.geometry.mesh import Faces, Ints, Mesh
from rectify.geometry.pieces import pieces

__all__ = ["Survey", "bodies", "border_loops", "face_pairs", "is_closed", "survey"]


@dataclass(frozen=True, eq=False)
class Survey:
    """What the edges of a mesh say; indices are of its vertices and faces.

    Parameters
    ----------
    vertex_count, face_count, edge_count : int
        Edges are counted once each, whichever way they run.
    border : (k, 2) int64
        Edges with one face, from and to, in the direction their face runs them.
    crowded : (k, 2) int64
        Edges with three faces or more, lower vertex first.
    inconsistent : (k, 2) int64
        Edges whose two faces run them the same way: one of the two is inside out. Lower vertex first.
    degenerate : (k,) int64
        Faces with two equal corners.
    duplicate : (k,) int64
        Faces whose three corners an earlier face has already, whichever way round.
    unused : (k,) int64
        Vertices that no face has.
    body_count : int
        Pieces joined through edges; 0 for a mesh without faces.
    """

    vertex_count: int
    face_count: int
    edge_count: int
    border: Ints
    crowded: Ints
    inconsistent: Ints
    degenerate: Ints
    duplicate: Ints
    unused: Ints
    body_count: int

    @property
    def closed(self) -> bool:
        """Every edge has exactly two faces, and there is at least one face."""
        return self.edge_count > 0 and not len(self.border) and not len(self.crowded)

    @property
    def manifold(self) -> bool:
        """No edge has more than two faces."""
        return not len(self.crowded)

    @property
    def oriented(self) -> bool:
        """Neighbouring faces agree which side is out."""
        return not len(self.inconsistent)

    @property
    def watertight(self) -> bool:
        """Closed and oriented, without degenerate or duplicate faces: what a volume can be taken of."""
        return self.closed and self.oriented and not len(self.degenerate) and not len(self.duplicate)

    @property
    def euler(self) -> int:
        """Vertices less edges plus faces, unused and degenerate ones left out: 2 for one closed limb."""
        vertices = self.vertex_count - len(self.unused)
        return vertices - self.edge_count + self.face_count - len(self.degenerate)

    @property
    def disc(self) -> bool:
        """One sheet open once, with no handle, and nowhere hanging together in a vertex only.

        Were it cut loose wherever pieces of it hang together in a vertex, it would be one surface with a border still,
        for which V - E + F is 1 at most, and that with one border and no handle; and cutting loose adds vertices. So
        where V - E + F is 1 as it is, there is nothing to cut loose.
        """
        return (
            self.body_count == 1
            and self.euler == 1
            and len(self.border) > 0
            and self.manifold
            and self.oriented
            and not len(self.degenerate)
        )


@dataclass(frozen=True, eq=False)
class _HalfEdges:
    """Directed edges sorted so that those between the same two vertices lie side by side.

    code (e,) : the lower vertex, the higher one in `bits` bits, and in the last bit the direction;
    face (e,); starts (k,) : where each undirected edge begins; counts (k,) : how many faces it has;
    degenerate (d,) : faces passed over.
    """

    code: NDArray[np.uint64]
    bits: int
    face: Ints
    starts: Ints
    counts: Ints
    degenerate: Ints

    def low(self, places: Ints) -> Ints:
        """The lower vertex of some of them."""
        return (self.code[places] >> np.uint64(self.bits + 1)).astype(np.int64)

    def high(self, places: Ints) -> Ints:
        """The higher vertex of some of them."""
        return ((self.code[places] >> np.uint64(1)) & np.uint64((1 << self.bits) - 1)).astype(np.int64)

    @property
    def forward(self) -> NDArray[np.bool_]:
        """(e,) whether each runs from its lower vertex to its higher one."""
        return np.asarray((self.code & np.uint64(1)) == 0)


def survey(mesh: Mesh) -> Survey:
    """Border, crowded and inconsistent edges, degenerate and duplicate faces, unused vertices, bodies.

    Raises
    ------
    MeshError
        If a face names a vertex that does not exist.

    Examples
    --------
    >>> corner = Mesh(np.eye(3), np.array([[0, 1, 2]]))
    >>> found = survey(corner)
    >>> found.closed, len(found.border), found.body_count
    (False, 3, 1)
    """
    if "survey" not in mesh.topology:
        mesh.topology["survey"] = _surveyed(mesh)
    found: Survey = mesh.topology["survey"]
    return found


def face_pairs(mesh: Mesh) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Faces that share an edge, (k,) and (k,): each with the next one at it where there are more than two."""
    survey(mesh)
    one, other = mesh.topology["pairs"]
    return one, other


def _surveyed(mesh: Mesh) -> Survey:
    edges = _half_edges(mesh)
    first = edges.starts
    alone, crowd = first[edges.counts == 1], first[edges.counts > 2]
    pair = first[edges.counts == 2]
    wrong = pair[edges.forward[pair] == edges.forward[pair + 1]] if len(pair) else pair
    used = np.zeros(len(mesh.vertices), dtype=np.bool_)
    for corner in range(3):
        used[mesh.faces[:, corner]] = True
    pairs = _pairs(edges)
    mesh.topology["pairs"] = tuple(part.astype(np.int32) for part in pairs)  # many, and kept for long
    count = pieces(len(mesh.faces), *pairs)[0]
    # one sound piece of three faces or more holds none twice: a face and its copy would be a piece of their own
    single = count == 1 and not len(crowd) and len(mesh.faces) > 2
    return Survey(
        vertex_count=len(mesh.vertices),
        face_count=len(mesh.faces),
        edge_count=len(first),
        border=_directed(edges, alone),
        crowded=np.stack([edges.low(crowd), edges.high(crowd)], axis=1),
        inconsistent=np.stack([edges.low(wrong), edges.high(wrong)], axis=1),
        degenerate=edges.degenerate,
        duplicate=np.empty(0, dtype=np.int64) if single else _duplicates(mesh.faces, len(mesh.vertices)),
        unused=np.flatnonzero(~used).astype(np.int64),
        body_count=count - len(edges.degenerate),
    )


def is_closed(mesh: Mesh) -> bool:
    """Whether every edge has exactly two faces; False for a mesh without faces."""
    counts = _half_edges(mesh).counts
    return bool(len(counts) and (counts == 2).all())


def bodies(mesh: Mesh) -> Ints:
    """Which piece each face belongs to, faces being joined through edges.

    Returns
    -------
    (m,) int64
        0 for the piece with most faces, 1 for the next ...; of equal ones the piece with the earlier
        face first. A degenerate face belongs to no piece: -1. Empty for a mesh without faces.
    """
    degenerate = survey(mesh).degenerate
    one, other = face_pairs(mesh)
    count, label = pieces(len(mesh.faces), one.astype(np.int64), other.astype(np.int64))
    size = np.bincount(label, minlength=count)
    size[label[degenerate]] = 0  # each is a piece of its own among the labels
    rank = np.empty(count, dtype=np.int64)
    rank[np.argsort(-size, kind="stable")] = np.arange(count)
    out = rank[label]
    out[degenerate] = -1
    return out


def border_loops(mesh: Mesh, found: Survey | None = None) -> list[Ints]:
    """The holes and open ends of a surface, each as a ring of vertices in order.

    Parameters
    ----------
    mesh : Mesh
    found : Survey, optional
        Of the same mesh, where there is one already.

    Returns
    -------
    list of (k,) int64
        Each ring once round, its first vertex not repeated, beginning with its lowest index and running
        the way its faces run the border: seen from outside, the surface is on the left; a face that closes
        the hole runs it backwards. No vertex occurs twice in one ring; where holes touch in a vertex each
        gets its own ring.
        The longest (in the units of the mesh) comes first. Empty for a closed mesh.

    Raises
    ------
    MeshError
        Where a border does not close, because neighbouring faces disagree which side is out or an edge has
        three faces.

    Examples
    --------
    >>> corner = Mesh(np.eye(3), np.array([[0, 1, 2]]))
    >>> [ring.tolist() for ring in border_loops(corner)]
    [[0, 1, 2]]
    """
    found = survey(mesh) if found is None else found
    leaving = np.bincount(found.border[:, 0], minlength=1)
    arriving = np.bincount(found.border[:, 1], minlength=1)
    width = max(len(leaving), len(arriving))
    uneven = np.flatnonzero(np.pad(leaving, (0, width - len(leaving))) != np.pad(arriving, (0, width - len(arriving))))
    if len(uneven):
        x, y, z = mesh.vertices[uneven[0]]
        raise MeshError(
            f"the border does not close at {len(uneven)} vertices, the first near ({x:.1f}, {y:.1f}, {z:.1f})",
            wanted="neighbouring faces that agree which side is out, and at most two faces at an edge",
            found=f"{len(found.inconsistent)} edges with faces that disagree, {len(found.crowded)} with three or more",
            hint="mend the surface in the scanning software and export it again",
        )
    rings = [_from_lowest(np.array(ring, dtype=np.int64)) for ring in _walk(found.border)]
    return sorted(rings, key=lambda ring: (-_perimeter(mesh, ring), int(ring[0])))


def _half_edges(mesh: Mesh) -> _HalfEdges:
    n = len(mesh.vertices)
    _check_range(mesh.faces, n)
    a, b, c = columns(mesh.faces.astype(np.int64, copy=False))
    bad = (a == b) | (b == c) | (c == a)
    degenerate = np.flatnonzero(bad).astype(np.int64)
    keep = np.flatnonzero(~bad) if len(degenerate) else None
    if keep is not None:
        a, b, c = a[keep], b[keep], c[keep]
    bits = max(int(n - 1).bit_length(), 1) if n else 1
    code, face = _sorted_edges(a, b, c, bits)
    new = np.empty(len(code), dtype=np.bool_)
    new[:1] = True
    pair = code >> np.uint64(1)
    np.not_equal(pair[1:], pair[:-1], out=new[1:])
    starts = np.flatnonzero(new)
    return _HalfEdges(
        code=code,
        bits=bits,
        face=face if keep is None else keep[face],
        starts=starts,
        counts=np.diff(starts, append=len(code)),
        degenerate=degenerate,
    )


def _sorted_edges(a: Ints, b: Ints, c: Ints, bits: int) -> tuple[NDArray[np.uint64], Ints]:
    """Codes (low, high, direction bit) of all edges of faces abc in rising order, and which face each one is of.

    The face's number rides in the lower bits of the sorted word while it fits (meshes up to some three million
    faces), which saves an argsort: several times quicker.
    """
    count = len(a)
    index_bits = max(count, 1).bit_length()
    code = np.empty((3, count), dtype=np.uint64)
    for part, head, tail in zip(code, (a, b, c), (b, c, a), strict=True):
        part[:] = np.minimum(head, tail)
        part <<= np.uint64(bits)
        part |= np.maximum(head, tail).astype(np.uint64)
        part <<= np.uint64(1)
        part |= head > tail
    if 2 * bits + 1 + index_bits > 64:
        face = np.tile(np.arange(count), 3)
        order = np.lexsort((face, code.ravel()))
        return code.ravel()[order], face[order]
    code <<= np.uint64(index_bits)
    code |= np.arange(count, dtype=np.uint64)
    packed = code.reshape(-1)
    packed.sort()
    face = (packed & np.uint64((1 << index_bits) - 1)).astype(np.int64)
    packed >>= np.uint64(index_bits)
    return packed, face


def _check_range(faces: Faces, vertex_count: int) -> None:
    if not faces.size:
        return
    low, high = int(faces.min()), int(faces.max())
    if low < 0 or high >= vertex_count:
        row = int(np.flatnonzero(((faces < 0) | (faces >= vertex_count)).any(axis=1))[0])
        raise MeshError(
            f"face {row} names a vertex that does not exist",
            wanted=f"numbers from 0 to {vertex_count - 1}" if vertex_count else "no faces without vertices",
            found=" ".join(str(int(corner)) for corner in faces[row]),
        )


def _directed(edges: _HalfEdges, places: Ints) -> Ints:
    ahead = edges.forward[places]
    low, high = edges.low(places), edges.high(places)
    return np.stack([np.where(ahead, low, high), np.where(ahead, high, low)], axis=1)


def _pairs(edges: _HalfEdges) -> tuple[Ints, Ints]:
    """Faces that follow each other at an edge."""
    follows = np.ones(len(edges.face), dtype=np.bool_)
    follows[edges.starts] = False
    later = np.flatnonzero(follows)
    return edges.face.take(later - 1), edges.face.take(later)


def _duplicates(faces: Faces, vertex_count: int) -> Ints:
    """Faces, other than the first of each kind, that have the same three different corners."""
    if not len(faces):
        return np.empty(0, dtype=np.int64)
    a, b, c = faces[:, 0], faces[:, 1], faces[:, 2]
    low, high = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
    middle = a + b + c - low - high
    whole = (low < middle) & (middle < high)
    bits = max(int(vertex_count - 1).bit_length(), 1)
    if 3 * bits <= 64:
        shift = np.uint64(bits)
        key = (low.astype(np.uint64) << shift) | middle.astype(np.uint64)
        key = (key << shift) | high.astype(np.uint64)
        ranked = np.sort(key)
        if not (ranked[1:] == ranked[:-1]).any():
            return np.empty(0, dtype=np.int64)
        order = np.argsort(key, kind="stable")
    else:
        order = np.lexsort((high, middle, low))  # stable: equal ones stay in the order of the faces
    row = np.stack([low, middle, high], axis=1)[order]
    again = np.zeros(len(faces), dtype=np.bool_)
    again[order[1:]] = (row[1:] == row[:-1]).all(axis=1)
    return np.flatnonzero(again & whole).astype(np.int64)


def _walk(border: Ints) -> list[list[int]]:
    """Rings of a border in which as many edges leave each vertex as arrive."""
    ahead: dict[int, list[int]] = {}
    for start, end in border.tolist()[::-1]:
        ahead.setdefault(start, []).append(end)
    rings: list[list[int]] = []
    for start in [int(v) for v in border[:, 0]]:
        path: list[int] = [start]
        place = {start: 0}
        while ahead.get(path[-1]):
            step = ahead[path[-1]].pop()
            if step in place:  # once round: take the ring off, carry on from where it hung
                ring = path[place[step] :]
                for vertex in ring[1:]:
                    del place[vertex]
                del path[place[step] + 1 :]
                rings.append(ring)
            else:
                place[step] = len(path)
                path.append(step)
    return rings


def _from_lowest(ring: Ints) -> Ints:
    return np.roll(ring, -int(np.argmin(ring)))


def _perimeter(mesh: Mesh, ring: Ints) -> float:
    points = mesh.vertices[ring]
    return float(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1).sum())
