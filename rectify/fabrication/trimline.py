"""The trimline: a rulebook's brim as a closed curve on the finished model, in the limb frame.

The curve is `rectify.engine.brim`'s: places joined by straight lines in the unrolled wall, corners rounded. It is drawn
on the captured skin and goes where that skin went, out along a seat or a flare included. The flare itself is in the
model already; what the rulebook says of it is passed on for the record.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from rectify.engine.brim import SPACING_MM, brim_curve, rounded_ring
from rectify.geometry.corners import corner_shares
from rectify.geometry.mesh import Mesh, Points
from rectify.geometry.nearest import nearest
from rectify.limb import Limb
from rectify.rulebook.plan import Brim

__all__ = ["SPACING_MM", "rounded_ring", "trimline", "trimline_facts"]

_DECIMALS = 4  # 0.0001 mm: below what float32 holds at 300 mm


def trimline_facts(limb: Limb, brim: Brim, mesh: Mesh) -> dict[str, Any]:
    """What a trimline file holds.

    Parameters
    ----------
    limb : Limb
    brim : Brim
    mesh : Mesh
        The rectified wall in the limb frame, open at the top.

    Raises
    ------
    RulesError
        See `trimline`.
    """
    points, captured = trimline(limb, brim, mesh)
    steps = np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1)
    return {
        "format": 1,
        "units": "mm",
        "frame": "limb: origin on the axis at level 0, +z proximal, +y anterior, +x the person's right",
        "closed": True,
        "length_mm": round(float(steps.sum()), 3),
        "beyond_capture_mm": round(float(steps[~captured].sum()), 3),
        "corner_radius_mm": float(brim.corner_radius_mm),
        "flare": {"out_mm": float(brim.flare_out_mm), "over_mm": float(brim.flare_over_mm), "where": brim.flare_where}
        if brim.flare_out_mm
        else None,
        "points": np.round(points + 0.0, _DECIMALS).tolist(),
    }


def trimline(limb: Limb, brim: Brim, mesh: Mesh) -> tuple[Points, np.ndarray[Any, np.dtype[np.bool_]]]:
    """The curve (n, 3) mm, its last point next to its first, and for each point whether there is captured skin.

    Where there is none the point lies on the model's open edge, the nearest there is.

    Raises
    ------
    RulesError
        The places of the brim do not run once round the limb.
    """
    along, degrees, _ = brim_curve(limb.chart, brim)
    drawn = limb.chart.point(along, degrees)
    _, face, on_skin = nearest(drawn, limb.mesh.vertices, limb.mesh.faces)
    corners = limb.mesh.faces[face]
    shares = corner_shares(on_skin, limb.mesh.vertices, corners)
    points = np.asarray(np.einsum("ki,kij->kj", shares, mesh.vertices[corners]))
    return points, limb.chart.is_captured(along, degrees)
