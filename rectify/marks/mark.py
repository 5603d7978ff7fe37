"""A pencil mark found on a capture."""

from __future__ import annotations

from dataclasses import dataclass

from rectify.geometry.mesh import Ints, Points
from rectify.marks.kinds import Kind

__all__ = ["Mark"]


@dataclass(frozen=True, eq=False)
class Mark:
    """A mark on the surface.

    Parameters
    ----------
    kind : dot | cross | ring | outline | line | patch
        A patch is full ink larger than a dot, or with soft edges: a shaded area, or a stain.
    place : (3,) mm
        On the surface: the middle of a dot, ring, outline or patch, the crossing of a cross, half way along a line.
    curve : (k, 3) mm
        On the surface: a line's course from proximal to distal (once it has been placed), the run of a ring or
        outline, closed; empty for the others.
    normal : (3,) unit, outward
    size_mm : float
        Diameter of a dot, ring, outline or patch (the last two by area); a cross from arm to arm; a line's length.
    width_mm : float
        Of the stroke; of a dot its diameter.
    area_mm2 : float
        Of the ink.
    confidence : float, 0 to 1
        That this is a mark a person drew, of this kind.
    vertices : (n,)
        Of the mesh, under the ink.
    level_mm, angle_deg : float
        Where it lies on the limb; NaN as long as the limb's frame is not known. The angle is in [0, 360).
    """

    kind: Kind
    place: Points
    curve: Points
    normal: Points
    size_mm: float
    width_mm: float
    area_mm2: float
    confidence: float
    vertices: Ints
    level_mm: float = float("nan")
    angle_deg: float = float("nan")
