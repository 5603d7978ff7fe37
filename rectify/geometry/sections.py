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
import shapely
from numpy.typing import NDArray

from rectify.geometry.corners import highest, least
from rectify.geometry.mesh import Floats, Ints, Mesh, Points

__all__ = ["Cuts", "cut", "hull_extents", "hull_perimeters"]

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
        if np.array_equal(leave, arrive):
            return np.asarray(self.counts > 0)
        loose = np.setxor1d(leave, arrive, assume_unique=False)
        return np.asarray((np.bincount(loose // size, minlength=len(self.levels)) == 0) & (self.counts > 0))

    def perimeters(self) -> Floats:
        """(k,) mm: the pieces' lengths added up, hollows followed (a tape does not: see `hull_perimeters`)."""
        lengths = np.linalg.norm(self.ends - self.starts, axis=1)
        return np.asarray(np.bincount(self.level_of, weights=lengths, minlength=len(self.levels)), dtype=np.float64)

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
    low, high = least(field, mesh.faces), highest(field, mesh.faces)
    first = np.searchsorted(levels, low, side="right")
    count = np.searchsorted(levels, high, side="right") - first
    crossed = np.flatnonzero(count)
    count = count[crossed]
    face = np.repeat(crossed, count)
    level_of = np.repeat(first[crossed] - np.cumsum(count) + count, count) + np.arange(count.sum())
    corners = mesh.faces[face]
    row = np.arange(len(face))
    a, b, c = (field[corners[:, i]] >= levels[level_of] for i in range(3))
    # the edge of each face, by its first corner, over which the field falls below the level, and rises over it
    down = np.where(a & ~b, 0, np.where(b & ~c, 1, 2))
    up = np.where(b & ~a, 0, np.where(c & ~b, 1, 2))

    def crossing(side: Ints) -> tuple[Points, Ints]:
        one, two = corners[row, side], corners[row, (side + 1) % 3]
        low, high = np.minimum(one, two), np.maximum(one, two)
        at = _place(mesh.vertices[low], mesh.vertices[high], field[low], field[high], levels[level_of], refine)
        return at, low * np.int64(len(mesh.vertices)) + high

    # each crossed face has one edge that falls and one that rises; its neighbour sees the same edge the other way
    starts, start_edges = crossing(down)
    ends, end_edges = crossing(up)
    return Cuts(mesh.vertices, levels, level_of, starts, ends, start_edges, end_edges, face)


def _place(p: Points, q: Points, fp: Floats, fq: Floats, level: Floats, refine: Field | None) -> Points:
    """Where the field passes `level` between p and q."""
    share = (level - fp) / (fq - fp)
    at = p + share[:, None] * (q - p)
    if refine is None:
        return at
    lo, flo = np.zeros_like(share), fp - level
    hi, fhi = np.ones_like(share), fq - level
    for _ in range(2):
        value = refine(at) - level
        same = np.sign(value) == np.sign(flo)
        lo, flo = np.where(same, share, lo), np.where(same, value, flo)
        hi, fhi = np.where(same, hi, share), np.where(same, fhi, value)
        gap = fhi - flo
        share = np.where(gap != 0, lo - flo * (hi - lo) / np.where(gap != 0, gap, 1.0), share)
        at = p + share[:, None] * (q - p)
    return at


def hull_perimeters(xy: NDArray[np.float64], level_of: Ints, k: int) -> Floats:
    """What a tape reads: the perimeter of the convex hull of each section's points.

    Parameters
    ----------
    xy : (s, 2) float64, mm
    level_of : (s,) int64, ascending or not
    k : int
        Number of levels.

    Returns
    -------
    (k,) float64, mm
        NaN where a level has no points.
    """
    out = np.full(k, np.nan)
    if len(xy):
        order = np.argsort(level_of, kind="stable")
        present, group = np.unique(level_of[order], return_inverse=True)
        out[present] = shapely.length(shapely.convex_hull(shapely.multipoints(xy[order], indices=group)))
    return out


def hull_extents(xy: NDArray[np.float64], level_of: Ints, k: int) -> NDArray[np.float64]:
    """Widths of each section along x and y: (k, 2) mm, NaN where a level has no points."""
    out = np.full((k, 2), np.nan)
    if len(xy):
        low, high = np.full((k, 2), np.inf), np.full((k, 2), -np.inf)
        np.minimum.at(low, level_of, xy)
        np.maximum.at(high, level_of, xy)
        there = np.isfinite(low[:, 0])
        out[there] = (high - low)[there]
    return out
