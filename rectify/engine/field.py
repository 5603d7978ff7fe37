"""The displacement a plan asks for, place by place, before the guard has seen it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rectify.engine.blend import shares
from rectify.engine.flare import flare_move
from rectify.engine.forms import Formed, Forming, Stage
from rectify.engine.guard import moved as moved_by
from rectify.engine.overall import OverallMove, end_move, overall_move, shortfall
from rectify.engine.places import Places, places_of
from rectify.engine.weights import Weight, region_weight
from rectify.errors import Faults, RectifyError, RulesError
from rectify.geometry.mesh import Floats, Ints, Points
from rectify.limb.chart import wrap_deg
from rectify.limb.limb import Limb
from rectify.rulebook.plan import EndCap, Plan, RegionPlan

__all__ = ["Asked", "Weighed", "ask", "local_step", "weigh"]


_FINISHED_ROUNDS = 4
_MARGIN_MM, _GENEROUS = 5.0, 1.6  # how far beyond its feather a region's weight is looked for, all the same


@dataclass(frozen=True, eq=False)
class Asked:
    """What a plan asks of every vertex.

    Parameters
    ----------
    places : Places
    capture : (n, 3) mm
        The vertices as captured.
    base : (n, 3) mm
        The reduced surface: the capture after the overall reduction, what is done to the end, and the walls that are
        formed. Vertices that none of them touches keep their bits.
    normals : (n, 3) unit
        The reduced surface's, smoothed: the direction of the local move.
    weights : one per region, in the plan's order
    weight : (r, n)
        Each region's weight at each vertex.
    share : (r, n)
        How much of each region's own move each vertex takes.
    step : (n, 3) mm
        The regions' move from the reduced surface.
    overall : OverallMove or None
    form : (n, 3) mm
        The part of the way to `base` that forms walls and the brim's flare; exactly 0 where nothing is formed.
    walls : (n, 3) mm
        The same without the flare.
    brim : (n, 3) mm
        The part of `form` that forms the brim: raised walls, shelves, the flare.
    forming : Forming or None
        The forming regions, to be carried out with other amounts.
    stages : one for each forming region, in the order they were carried out
    cells : (k, c, 3) mm
        What the overall reduction and the end did to the chart's cells.
    """

    places: Places
    capture: Points
    base: Points
    normals: Points
    weights: tuple[Weight, ...]
    weight: Floats
    share: Floats
    step: Points
    overall: OverallMove | None
    form: Points
    walls: Points
    brim: Points
    forming: Forming | None
    stages: tuple[Stage, ...]
    cells: NDArray[np.float64]

    @property
    def shift(self) -> Points:
        """What the overall reduction and the end did, (n, 3) mm, as `local_step` takes it."""
        return self.base - self.form - self.capture

    def core(self, i: int, plan: Plan) -> NDArray[np.bool_]:
        """(n,) the core of region i: its weight is 1, and no region of its rank or above has any. What forms a wall has
        its core where nothing builds up or reduces."""
        rank = [-1 if region.forms else int(region.action == "build-up") for region in plan.regions]
        rivals = np.array([j for j in range(len(rank)) if j != i and rank[j] >= max(rank[i], 0)], dtype=np.int64)
        whole = np.flatnonzero(self.weight[i] == 1.0)
        out = np.zeros(self.weight.shape[1], dtype=bool)
        out[whole] = (self.weight[rivals[:, None], whole] == 0).all(axis=0)
        return out


@dataclass(frozen=True, eq=False)
class Weighed:
    """What of a plan does not depend on its amounts: where its regions lie.

    Parameters
    ----------
    places : Places
    weights : one per region, in the plan's order
    weight, share : (r, n)
        As `Asked` has them.
    """

    places: Places
    weights: tuple[Weight, ...]
    weight: Floats
    share: Floats


def weigh(limb: Limb, plan: Plan, places: Places | None = None) -> Weighed:
    """Where a plan's regions lie on a limb.

    Raises
    ------
    Faults
        Every region whose outline has no room, or whose core holds no vertex of this mesh.
    """
    places = places_of(limb) if places is None else places
    weights, weight = _weigh(limb, plan, places)
    return Weighed(places, weights, weight, _shares(plan, weight))


def ask(limb: Limb, plan: Plan, places: Places | None = None, weighed: Weighed | None = None) -> Asked:
    """Everything the plan asks of this limb.

    Parameters
    ----------
    limb, plan : Limb, Plan
    places : Places, optional
        Where they are known already.
    weighed : Weighed, optional
        Of this limb, and of a plan that differs in amounts only.

    Raises
    ------
    Faults
        Every region whose outline has no room, or whose core holds no vertex of this mesh.
    """
    weighed = weigh(limb, plan, places) if weighed is None else weighed
    places, weights, weight, share = weighed.places, weighed.weights, weighed.weight, weighed.share
    forming = Forming.of(limb, plan.regions, weights, weight, places)
    end, end_cells = _end(limb, plan, places)
    moved = None
    if plan.overall is not None:
        where = (places.stations, places.angles, places.normals)
        moved = overall_move(limb, plan.overall, *where)
        if plan.overall.holds == "before-regions":
            # between levels the solved move is a spline: one more round makes up what a coarse mesh loses by that
            more = shortfall(limb, plan.overall, moved, limb.mesh.vertices + moved.move)
            moved = overall_move(limb, plan.overall, *where, more=more)
        else:
            # regions and the end move points to other levels, and regions measured from the capture depend on
            # the overall move and it on them: each round makes up what the last came short by
            more = np.zeros(len(moved.levels))
            for _ in range(_FINISHED_ROUNDS):
                shift, cells = end + moved.move, end_cells + moved.cells
                walls = _formed(limb, plan, forming, shift, cells)
                step, _ = _local(limb, plan, places, share, shift, cells + walls.cells)
                also = end + step + walls.move - walls.brim  # what forms the brim is not a tape's to make up for
                moved = overall_move(limb, plan.overall, *where, also=also, more=more)
                more = more + shortfall(limb, plan.overall, moved, limb.mesh.vertices + also + moved.move)
    shift = end if moved is None else end + moved.move
    cells = end_cells if moved is None else end_cells + moved.cells
    walls = _formed(limb, plan, forming, shift, cells)
    formed = _flared(limb, plan, places, forming, walls, cells)
    step, normals = _local(limb, plan, places, share, shift, cells + formed.cells)
    base = moved_by(limb.mesh.vertices, shift + formed.move)
    return Asked(
        places=places,
        capture=limb.mesh.vertices,
        base=base,
        normals=normals,
        weights=weights,
        weight=weight,
        share=share,
        step=step,
        overall=moved,
        form=formed.move,
        walls=walls.move,
        brim=formed.brim,
        forming=forming,
        stages=walls.stages,
        cells=cells,
    )


def _shares(plan: Plan, weight: Floats) -> Floats:
    """How much of each region's own move a place takes (r, n); none of what forms a wall."""
    local = np.array([not region.forms for region in plan.regions], dtype=bool)
    builds = np.array([region.action == "build-up" for region in plan.regions], dtype=bool)
    if local.all():
        return shares(weight, builds)
    out = np.zeros_like(weight)
    out[local] = shares(weight[local], builds[local])
    return out


def _formed(limb: Limb, plan: Plan, forming: Forming | None, shift: Points, cells: NDArray[np.float64]) -> Formed:
    """The walls that are formed on the reduced surface."""
    if forming is not None:
        return forming.moves(plan.regions, limb.mesh.vertices + shift, cells)
    nothing = np.zeros_like(shift)
    return Formed(nothing, np.zeros_like(cells), nothing)


def _flared(
    limb: Limb, plan: Plan, places: Places, forming: Forming | None, walls: Formed, cells: NDArray[np.float64]
) -> Formed:
    """The walls with the flare of the brim."""
    if plan.brim is None or plan.brim.flare_out_mm <= 0:
        return walls
    shelf = None if forming is None else forming.shelf(plan.regions)
    flare, flare_cells = flare_move(limb.chart, plan.brim, places, cells + walls.cells, shelf)
    return Formed(walls.move + flare, walls.cells + flare_cells, walls.brim + flare)


def _end(limb: Limb, plan: Plan, places: Places) -> tuple[Points, NDArray[np.float64]]:
    """What is done to the end: of the vertices (n, 3), and of the chart's cells (k, c, 3)."""
    cells = limb.chart.normals
    if plan.end is None or plan.end.amount_mm == 0:
        return np.zeros_like(limb.mesh.vertices), np.zeros_like(cells)
    own = end_move(plan.end, limb.end_level_mm, -limb.mesh.vertices[:, 2], places.normals)
    level = -limb.chart.fine_surface[:, :, 2].ravel()
    return own, end_move(plan.end, limb.end_level_mm, level, cells.reshape(-1, 3)).reshape(cells.shape)


def _local(
    limb: Limb, plan: Plan, places: Places, share: Floats, shift: Points, cells: NDArray[np.float64]
) -> tuple[Points, Points]:
    """The regions' move from the reduced surface (n, 3), and that surface's normals (n, 3)."""
    normals = limb.chart.normal_after(cells, places.stations, places.angles) if cells.any() else places.normals
    return local_step(plan.regions, share, shift, places.normals, normals), normals


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
        near = _near(region, weights[-1], limb, places)
        rows[i, near] = weights[-1].at(places.stations[near], places.angles[near])
        if not (rows[i] == 1.0).any():
            faults.append(_empty_core(region, limb))
    if faults:
        raise Faults(faults)
    return tuple(weights), rows


def _near(region: RegionPlan, weight: Weight, limb: Limb, places: Places) -> Ints:
    """The vertices that a region may reach: those in the box of its outline on the chart, and its feather about it."""
    ring = weight.outline[np.isfinite(weight.outline[:, 0])]
    reach = _GENEROUS * weight.feather_mm + _MARGIN_MM
    low, high = ring[:, 0].min() - reach, ring[:, 0].max() + reach
    if isinstance(region.shape, EndCap) or high > limb.chart.centre_mm:
        # its line may run about the pole, and on the cap degrees grow wide: all round, and all the way
        return np.flatnonzero(places.stations >= low)
    along = (places.stations >= low) & (places.stations <= high)
    middle = ring[0, 1]
    turn = wrap_deg(ring[:, 1] - middle)
    rows = (limb.chart.stations >= low) & (limb.chart.stations <= high)
    per_mm = 360.0 / float(limb.chart.perimeters[rows].min())
    room = reach * per_mm
    around = wrap_deg(places.angles - middle - (turn.min() + turn.max()) / 2)
    return np.flatnonzero(along & (np.abs(around) <= (turn.max() - turn.min()) / 2 + room))


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


def local_step(
    regions: tuple[RegionPlan, ...], share: Floats, shift: Points, capture_normals: Points, normals: Points
) -> Points:
    """The move of every place from the reduced surface, (n, 3) mm.

    Parameters
    ----------
    regions : r regions
    share : (r, n)
        How much of each region's own move a place takes.
    shift : (n, 3) mm
        From the captured to the reduced surface, without what forms walls.
    capture_normals, normals : (n, 3) unit
        Of the captured and of the reduced surface. A region that is measured from the capture takes a place to its
        amount along the capture's normal, whatever the overall reduction did; the others go on from where that went.
    """
    along = np.zeros(len(shift))
    whole = np.zeros_like(shift)
    for region, part in zip(regions, share, strict=True):
        if region.forms:
            continue
        amount = region.asked_mm if region.action == "build-up" else -region.asked_mm
        if region.measured_from == "capture":
            whole += part[:, None] * (amount * capture_normals - shift)
        else:
            along += part * amount
    return along[:, None] * normals + whole
