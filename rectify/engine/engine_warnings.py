"""What a person should know of how a plan was carried out: what backed off, what a scan's holes, edges and folds do."""

from __future__ import annotations

from typing import Literal

import numpy as np

from rectify.engine.achieved import Lost, RegionOutcome
from rectify.engine.guard import Guarded
from rectify.limb.limb import Limb
from rectify.rulebook.plan import Warn

__all__ = ["engine_warnings"]

_LOST_MM = 0.1  # at a core: less than the bound on what is achieved is not lost
_FINE_MM = 3.0  # of edge: up to it amounts hold their bound
_BONE_MM = 10.0  # radius of a ridge or a head of bone under skin: a working value, no source
_FEW_FOLDED = 0.001  # of the chart's cells


def engine_warnings(limb: Limb, regions: tuple[RegionOutcome, ...], guarded: Guarded) -> tuple[Warn, ...]:
    """The engine's own, in the order in which a person would look: regions, walls and overall move, the scan."""
    return (
        *_region_warnings(regions),
        *_eased_warnings(limb, guarded),
        *_fold_warnings(limb),
        *_coarse_warnings(limb),
    )


def _region_warnings(regions: tuple[RegionOutcome, ...]) -> tuple[Warn, ...]:
    out = []
    for r in regions:
        name = r.region.name
        if r.lost is not None:
            out.append(_backed_off(r, r.lost))
        if r.filled_share > 0:
            share = f"{r.filled_share:.0%} of the core of {name} lies where a hole of the scan was filled"
            out.append(Warn("filled-under-core", "look", share, f"regions.{name}"))
        if r.core_vertices == 0:
            over = ", ".join(r.overlaps)
            out.append(
                Warn(
                    "core-covered",
                    "look",
                    f"{name} has no part of its own: {over} reach over all of its core",
                    f"regions.{name}",
                )
            )
    return tuple(out)


def _backed_off(r: RegionOutcome, lost: Lost) -> Warn:
    """To be looked at where the core lost something; a note where only the blend around it did."""
    where, name = f"regions.{r.region.name}", r.region.name
    place = f"level {lost.level_mm:.0f} mm, {lost.angle_deg % 360:.0f} degrees"
    short = float("inf") if np.isnan(r.achieved_mm) else r.region.asked_mm - r.achieved_mm
    if short < _LOST_MM:
        text = f"the blend of {name} was eased where it was too steep, most at {place}; its core has all"
        return Warn("backed-off", "note", text, where)
    got = "" if np.isnan(r.achieved_mm) else f"{r.achieved_mm:.1f} of {r.region.asked_mm:.1f} mm at its core, "
    return Warn("backed-off", "look", f"the shape could not carry all of {name}: {got}least at {place}", where)


def _eased_warnings(limb: Limb, guarded: Guarded) -> tuple[Warn, ...]:
    """Where a wall that is formed had to give way, or the overall reduction, or the end."""
    out = []
    worst = int(np.argmin(guarded.formed))
    if guarded.formed[worst] < 1.0:
        level = -limb.mesh.vertices[worst, 2]
        share = f"{guarded.formed[worst]:.0%} of it at level {level:.0f} mm"
        text = f"the shape could not carry all of what is formed: {share}"
        out.append(Warn("form-backed-off", "look", text, "regions"))
    worst = int(np.argmin(guarded.eased))
    if guarded.eased[worst] >= 1.0:
        return tuple(out)
    level = -limb.mesh.vertices[worst, 2]
    share = f"{guarded.eased[worst]:.0%} of it at level {level:.0f} mm"
    text = f"the shape could not carry all of the overall reduction: {share}"
    return (*out, Warn("overall-backed-off", "look", text, "overall"))


def _coarse_warnings(limb: Limb) -> tuple[Warn, ...]:
    """Over bone the flat faces of a coarse scan lie nearer than their corners, by up to the sag of a chord."""
    if limb.edge_mm <= _FINE_MM:
        return ()
    text = (
        f"the scan's edges are {limb.edge_mm:.1f} mm long: over bone, amounts read up to "
        f"{limb.edge_mm**2 / (8 * _BONE_MM):.1f} mm less than at its points; edges of 1 to 2 mm show them whole"
    )
    return (Warn("coarse-scan", "note", text, "scan"),)


def _fold_warnings(limb: Limb) -> tuple[Warn, ...]:
    """Where a ray from the axis meets the skin twice, places and lengths are not sure."""
    cells = np.argwhere(limb.chart.folded)
    if not len(cells):
        return ()
    row, column = cells[len(cells) // 2]
    place = f"level {limb.chart.stations[row]:.0f} mm, {limb.chart.angles[column] % 360:.0f} degrees"
    severity: Literal["note", "look"] = "look" if len(cells) > _FEW_FOLDED * limb.chart.folded.size else "note"
    text = f"seen from the axis the skin folds over itself in {len(cells)} places, one at {place}: lengths are unsure"
    return (Warn("folded", severity, text, "scan"),)
