"""What a surface is here: vertices in mm, faces as index triples, outward by the right-hand rule."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Faces", "Floats", "Ints", "Mesh", "Points"]

Points = NDArray[np.float64]  # (n, 3), mm
Faces = NDArray[np.int64]  # (m, 3), indices into the points
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Mesh:
    """A triangle surface; never changed in place.

    Parameters
    ----------
    vertices : (n, 3) float64, mm unless a reader says otherwise
    faces : (m, 3) int64
        Kept column by column in memory, as work on whole surfaces reads them.
    colours : (n, 3) uint8, optional
        One colour per vertex where the file carried them (pencil marks).
    topology : dict
        What was found out about the faces alone, kept so that nobody finds it out again; meshes that share their
        faces share it.
    """

    vertices: Points
    faces: Faces
    colours: NDArray[np.uint8] | None = None
    topology: dict[str, Any] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "faces", np.asfortranarray(self.faces))

    def with_vertices(self, vertices: Points) -> Mesh:
        """The same faces and colours on other positions (n, 3)."""
        return Mesh(vertices, self.faces, self.colours, self.topology)
