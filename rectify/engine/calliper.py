"""What dimensions measure on a surface: the tape at a level, wide jaws at a level, two tips on places of the skin.

A width without tips is the section's extent; with tips it is the distance between two places of the captured skin,
carried along with the face they lie in, wherever that comes to lie.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rectify.geometry.corners import corner_shares
from rectify.geometry.mesh import Floats, Ints, Mesh, Points
from rectify.geometry.nearest import nearest
from rectify.limb.limb import Limb
from rectify.limb.measure import Profile, measure_levels
from rectify.rulebook.plan import Dimension

__all__ = ["Tips", "dimension_sizes", "sizes_at", "tips_of"]


@dataclass(frozen=True, eq=False)
class Tips:
    """Where the tips of a calliper lie on a mesh: a face's corners and their shares, two of each.

    Parameters
    ----------
    corners : (2, 3) int64
    shares : (2, 3) adding up to 1
    """

    corners: Ints
    shares: Floats

    def apart(self, vertices: Points) -> float:
        """How far the tips are apart, mm."""
        first, second = np.einsum("ij,ijk->ik", self.shares, vertices[self.corners])
        return float(np.linalg.norm(first - second))


def tips_of(limb: Limb, dimension: Dimension) -> Tips | None:
    """The tips of a dimension on the captured limb; None where it has none."""
    if dimension.between is None:
        return None
    stations = np.array([spot.station_mm for spot in dimension.between])
    angles = np.array([spot.angle_deg for spot in dimension.between])
    vertices, faces = limb.mesh.vertices, limb.mesh.faces
    _, face, place = nearest(limb.chart.point(stations, angles), vertices, faces)
    return Tips(faces[face], corner_shares(place, vertices, faces[face]))


def dimension_sizes(mesh: Mesh, dimensions: Sequence[Dimension], tips: Sequence[Tips | None]) -> Floats:
    """What dimensions measure, (k,) mm; NaN where a section is open.

    Parameters
    ----------
    mesh : Mesh
        In the limb frame; of its faces no more is needed than the levels cut.
    dimensions, tips : k of each, as `tips_of` found them
    """
    profile = measure_levels(mesh, np.unique([d.level_mm for d in dimensions]))
    return sizes_at(profile, mesh.vertices, dimensions, tips)


def sizes_at(
    profile: Profile, vertices: Points, dimensions: Sequence[Dimension], tips: Sequence[Tips | None]
) -> Floats:
    """The same of a surface that was measured at all of their levels already."""
    out = np.empty(len(dimensions))
    for k, (d, tip) in enumerate(zip(dimensions, tips, strict=True)):
        i = int(np.searchsorted(profile.levels, d.level_mm))
        out[k] = getattr(profile, d.measure)[i] if tip is None else tip.apart(vertices)
    return out
