"""Two shapes in one frame: laid over each other, every distance taken, regions and places told apart.

The frame is the limb frame of BEFORE where it has one, else of AFTER, else BEFORE's own long axis with level 0 at the
distal end.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rectify.engine.flare import above_line
from rectify.geometry.mesh import Floats
from rectify.geometry.rigid import carried, inverse
from rectify.limb.limb import Limb
from rectify.rulebook.plan import Plan, Warn
from rectify.studies.align import Alignment, check_apart
from rectify.studies.difference import Difference, Patch, Volumes, difference, patches, volumes
from rectify.studies.pose import stand
from rectify.studies.regions import Laid, lay_regions
from rectify.studies.version import Version

__all__ = ["Shapes", "lay_over"]

_LITTLE_COVERED = 0.7


@dataclass(frozen=True, eq=False)
class Shapes:
    """The two shapes in one frame, and what was measured.

    Parameters
    ----------
    difference : Difference
    limb : Limb, optional
        BEFORE on its chart, for regions and pictures; None where its top cannot be told.
    anatomical : bool
        The frame is a limb frame: front, sides and back are known.
    origin : what level 0 is, in words
    trimmed : bool
        There is a trimline of a result: what lies above it is cut away, and does not count.
    counted : (n,) bool
        BEFORE's vertices that count: all, or those below the trimline.
    """

    difference: Difference
    alignment: Alignment
    limb: Limb | None
    anatomical: bool
    origin: str
    before_frame: Floats
    after_frame: Floats
    volumes: Volumes
    regions: tuple[Laid, ...]
    patches: tuple[Patch, ...]
    plan: Plan | None
    trimmed: bool
    counted: NDArray[np.bool_]


def lay_over(one: Version, two: Version, alignment: Alignment) -> tuple[Shapes, list[Warn]]:
    """Both shapes in one frame, and what a person should know of that.

    Raises
    ------
    InputError
        Half of them lies too far apart to be one limb.
    """
    assert one.wall is not None and two.wall is not None
    framed = one if one.framed else two if two.framed else None
    if framed is None:
        before_frame, origin = stand(one.wall)[0].frame, "the distal end of BEFORE; angles from BEFORE's own axes"
    elif framed is one:
        before_frame, origin = np.eye(4), "BEFORE's limb frame"
    else:
        before_frame, origin = inverse(alignment.frame), "AFTER's limb frame"
    after_frame = before_frame @ alignment.frame
    side = (framed.side if framed is not None else None) or "right"
    amputation = (framed.amputation if framed is not None else None) or "transtibial"
    limb = one.limb_in(before_frame, side, amputation)
    walls = [
        v.wall.with_vertices(carried(v.wall.vertices, f))
        for v, f in ((one, before_frame), (two, after_frame))
        if v.wall
    ]
    d = difference(walls[0], walls[1])
    check_apart(float(np.median(np.abs(d.outward[d.compared]))) if d.compared.any() else np.inf, alignment, two.path)
    notes = list(alignment.warnings)
    if limb is None:
        text = f"{Path(one.path).name} is not open at the top and nowhere else: no regions and no map"
        notes.append(Warn("no-chart", "note", text, ""))
    if d.covered < _LITTLE_COVERED:
        text = f"only {100 * d.covered:.0f} % of BEFORE has something of AFTER that answers it"
        notes.append(Warn("little-compared", "look", text, ""))
    planned = next((v for v in (one, two) if v.kind == "result" and v.plan is not None), one if one.plan else two)
    plan = planned.plan if framed is not None else None
    trimmed, counted = False, np.ones(len(d.outward), dtype=bool)
    laid: list[Laid] = []
    if plan is not None and limb is not None:
        if plan.brim is not None and planned.kind == "result":
            trimmed, counted = True, above_line(limb.chart, plan.brim, *limb.chart.locate(limb.mesh.vertices)) <= 0.0
        laid, more = lay_regions(d, limb, plan, counted)
        notes += more
    made = Shapes(
        difference=d,
        alignment=alignment,
        limb=limb,
        anatomical=framed is not None,
        origin=origin,
        before_frame=before_frame,
        after_frame=after_frame,
        volumes=volumes(d),
        regions=tuple(laid),
        patches=tuple(patches(d, counted)),
        plan=plan,
        trimmed=trimmed,
        counted=counted,
    )
    return made, notes
