"""The limb's frame laid over a capture: its axis, origin and angle 0 from the landmarks that fix them.

One way for all: the limb itself, and whoever must know levels and angles before there is one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.limb.axis import Axis, fit_axis, frame_of
from rectify.limb.landmarks import RawLandmark
from rectify.limb.origin import origin_of, zero_of
from rectify.limb.vocabulary import vocabulary

__all__ = ["Laid", "axis_from", "lay_frame"]

_NO_LINE = (
    "the segment is so short for its girth that it has no line of its own: the axis is the whole capture's; "
    "look whether levels lie square to the limb"
)


@dataclass(frozen=True, eq=False)
class Laid:
    """The axis in the capture's axes, the (4, 4) from those to the limb frame, and what was assumed on the way."""

    axis: Axis
    frame: Floats
    notes: tuple[str, ...]


def axis_from(mesh: Mesh, edge: Points, amputation: str, origin: Floats) -> Axis:
    """The axis of a capture about an origin.

    Parameters
    ----------
    mesh : Mesh
        Open at the top.
    edge : (k, 3) mm
        Its open edge.
    origin : (3,) mm

    Raises
    ------
    MeshError
    """
    above = vocabulary(amputation).segment == "above"
    return fit_axis(mesh, origin, mesh.vertices.mean(axis=0) - edge.mean(axis=0), edge=edge, above=above)


def lay_frame(mesh: Mesh, edge: Points, side: str, amputation: str, landmarks: Mapping[str, RawLandmark]) -> Laid:
    """The frame of a capture.

    Raises
    ------
    LandmarkError
        If nothing fixes the origin or angle 0.
    MeshError
        If there is no axis, or what fixes angle 0 lies on it.
    """
    axis = axis_from(mesh, edge, amputation, origin_of(amputation, landmarks))
    zero, angle, notes = zero_of(amputation, landmarks, axis.point)
    return Laid(axis, frame_of(axis, zero, angle, side), notes if axis.sure else (*notes, _NO_LINE))
