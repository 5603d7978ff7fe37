"""A residual limb: its surface in its own frame, its chart, its landmarks.

    capture (mm, any pose) + landmarks + side + amputation -> Limb

Made once and never changed. Turning, moving or mirroring the capture gives the same limb but for the
last digits.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np

from rectify.geometry.cap import Cap, closed
from rectify.geometry.corners import edge_squares
from rectify.geometry.mesh import Floats, Ints, Mesh, Points
from rectify.geometry.volume import volume, volume_below
from rectify.limb.axis import Axis, to_frame
from rectify.limb.chart import SMOOTH_MM, Chart, build_chart
from rectify.limb.frame import lay_frame
from rectify.limb.intake import accept
from rectify.limb.landmarks import Landmark, RawLandmark, computed, on_chart
from rectify.limb.levels import girth_levels
from rectify.limb.measure import Profile, inflection_level, length_class, measure_levels, shape_class
from rectify.limb.spot import Spot
from rectify.limb.vocabulary import vocabulary

__all__ = ["Limb", "profile_of"]

Found = TypeVar("Found")

_PROFILE_STEP_MM = 2.0
_PLANE_MARGIN_MM = 2.0  # volumes are counted this far below the lowest point of the open edge
# the common peroneal nerve winds round the neck some 20 mm below the top of the head (evidence: from memory)
_NECK_BELOW_HEAD_MM = 20.0
_NECK_UNCERTAINTY_MM = 5.0


@dataclass(frozen=True, eq=False)
class Limb:
    """A limb in its own frame: origin on the axis at level 0, +z proximal, +y anterior, +x the person's right.

    Parameters
    ----------
    side : "left" or "right"
    amputation : str
    mesh : Mesh
        The captured wall, open at the top, float64 mm.
    cap : Cap
        The membrane that closes the top along its own edge.
    frame : (4, 4)
        From the capture's own axes to the limb frame.
    axis : Axis
        In the capture's axes.
    chart : Chart
    profile : Profile
        Measures every 2 mm.
    landmarks : name -> Landmark
        Marked, read and computed ones.
    notes : what was assumed on the way, in words
    invented : (k,) int64
        Vertices of the mesh that fill holes: nobody captured skin there.
    found : dict
        What was found out about the limb as it is and need not be found out again, such as where it crosses itself.
    """

    side: str
    amputation: str
    mesh: Mesh
    cap: Cap
    frame: Floats
    axis: Axis
    chart: Chart
    profile: Profile
    landmarks: Mapping[str, Landmark]
    notes: tuple[str, ...] = ()
    invented: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    found: dict[Hashable, Any] = field(default_factory=dict, init=False, repr=False)

    @classmethod
    def from_capture(
        cls,
        mesh: Mesh,
        *,
        side: str,
        amputation: str,
        landmarks: Mapping[str, RawLandmark],
        invented: Ints | None = None,
        path: str | None = None,
        smooth_mm: float = SMOOTH_MM,
    ) -> Limb:
        """Lay frame and chart over a capture.

        Parameters
        ----------
        mesh : Mesh
            In mm, in any pose, open at the top.
        side, amputation : str
        landmarks : name -> RawLandmark
            In the capture's axes, mm. The origin and what fixes angle 0 must be there.
        invented : (k,) int64, optional
            Vertices that fill holes.
        path : str, optional
            The scan's file, for the sentences.

        Raises
        ------
        LandmarkError, MeshError, Faults
        """
        cap = accept(mesh, path=path, mirror=side == "left")
        laid = lay_frame(mesh, mesh.vertices[cap.loop], side, amputation, landmarks)
        frame = laid.frame
        wall = mesh.with_vertices(to_frame(mesh.vertices, frame))
        chart = build_chart(wall, side, smooth_mm=smooth_mm)
        placed = {name: on_chart(name, raw, chart, frame) for name, raw in landmarks.items()}
        none = np.zeros(0, dtype=np.int64)
        limb = cls(
            side,
            amputation,
            wall,
            cap,
            frame,
            laid.axis,
            chart,
            profile_of(wall),
            placed,
            laid.notes,
            none if invented is None else invented,
        )
        return replace(limb, landmarks={**limb._computed(), **placed})

    def _computed(self) -> dict[str, Landmark]:
        """Places that follow from the whole shape or from a marked landmark, by definition."""
        chart = self.chart
        out = {
            "distal-end": computed(
                "distal-end", Spot(chart.pole_mm, 0.0), chart, 0.0, note="where the axis leaves the end"
            ),
            "inflection": computed(
                "inflection",
                Spot(inflection_level(self.profile), 0.0),
                chart,
                _PROFILE_STEP_MM,
                note="where the profile starts curving in to the end",
            ),
        }
        for name, level in girth_levels(self.profile, self.amputation, self.end_level_mm).items():
            says = vocabulary(self.amputation).names[name].says
            out[name] = computed(name, Spot(level, 0.0), chart, _PROFILE_STEP_MM, note=says)
        head = self.landmarks.get("fibular-head")
        if head is not None and not head.absent:
            spot = chart.step(head.spots[0], _NECK_BELOW_HEAD_MM, 0.0)
            out["fibular-neck"] = computed(
                "fibular-neck",
                spot,
                chart,
                _NECK_UNCERTAINTY_MM,
                note=f"{_NECK_BELOW_HEAD_MM:g} mm below the fibular head, from memory",
            )
        return out

    @cached_property
    def closed(self) -> Mesh:
        """The wall and its membrane: a closed body. The wall's vertices come first."""
        return closed(self.mesh, self.cap)

    def closed_over(self, vertices: Points) -> Mesh:
        """The closed body when the wall's vertices lie elsewhere (n, 3): the membrane follows the edge."""
        return self.closed.with_vertices(np.concatenate([vertices, self.cap.points(vertices)]))

    @cached_property
    def edge(self) -> Points:
        """The open edge, (k, 3) mm in the limb frame, in order."""
        return self.mesh.vertices[self.cap.loop]

    @cached_property
    def edge_mm(self) -> float:
        """The mesh's edge length, median over all three edges of every face, mm."""
        squares = np.concatenate(edge_squares(self.mesh.vertices, self.mesh.faces))
        return float(np.median(np.sqrt(squares)))

    @property
    def end_level_mm(self) -> float:
        """Level of the most distal point."""
        return float(-self.mesh.vertices[:, 2].min())

    @property
    def inflection_mm(self) -> float:
        """Level at which the wall turns in to the end."""
        return self.landmarks["inflection"].level_mm

    def plane_level(self, vertices: Points | None = None) -> float:
        """The level below which volumes are counted: 2 mm below the lowest point of the open edge of either surface."""
        lowest = [-float(self.edge[:, 2].min())]
        if vertices is not None:
            lowest.append(-float(vertices[self.cap.loop, 2].min()))
        return max(lowest) + _PLANE_MARGIN_MM

    def volume_ml(self, plane_level: float | None = None) -> float:
        """Volume below a plane (by default 2 mm below the open edge), ml."""
        level = self.plane_level() if plane_level is None else plane_level
        return volume_below(self.mesh, -level) / 1000.0

    def model_volume_ml(self) -> float:
        """Volume of the whole closed body, ml."""
        return self.once("model volume", lambda: volume(self.closed) / 1000.0)

    def once(self, key: Hashable, find: Callable[[], Found]) -> Found:
        """What is found out about the limb as it is, found out once and kept under a key."""
        if key not in self.found:
            self.found[key] = find()
        known: Found = self.found[key]
        return known

    def shape_class(self) -> tuple[str, float]:
        """conical, cylindrical or bulbous, and the ratio that says so; as far as the segment's sections are closed."""
        closed = self.profile.levels[self.profile.closed]
        top = float(closed[0]) if len(closed) else 0.0
        start = top if vocabulary(self.amputation).segment == "above" else max(top, 0.0)
        return shape_class(self.profile, start, self.inflection_mm)

    def length_class(self) -> str | None:
        """short, average or long, by the length from the origin of levels to the distal end; None where the amputation
        has no such classes."""
        return length_class(self.amputation, self.end_level_mm)


def profile_of(wall: Mesh) -> Profile:
    """Measures of a wall in the limb frame every 2 mm."""
    top, tip = -float(wall.vertices[:, 2].max()), -float(wall.vertices[:, 2].min())
    first = np.ceil(top / _PROFILE_STEP_MM) * _PROFILE_STEP_MM
    return measure_levels(wall, np.arange(first, tip, _PROFILE_STEP_MM))
