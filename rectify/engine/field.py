"""The displacement a plan asks for, place by place, before the guard has seen it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rectify.engine.blend import blend_kind, together
from rectify.engine.overall import OverallMove, end_move, overall_move, shortfall
from rectify.engine.weights import Weight, region_weight
from rectify.errors import Faults, RectifyError, RulesError
from rectify.geometry.mesh import Floats, Points
from rectify.limb.limb import Limb
from rectify.rulebook.plan import Plan, RegionPlan

__all__ = ["Asked", "Places", "ask", "local_move", "places_of"]


_FINISHED_ROUNDS = 4


@dataclass(frozen=True, eq=False)
class Places:
    """Where a limb's vertices are on its chart, and the smoothed surface's direction there."""

    stations: Floats
    angles: Floats
    normals: Points


@dataclass(frozen=True, eq=False)
class Asked:
    """What a plan asks of every vertex.

    Parameters
    ----------
    places : Places
    base : (n, 3) mm
        The reduced surface: the capture after the overall reduction and what is done to the end. Vertices that
        neither touches keep their bits.
    normals : (n, 3) unit
        The reduced surface's, smoothed: the direction of the local move.
    weights : one per region, in the plan's order
    weight : (r, n)
        Each region's weight at each vertex.
    local : (n,) mm
        Signed move along the normal from the reduced surface; build-up positive.
    overall : OverallMove or None
    """

    places: Places
    base: Points
    normals: Points
    weights: tuple[Weight, ...]
    weight: Floats
    local: Floats
    overall: OverallMove | None

    def core(self, i: int, plan: Plan) -> NDArray[np.bool_]:
        """(n,) the core of region i: its weight is 1, and no region of its rank or above has any."""
        rank = [region.action == "build-up" for region in plan.regions]
        rivals = [j for j in range(len(rank)) if j != i and rank[j] >= rank[i]]
        free = (self.weight[rivals] == 0).all(axis=0) if rivals else np.ones(self.weight.shape[1], dtype=bool)
        return np.asarray((self.weight[i] == 1.0) & free)


def places_of(limb: Limb) -> Places:
    """The chart places of a limb's vertices."""
    stations, angles = limb.chart.locate(limb.mesh.vertices)
    return Places(stations, angles, limb.chart.normal(stations, angles))


def ask(limb: Limb, plan: Plan, places: Places | None = None) -> Asked:
    """Everything the plan asks of this limb.

    Raises
    ------
    Faults
        Every region whose outline has no room, or whose core holds no vertex of this mesh.
    """
    places = places_of(limb) if places is None else places
    weights, weight = _weigh(limb, plan, places)
    end, end_cells = _end(limb, plan, places)
    moved = None
    if plan.overall is not None:
        where = (places.stations, places.angles, places.normals)
        moved = overall_move(limb, plan.overall, *where)
        if plan.overall.holds == "finished":
            # regions and the end move points to other levels, and regions measured from the capture depend on
            # the overall move and it on them: each round makes up what the last came short by
            more = np.zeros(len(moved.levels))
            for _ in range(_FINISHED_ROUNDS):
                shift = end + moved.move
                local, normals = _local(limb, plan, places, weight, shift, end_cells + moved.cells)
                also = end + local[:, None] * normals
                moved = overall_move(limb, plan.overall, *where, also=also, more=more)
                more = more + shortfall(limb, plan.overall, moved, limb.mesh.vertices + also + moved.move)
    shift = end if moved is None else end + moved.move
    local, normals = _local(limb, plan, places, weight, shift, end_cells if moved is None else end_cells + moved.cells)
    return Asked(places, _shifted(limb.mesh.vertices, shift), normals, weights, weight, local, moved)


def _end(limb: Limb, plan: Plan, places: Places) -> tuple[Points, NDArray[np.float64]]:
    """What is done to the end: of the vertices (n, 3), and of the chart's cells (k, c, 3)."""
    cells = limb.chart.normals
    if plan.end is None or plan.end.amount_mm == 0:
        return np.zeros_like(limb.mesh.vertices), np.zeros_like(cells)
    own = end_move(plan.end, limb.end_level_mm, -limb.mesh.vertices[:, 2], places.normals)
    level = -limb.chart.fine_surface[:, :, 2].ravel()
    return own, end_move(plan.end, limb.end_level_mm, level, cells.reshape(-1, 3)).reshape(cells.shape)


def _local(
    limb: Limb, plan: Plan, places: Places, weight: Floats, shift: Points, cells: NDArray[np.float64]
) -> tuple[Floats, Points]:
    """The signed move along the reduced surface's normals (n,), and those normals (n, 3)."""
    normals = limb.chart.normal_after(cells, places.stations, places.angles) if cells.any() else places.normals
    return local_move(plan.regions, weight, np.einsum("ij,ij->i", shift, normals)), normals


def _weigh(limb: Limb, plan: Plan, places: Places) -> tuple[tuple[Weight, ...], Floats]:
    weights: list[Weight] = []
    rows = np.zeros((len(plan.regions), len(places.stations)))
    faults: list[RectifyError] = []
    for i, region in enumerate(plan.regions):
        try:
            weights.append(region_weight(region, limb.chart, limb.edge_mm))
        except RulesError as error:
            faults.append(error)
            continue
        rows[i] = weights[-1].at(places.stations, places.angles)
        if not (rows[i] == 1.0).any():
            faults.append(_empty_core(region, limb))
    if faults:
        raise Faults(faults)
    return tuple(weights), rows


def _empty_core(region: RegionPlan, limb: Limb) -> RulesError:
    spot = region.anchor.spot
    beyond = not limb.chart.is_captured(np.array([spot.station_mm]), np.array([spot.angle_deg]))[0]
    return RulesError(
        "the region lies where nothing was captured" if beyond else "no vertex of the mesh lies in the region's core",
        key=f"regions.{region.name}",
        found=f"its anchor is at level {spot.station_mm:.0f} mm, {spot.angle_deg % 360:.0f} degrees"
        + ("" if beyond else f"; the mesh has {limb.edge_mm:.1f} mm edges"),
        hint="drop the region, or capture more of the limb" if beyond else "use a finer scan, or a wider region",
    )


def local_move(regions: tuple[RegionPlan, ...], weight: Floats, already: Floats) -> Floats:
    """Signed move along the normal from the reduced surface, (n,) mm.

    Parameters
    ----------
    regions : r regions
    weight : (r, n)
    already : (n,) mm
        How far the reduced surface lies outside (+) or inside (-) the captured one: what a region that is measured
        from the capture need not do again.
    """
    n = weight.shape[1]
    rows: dict[str, list[Floats]] = {"build-up": [], "reduce": []}
    amounts: dict[str, list[Floats]] = {"build-up": [], "reduce": []}
    for region, w in zip(regions, weight, strict=True):
        sign = 1.0 if region.action == "build-up" else -1.0
        from_capture = region.measured_from == "capture"
        rows[region.action].append(w)
        amounts[region.action].append(region.asked_mm - sign * already if from_capture else np.full(n, region.asked_mm))

    def stacked(parts: list[Floats]) -> Floats:
        return np.stack(parts) if parts else np.zeros((0, n))

    w_build, build = blend_kind(stacked(rows["build-up"]), stacked(amounts["build-up"]))
    _, reduce = blend_kind(stacked(rows["reduce"]), stacked(amounts["reduce"]))
    return together(w_build, build, reduce)


def _shifted(vertices: Points, shift: Points) -> Points:
    """Vertices moved where there is anything to move; the others keep their bits."""
    out = vertices.copy()
    moves = (shift != 0).any(axis=1)
    out[moves] += shift[moves]
    return out
