"""Cuts at many levels at once: where a scalar field on a surface passes given values.

With height as the field these are plane sections; with a polar angle they are cone sections. Nothing
is chained unless asked: lengths, areas, centroids and hulls need only the directed pieces. A vertex
exactly on a level counts as above it, so no level is ever degenerate. An open surface gives open
sections, and `closed` says which.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.corners import columns, highest, least
from rectify.geometry.mesh import Floats, Ints, Mesh, Points
from rectify.geometry.normals import lengths

__all__ = ["Cuts", "cut"]

Field = Callable[[Points], Floats]


@dataclass(frozen=True, eq=False)
class Cuts:
    """The pieces in which the faces cross the levels.

    Parameters
    ----------
    vertices : (n, 3) float64, mm
        Of the surface that was cut.
    levels : (k,) float64, ascending
    level_of : (s,) int64
        Which level each piece belongs to.
    starts, ends : (s, 3) float64, mm
        Directed so that pieces chain: one piece's end is the next one's start.
    start_edges, end_edges : (s,) int64
        The mesh edge each end lies on: its lower vertex times n, plus the higher.
    faces_of : (s,) int64
        The face each piece crosses.
    """

    vertices: Points
    levels: Floats
    level_of: Ints
    starts: Points
    ends: Points
    start_edges: Ints
    end_edges: Ints
    faces_of: Ints

    @cached_property
    def counts(self) -> Ints:
        """(k,) pieces at each level; 0 where the level misses the surface."""
        return np.bincount(self.level_of, minlength=len(self.levels))

    @cached_property
    def closed(self) -> NDArray[np.bool_]:
        """(k,) whether the section at each level is there and has no loose end."""
        size = np.int64(1) + max(self.start_edges.max(initial=0), self.end_edges.max(initial=0))
        leave = np.sort(self.level_of * size + self.start_edges)
        arrive = np.sort(self.level_of * size + self.end_edges)
        # each piece leaves and arrives once, so in rising order both have a level's edges at the same places
        loose = np.repeat(np.arange(len(self.levels)), self.counts)[leave != arrive]
        return np.asarray((np.bincount(loose, minlength=len(self.levels)) == 0) & (self.counts > 0))

    def perimeters(self) -> Floats:
        """(k,) mm: the pieces' lengths added up, hollows followed (a tape does not: see `hull_perimeters`)."""
        way = lengths(self.ends - self.starts)
        return np.asarray(np.bincount(self.level_of, weights=way, minlength=len(self.levels)), dtype=np.float64)

    def areas_and_centroids(self) -> tuple[Floats, NDArray[np.float64]]:
        """Area (k,) mm² and centroid (k, 2) mm in x and y of each section; meaningful where `closed`.

        Shoelace formula; positive area for a surface whose faces point outward.
        """
        k = len(self.levels)
        shift = self.starts[:, :2].mean(axis=0) if len(self.starts) else np.zeros(2)
        a, b = self.starts[:, :2] - shift, self.ends[:, :2] - shift
        cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
        area = np.bincount(self.level_of, weights=cross, minlength=k) / 2
        moment = np.stack(
            [np.bincount(self.level_of, weights=(a[:, i] + b[:, i]) * cross, minlength=k) / 6 for i in (0, 1)], axis=1
        )
        with np.errstate(invalid="ignore", divide="ignore"):
            centroid = moment / area[:, None] + shift
        return area, centroid

    def lines(self, i: int) -> list[Points]:
        """The pieces of level i chained: (m, 3) each; a closed one ends where it begins. Open ones come first."""
        own = np.flatnonzero(self.level_of == i)
        onward = {int(self.start_edges[k]): int(k) for k in own}
        arrived = {int(self.end_edges[k]) for k in own}
        loose = [edge for edge in onward if edge not in arrived]
        out = []
        while onward:
            edge = loose.pop(0) if loose else next(iter(onward))
            run = []
            while edge in onward:
                run.append(onward.pop(edge))
                edge = int(self.end_edges[run[-1]])
            out.append(np.concatenate([self.starts[run], self.ends[run[-1:]]]))
        return out


def cut(mesh: Mesh, field: Floats, levels: Floats, *, refine: Field | None = None) -> Cuts:
    """Cut a surface where `field` passes each of `levels`.

    Parameters
    ----------
    mesh : Mesh
    field : (n,) float64
        A value per vertex.
    levels : (k,) float64, ascending
    refine : callable, optional
        The field at any point, where it is not linear along an edge: the crossing is then placed by
        two secant steps instead of by linear interpolation.

    Returns
    -------
    Cuts
        Counter-clockwise as seen from the side of higher values, for faces that point outward.
    """
    levels = np.asarray(levels, dtype=np.float64)
    rank = np.searchsorted(levels, field, side="right").astype(np.int32)  # how many levels a vertex is on or above
    first = least(rank, mesh.faces)
    count = highest(rank, mesh.faces) - first
    crossed = np.flatnonzero(count)
    count = count[crossed]
    face = np.repeat(crossed, count)
    level_of = np.repeat(first[crossed] - np.cumsum(count) + count, count) + np.arange(len(face))
    corners = [corner.take(face) for corner in columns(mesh.faces)]
    a, b, c = (rank.take(corner) > level_of for corner in corners)
    height = levels.take(level_of)
    # each crossed face has one edge that falls and one that rises; its neighbour sees the same edge the other way
    starts, start_edges = _crossing(mesh, field, height, *_edge(a & ~b, b & ~c, *corners), refine)
    ends, end_edges = _crossing(mesh, field, height, *_edge(b & ~a, c & ~b, *corners), refine)
    return Cuts(mesh.vertices, levels, level_of, starts, ends, start_edges, end_edges, face)


def _edge(first: NDArray[np.bool_], second: NDArray[np.bool_], a: Ints, b: Ints, c: Ints) -> tuple[Ints, Ints]:
    """The two vertices, lower one first, of a face's first, second or else third edge."""
    one = np.where(first, a, np.where(second, b, c))
    two = np.where(first, b, np.where(second, c, a))
    return np.minimum(one, two), np.maximum(one, two)


def _crossing(
    mesh: Mesh, field: Floats, height: Floats, low: Ints, high: Ints, refine: Field | None
) -> tuple[Points, Ints]:
    """Where the field passes a height on the edges from `low` to `high`; and which edges those are."""
    fp = field.take(low)
    share = (height - fp) / (field.take(high) - fp)
    p = np.empty((3, len(low)))
    way = np.empty((3, len(low)))
    for i, place in enumerate(columns(mesh.vertices)):
        place.take(low, out=p[i])
        np.subtract(place.take(high), p[i], out=way[i])
    if refine is not None:
        share = _refined(p, way, share, fp - height, field.take(high) - height, height, refine)
    at = way
    at *= share
    at += p
    return at.T, low * np.int64(len(mesh.vertices)) + high


def _refined(
    p: Points, way: Points, share: Floats, flo: Floats, fhi: Floats, height: Floats, refine: Field
) -> Floats:
    """A better share of the way where the field bends along it, from its excess at both ends: two secant steps."""
    lo, hi = np.zeros_like(share), np.ones_like(share)
    for _ in range(2):
        value = refine((p + share * way).T) - height
        same = np.sign(value) == np.sign(flo)
        lo, flo = np.where(same, share, lo), np.where(same, value, flo)
        hi, fhi = np.where(same, hi, share), np.where(same, fhi, value)
        gap = fhi - flo
        share = np.where(gap != 0, lo - flo * (hi - lo) / np.where(gap != 0, gap, 1.0), share)
    return share
