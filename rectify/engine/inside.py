"""What of the change lies inside the socket, and whether a rigid socket passes the limb's widest part.

The volume below the capture's edge counts much that no socket holds: a thigh above the knee, a pad's room at the end. A
practitioner asks of the part below the trimline, and of the end apart: it is made to a pad's thickness, not to a fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.engine.overall import end_move
from rectify.engine.places import Places
from rectify.geometry.mesh import Points
from rectify.geometry.volume import volume_below
from rectify.limb.limb import Limb
from rectify.limb.measure import Profile
from rectify.rulebook.plan import Plan, Warn

__all__ = ["Inside", "donning_warning", "inside_plane", "inside_volumes"]

_WIDER_PERCENT = 5.0  # soft tissue gives that much; a working value, no source


@dataclass(frozen=True)
class Inside:
    """Volumes in ml distal of the trimline's lowest place.

    Parameters
    ----------
    plane_level_mm : the level of that place, or of the capture's edge where that lies lower
    before_ml, after_ml : of the capture and of the finished model
    end_ml : what was done to the end adds by itself
    """

    plane_level_mm: float
    before_ml: float
    after_ml: float
    end_ml: float

    @property
    def change_percent(self) -> float:
        """Of the volume before."""
        return 100.0 * (self.after_ml - self.before_ml) / self.before_ml

    @property
    def change_without_end_percent(self) -> float:
        """The same, less what was done to the end."""
        return 100.0 * (self.after_ml - self.before_ml - self.end_ml) / self.before_ml


def inside_plane(limb: Limb, plan: Plan, vertices: Points) -> float | None:
    """The level below which everything lies inside the socket; None where the plan has no trimline.

    Parameters
    ----------
    vertices : (n, 3) mm
        The finished wall's.
    """
    if plan.brim is None:
        return None
    return max(limb.plane_level(vertices), *(spot.station_mm for spot in plan.brim.line))


def inside_volumes(limb: Limb, plan: Plan, places: Places, plane: float, before: float, after: float) -> Inside:
    """Volumes inside the socket.

    Parameters
    ----------
    plane : level, as `inside_plane` has it
    before, after : ml below it
    """
    end = 0.0
    if plan.end is not None and plan.end.amount_mm:
        vertices = limb.mesh.vertices
        moved = vertices + end_move(plan.end, limb.end_level_mm, -vertices[:, 2], places.normals)
        end = volume_below(limb.mesh.with_vertices(moved), -plane) / 1000.0 - before
    return Inside(plane, before, after, end)


def donning_warning(plan: Plan, after: Profile) -> tuple[Warn, ...]:
    """A note where the finished model is slimmer above than below by more than soft tissue gives.

    Looked for below the trimline, on closed sections, as a tape reads them.
    """
    if plan.brim is None:
        return ()
    lowest = max(spot.station_mm for spot in plan.brim.line)
    girth = np.where(after.closed & (after.levels >= lowest), after.circumference, np.nan)
    seen = np.flatnonzero(np.isfinite(girth))
    if len(seen) < 2:
        return ()
    levels, girth = after.levels[seen], girth[seen]
    widest_below = np.maximum.accumulate(girth[::-1])[::-1]
    worst = int(np.argmax(widest_below - girth))
    wide = worst + int(np.argmax(girth[worst:]))
    if girth[wide] <= (1.0 + _WIDER_PERCENT / 100.0) * girth[worst]:
        return ()
    text = (
        f"at level {levels[worst]:.0f} mm the finished model is {girth[worst]:.0f} mm round, "
        f"{girth[wide] - girth[worst]:.0f} mm less than at level {levels[wide]:.0f} mm below it: settle how a rigid "
        "socket is to pass there"
    )
    return (Warn("wider-below", "note", text, "levels"),)
