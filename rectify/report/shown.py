"""What the map and the five sides ask for: a surface on a chart, how far each vertex moved, regions and outlines.

A rectification's outcome has all of it; so has a comparison of two shapes. Whoever draws something more asks for it
here first.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from rectify.engine.places import Places
    from rectify.geometry.mesh import Floats, Mesh
    from rectify.limb.limb import Limb
    from rectify.rulebook.plan import Brim, RegionPlan

__all__ = ["Located", "Shown", "ShownRegion", "Trimmed"]


class ShownRegion(Protocol):
    """A region, what came of it, and its outline in stations and degrees."""

    @property
    def region(self) -> RegionPlan: ...
    @property
    def achieved_mm(self) -> float: ...
    @property
    def area_mm2(self) -> float: ...
    @property
    def outline(self) -> Floats: ...


class Located(Protocol):
    """Where the vertices lie on the chart."""

    @property
    def places(self) -> Places: ...


class Trimmed(Protocol):
    """The trimline, where there is one."""

    @property
    def brim(self) -> Brim | None: ...


class Shown(Protocol):
    """The limb that is laid out, the surface that is drawn, the move of each vertex between the two; `worked` is the
    move that the colour scale is for."""

    @property
    def limb(self) -> Limb: ...
    @property
    def mesh(self) -> Mesh: ...
    @property
    def move(self) -> Floats: ...
    @property
    def worked(self) -> Floats: ...
    @property
    def asked(self) -> Located: ...
    @property
    def plan(self) -> Trimmed: ...
    @property
    def regions(self) -> Sequence[ShownRegion]: ...
