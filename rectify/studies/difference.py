"""The difference of two surfaces that lie over each other: a signed distance at every point of the first, and its sums.

Positive: the second lies outside the first, as where a model was built up. The distance is to the nearest point of the
second's triangles. Points whose nearest point lies on an open edge, or where the surfaces face different ways, are not
compared: there one of the two has nothing that answers the other. Volume per place is that of the sliver between the
first surface and where its points are carried, so the places add up to the whole.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import face_areas, face_cross, sum_to_vertices, vertex_normals
from rectify.geometry.signed import reach
from rectify.geometry.volume import volume_below
from rectify.limb.measure import Profile, measure_levels
from rectify.studies.wall import edge_level, holes

__all__ = ["PATCH_MM", "Difference", "Patch", "Spread", "Volumes", "difference", "patches", "spread_of", "volumes"]

PATCH_MM = (
    1.0  # one experienced person repeats himself to 1 mm: less is no place worth naming (Convery and others 2003)
)
_PATCH_AREA_MM2 = 100.0  # nor is one of less than a square centimetre
_PATCHES = 12
_FACING = 0.5  # cosine, 60 degrees
_BELOW_EDGE_MM = 2.0  # as the change report counts volumes
_LEVEL_STEP_MM = 10.0


@dataclass(frozen=True, eq=False)
class Difference:
    """Two surfaces in one frame.

    Parameters
    ----------
    before, after : Mesh
    outward : (n,) mm
        At each vertex of `before`; NaN where not compared.
    step : (n, 3) mm
        From each vertex to its nearest point of `after`; 0 where not compared.
    """

    before: Mesh
    after: Mesh
    outward: Floats
    step: Points

    @cached_property
    def compared(self) -> NDArray[np.bool_]:
        """(n,)"""
        return np.isfinite(self.outward)

    @cached_property
    def areas(self) -> Floats:
        """(n,) mm²: a third of its faces' for each vertex of `before`."""
        own = np.repeat(face_areas(self.before.vertices, self.before.faces) / 3.0, 3)
        total = np.bincount(self.before.faces.ravel(), weights=own, minlength=len(self.outward))
        return np.asarray(total, dtype=np.float64)

    @cached_property
    def volume_mm3(self) -> Floats:
        """(n,) what each vertex adds to the volume between the two, outward positive.

        While its corners go straight a face's vector area is quadratic in the share of the way: Simpson's rule over
        before, half way and there is exact.
        """
        v, f = self.before.vertices, self.before.faces
        mean = sum(w * face_cross(v + share * self.step, f) for w, share in ((1.0, 0.0), (4.0, 0.5), (1.0, 1.0)))
        swept = sum_to_vertices(np.asarray(mean) / 36.0, f, len(v))
        return np.asarray(np.einsum("ij,ij->i", self.step, swept))

    @cached_property
    def covered(self) -> float:
        """Share of the first surface that is compared."""
        return float(self.areas[self.compared].sum() / max(self.areas.sum(), 1e-12))


def difference(before: Mesh, after: Mesh) -> Difference:
    """Compare two surfaces as they lie.

    Parameters
    ----------
    before, after : Mesh
        In mm, in one frame, faces outward; open or closed.
    """
    found = reach(before.vertices, after)
    agree = np.einsum("ij,ij->i", vertex_normals(before), found.normal) > _FACING
    there = agree & ~found.on_border
    step = np.where(there[:, None], found.place - before.vertices, 0.0)
    return Difference(before, after, np.where(there, found.outward, np.nan), step)


@dataclass(frozen=True)
class Spread:
    """What is told of the distances over a part of the surface, weighed by area; NaN where nothing is compared."""

    mean_mm: float
    median_mm: float
    p5_mm: float
    p95_mm: float
    quartiles_mm: float  # between the first and the third
    mean_size_mm: float  # of the distances without their sign
    area_mm2: float
    compared_percent: float
    volume_ml: float


def spread_of(d: Difference, part: NDArray[np.bool_]) -> Spread:
    """Over the vertices `part` (n,)."""
    use = part & d.compared
    area = d.areas[use]
    whole, total = float(d.areas[part].sum()), float(area.sum())
    if total == 0.0:
        nan = float("nan")
        return Spread(nan, nan, nan, nan, nan, nan, 0.0, 0.0, nan)
    x = d.outward[use]
    order = np.argsort(x, kind="stable")
    rank = (np.cumsum(area[order]) - area[order] / 2) / total
    p5, first, median, third, p95 = (float(np.interp(q, rank, x[order])) for q in (0.05, 0.25, 0.5, 0.75, 0.95))
    return Spread(
        mean_mm=float(np.sum(area * x) / total),
        median_mm=median,
        p5_mm=p5,
        p95_mm=p95,
        quartiles_mm=third - first,
        mean_size_mm=float(np.sum(area * np.abs(x)) / total),
        area_mm2=total,
        compared_percent=100.0 * total / whole,
        volume_ml=float(d.volume_mm3[use].sum()) / 1000.0,
    )


# -- places -----------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Patch:
    """A place where the surfaces lie more than PATCH_MM apart, all on one side.

    Parameters
    ----------
    peak_mm, mean_mm : outward positive
    peak : index of the vertex
    vertices : (k,) bool over the first surface
    """

    peak_mm: float
    mean_mm: float
    area_mm2: float
    volume_ml: float
    peak: int
    vertices: NDArray[np.bool_]


def patches(d: Difference, within: NDArray[np.bool_] | None = None) -> list[Patch]:
    """The places where they differ most, the largest volume first; of the vertices `within` (n,) where it is given."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    n = len(d.outward)
    f = d.before.faces
    edges = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])
    out = []
    for sign in (1.0, -1.0):
        far = sign * np.nan_to_num(d.outward) > PATCH_MM
        far = far if within is None else far & within
        inside = far[edges].all(axis=1)
        graph = coo_matrix((np.ones(int(inside.sum())), tuple(edges[inside].T)), shape=(n, n))
        count, label = connected_components(graph, directed=False)
        area = np.bincount(label[far], weights=d.areas[far], minlength=count)
        for piece in np.flatnonzero(area > _PATCH_AREA_MM2):
            own = far & (label == piece)
            at = np.flatnonzero(own)
            peak = int(at[np.argmax(sign * d.outward[own])])
            mean = float(np.average(d.outward[own], weights=d.areas[own]))
            ml = float(d.volume_mm3[own].sum()) / 1000.0
            out.append(Patch(float(d.outward[peak]), mean, float(area[piece]), ml, peak, own))
    return sorted(out, key=lambda p: -abs(p.volume_ml))[:_PATCHES]


# -- levels and volume ------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Volumes:
    """Both volumes below one plane, and both measured at the same levels.

    Parameters
    ----------
    before_ml, after_ml : NaN where a hole lets no volume be told
    plane_level_mm : 2 mm below the lowest point of either open edge
    levels : (k,), before, after : Profile
    """

    before_ml: float
    after_ml: float
    plane_level_mm: float
    before: Profile
    after: Profile


def volumes(d: Difference) -> Volumes:
    """Volumes and levels; level is -z of the frame that both lie in."""
    plane = max(edge_level(d.before), edge_level(d.after)) + _BELOW_EDGE_MM
    end = max(float(-mesh.vertices[:, 2].min()) for mesh in (d.before, d.after))
    levels = np.arange(np.ceil(plane / _LEVEL_STEP_MM) * _LEVEL_STEP_MM, end, _LEVEL_STEP_MM)
    ml = [float("nan") if holes(mesh) else volume_below(mesh, -plane) / 1000.0 for mesh in (d.before, d.after)]
    return Volumes(ml[0], ml[1], plane, measure_levels(d.before, levels), measure_levels(d.after, levels))
