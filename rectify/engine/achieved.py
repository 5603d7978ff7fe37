"""What was achieved, region by region, measured on the shapes and not read off the displacement.

At a region's core the nearest distance from points of the surface the amount is measured from to the
rectified surface is taken; its median is what was achieved.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.engine.field import Asked, local_step
from rectify.engine.formed import FormFigures, form_figures
from rectify.engine.guard import Guarded
from rectify.geometry.corners import columns, edges_of
from rectify.geometry.mesh import Faces, Floats, Ints, Points
from rectify.geometry.nearest import Surface
from rectify.geometry.normals import dots, lengths
from rectify.limb.limb import Limb
from rectify.rulebook.plan import Plan, RegionPlan

__all__ = ["Lost", "RegionOutcome", "achieve", "core_distances"]

_FACES = 2**17  # at a time, so that what lies between stays small
_SAMPLES = 300  # of a core's vertices
_LOST_MM = 1e-6  # less than this is rounding and the far ends of what the guard spreads, and nothing that was lost


@dataclass(frozen=True)
class Lost:
    """Where a region had to back off most: level and angle of that place, and by how much, mm."""

    level_mm: float
    angle_deg: float
    mm: float


@dataclass(frozen=True, eq=False)
class RegionOutcome:
    """One region as it came out.

    Parameters
    ----------
    region : RegionPlan
    achieved_mm : float
        From the surface that the amount is measured from; NaN where the core is not free.
    achieved_from_reduced_mm, achieved_from_capture_mm : float
    error_mm : (k,)
        Achieved less asked at each measured core point.
    core_xyz : (3,)
        A point in the middle of the core, on the surface that the amount is measured from.
    core_vertices : int
        How many vertices the free core has; 0 where other regions cover all of it.
    peak_mm, mean_mm : float
        Largest and area-weighted mean move along the normal over the region, positive in the action's direction.
    area_mm2, volume_ml : float
        Of the surface that the region moves; the volume it adds (+) or takes (-).
    overlaps : names of regions that have weight where this one has
    lost : Lost or None
        Where it backed off most, where it did.
    filled_share : float
        Of the core's vertices that fill a hole of the scan.
    feather_mm : float
        As held.
    form : FormFigures or None
        How a wall that it forms came out: `achieved_mm` is then in the sense of its action, peak and mean are outward
        positive.
    """

    region: RegionPlan
    achieved_mm: float
    achieved_from_reduced_mm: float
    achieved_from_capture_mm: float
    error_mm: Floats
    core_xyz: Floats
    core_vertices: int
    peak_mm: float
    mean_mm: float
    area_mm2: float
    volume_ml: float
    overlaps: tuple[str, ...]
    lost: Lost | None
    filled_share: float
    feather_mm: float
    outline: Floats
    form: FormFigures | None = None

    @property
    def backed_off(self) -> bool:
        """Whether the shape could not carry all of it."""
        return self.lost is not None


def achieve(limb: Limb, plan: Plan, asked: Asked, guarded: Guarded) -> tuple[RegionOutcome, ...]:
    """Measure every region of a plan."""
    step = guarded.share[:, None] * asked.step
    areas = _swept_areas(asked.base, step, limb.mesh.faces)
    surface = Surface(guarded.vertices, limb.mesh.faces)
    shape = _Shape(limb, asked, guarded, dots(step, asked.normals), areas, lengths(areas), surface)
    return tuple(_one(limb, plan, asked, guarded, i, shape) for i in range(len(plan.regions)))


@dataclass(frozen=True, eq=False)
class _Shape:
    """What all regions are measured with: the step's height along the normals (n,), the vector areas of the vertices
    (n, 3), a step times its vertex's vector area being the volume that it adds, their sizes (n,), and the rectified
    surface."""

    limb: Limb
    asked: Asked
    guarded: Guarded
    height: Floats
    areas: Points
    area: Floats
    surface: Surface


def _swept_areas(base: Points, step: Points, faces: Faces) -> Points:
    """A third of the swept mean of its faces' vector areas for each vertex.

    While the corners go straight, a face's vector area (u + s du) x (w + s dw) / 2 is quadratic in the share s of the
    way, and its mean u x (w + dw / 2) / 2 + du x (w / 2 + dw / 3) / 2; the sum over the vertices of that times the step
    is the change of volume to rounding.
    """
    out = np.zeros((3, len(step)))
    for start in range(0, len(faces), _FACES):
        part = faces[start : start + _FACES]
        (u, w), (du, dw) = edges_of(base, part), edges_of(step, part)
        far = [a + b / 2 for a, b in zip(w, dw, strict=True)]
        half = [a / 2 + b / 3 for a, b in zip(w, dw, strict=True)]
        for i, (j, k) in enumerate(((1, 2), (2, 0), (0, 1))):
            mean = (u[j] * far[k] - u[k] * far[j] + du[j] * half[k] - du[k] * half[j]) / 6.0
            for corner in columns(part):
                out[i] += np.bincount(corner, weights=mean, minlength=len(step))
    return out.T


def _one(limb: Limb, plan: Plan, asked: Asked, guarded: Guarded, i: int, shape: _Shape) -> RegionOutcome:
    if plan.regions[i].forms:
        return _formed(limb, plan, asked, guarded, i)
    region, weight = plan.regions[i], asked.weight[i]
    sign = 1.0 if region.action == "build-up" else -1.0
    has = np.flatnonzero(weight)
    free = np.flatnonzero(asked.core(i, plan))
    core = free if len(free) else np.flatnonzero(weight == 1.0)
    sample = core[np.linspace(0, len(core) - 1, min(len(core), _SAMPLES)).round().astype(np.int64)]
    normals = asked.normals[sample]
    starts = (asked.base[sample], limb.mesh.vertices[sample])
    alike = np.array_equal(*starts)
    within = [lengths(guarded.vertices[sample] - start) for start in starts]  # no farther than where they went
    both = core_distances(
        starts[0] if alike else np.concatenate(starts),
        normals if alike else np.tile(normals, (2, 1)),
        shape.surface,
        within[0] if alike else np.concatenate(within),
    )
    from_reduced, from_capture = sign * both[: len(sample)], sign * both[-len(sample) :]
    own = from_capture if region.measured_from == "capture" else from_reduced
    start = limb.mesh.vertices if region.measured_from == "capture" else asked.base
    centre = start[core].mean(axis=0)
    area, height = shape.area[has], sign * shape.height[has]
    own_step = _own_step(asked, region, i, has)
    others = [j for j in range(len(plan.regions)) if j != i and asked.weight[j, has].any()]
    return RegionOutcome(
        region=region,
        achieved_mm=float(np.median(own)) if len(free) else float("nan"),
        achieved_from_reduced_mm=float(np.median(from_reduced)),
        achieved_from_capture_mm=float(np.median(from_capture)),
        error_mm=own - region.asked_mm,
        core_xyz=start[core[int(np.argmin(np.linalg.norm(start[core] - centre, axis=1)))]],
        core_vertices=len(free),
        peak_mm=float(height.max()),
        mean_mm=float(np.sum(height * area) / np.sum(area)),
        area_mm2=float(area.sum()),
        volume_ml=float((guarded.share[has] * dots(own_step, shape.areas[has])).sum()) / 1000.0,
        overlaps=tuple(plan.regions[j].name for j in others),
        lost=_lost(asked, guarded.share, has, own_step),
        filled_share=float(np.isin(core, limb.invented).mean()),
        feather_mm=asked.weights[i].feather_mm,
        outline=asked.weights[i].outline,
    )


def _formed(limb: Limb, plan: Plan, asked: Asked, guarded: Guarded, i: int) -> RegionOutcome:
    """A region that forms a wall."""
    region, weight = plan.regions[i], asked.weight[i]
    has = weight > 0
    free = np.flatnonzero(asked.core(i, plan))
    core = free if len(free) else np.flatnonzero(weight == 1.0)
    stage = next(stage for stage in asked.stages if stage.region == i)
    whole = stage.after - stage.before
    step = guarded.formed[:, None] * whole
    areas = _swept_areas(stage.before, step, limb.mesh.faces)
    height, area = np.einsum("ij,ij->i", step, asked.normals), np.linalg.norm(areas, axis=1)
    figures = form_figures(limb, region, stage, guarded, core)
    centre = asked.base[core].mean(axis=0)
    others = [j for j in range(len(plan.regions)) if j != i and (has & (asked.weight[j] > 0)).any()]
    move = np.einsum("ij,ij->i", asked.base - limb.mesh.vertices, asked.places.normals)
    size = np.linalg.norm(step, axis=1)
    peak = int(np.argmax(np.where(has, size, -1.0)))
    return RegionOutcome(
        region=region,
        achieved_mm=figures.achieved_mm,
        achieved_from_reduced_mm=figures.achieved_mm,
        achieved_from_capture_mm=float(np.median(move[core])),
        error_mm=np.array([figures.achieved_mm - region.asked_mm]),
        core_xyz=asked.base[core[int(np.argmin(np.linalg.norm(asked.base[core] - centre, axis=1)))]],
        core_vertices=len(free),
        peak_mm=float(np.copysign(size[peak], height[peak])),
        mean_mm=float(np.sum(height[has] * area[has]) / np.sum(area[has])),
        area_mm2=float(area[has].sum()),
        volume_ml=float(np.einsum("ij,ij->", step, areas)) / 1000.0,
        overlaps=tuple(plan.regions[j].name for j in others),
        lost=_lost(asked, guarded.formed, np.flatnonzero(has), whole[has]),
        filled_share=float(np.isin(core, limb.invented).mean()),
        feather_mm=asked.weights[i].feather_mm,
        outline=asked.weights[i].outline,
        form=figures,
    )


def _lost(asked: Asked, share: Floats, has: Ints, step: Points) -> Lost | None:
    """Where most was lost among a region's vertices (k,), of their own step (k, 3) mm; None where nothing was that
    counts."""
    lost = (1.0 - share[has]) * lengths(step)
    i = int(np.argmax(lost))
    if lost[i] <= _LOST_MM:
        return None
    return Lost(float(-asked.capture[has[i], 2]), float(asked.places.angles[has[i]]), float(lost[i]))


def _own_step(asked: Asked, region: RegionPlan, i: int, at: Ints) -> Points:
    """The part of the step that one region made at some vertices (k,): (k, 3) mm."""
    shift = asked.base[at] - asked.form[at] - asked.capture[at]
    return local_step((region,), asked.share[i : i + 1, at], shift, asked.places.normals[at], asked.normals[at])


def core_distances(points: Points, normals: Points, surface: Surface, within: Floats | None = None) -> Floats:
    """Signed nearest distance from points to a surface, positive where it lies on the normals' side; (k,) mm.

    `within` (k,) mm: no farther is the surface known to be from each point.
    """
    distance, _, place = surface.nearest(points, within)
    side = np.sign(dots(place - points, normals))
    return np.asarray(distance * np.where(side == 0, 1.0, side))
