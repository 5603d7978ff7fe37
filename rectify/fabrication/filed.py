"""A surface as a file will hold it, looked over before it is written.

Rounding to float32 can bring two vertices together: they become one, and a face that loses its area by it goes. What is
left must be closed, outward, one body, and no face may pass through another; the checks are made on the rounded
numbers, which are the ones a machine gets.
"""

from __future__ import annotations

import numpy as np

from rectify.errors import RectifyError
from rectify.fabrication.write_stl import single_precision
from rectify.geometry.crossings import crossing_faces
from rectify.geometry.edges import survey
from rectify.geometry.merge import join
from rectify.geometry.mesh import Mesh
from rectify.geometry.volume import volume

__all__ = ["check_sound", "faults_of", "filed", "unsound"]


def filed(mesh: Mesh) -> Mesh:
    """The surface with the numbers of a file, as float64; vertices at one place are one, faces without corners gone."""
    joined = join(Mesh(single_precision(mesh).astype(np.float64), mesh.faces))
    a, b, c = joined.faces.T
    faces = joined.faces[(a != b) & (b != c) & (c != a)]
    used = np.zeros(len(joined.vertices), dtype=bool)
    used[faces] = True
    index = np.cumsum(used) - 1
    return Mesh(joined.vertices[used], index[faces])


def faults_of(mesh: Mesh) -> list[str]:
    """What a machine could stumble over, in words; empty for a sound surface."""
    found = survey(mesh)
    faults = []
    if not found.closed:
        faults.append(f"{len(found.border)} open and {len(found.crowded)} crowded edges")
    if not found.oriented:
        faults.append(f"{len(found.inconsistent)} edges with faces turned against each other")
    if len(found.duplicate):
        faults.append(f"{len(found.duplicate)} faces twice")
    if found.body_count != 1:
        faults.append(f"{found.body_count} bodies")
    if not faults and volume(mesh) <= 0:
        faults.append("inside out")
    if faults:
        return faults
    crossing = crossing_faces(mesh)
    if len(crossing):
        at = mesh.vertices[mesh.faces[crossing[0], 0]]
        faults.append(f"{len(crossing)} faces that pass through others, the first at level {-at[2]:.0f} mm")
    return faults


def check_sound(mesh: Mesh, what: str) -> None:
    """Refuse what must not go to a machine.

    Raises
    ------
    RectifyError
    """
    faults = faults_of(mesh)
    if faults:
        raise unsound(what, faults)


def unsound(what: str, faults: list[str]) -> RectifyError:
    """What is said of a shape with these faults."""
    return RectifyError(
        f"no sound {what} was found",
        wanted="one closed body that does not pass through itself",
        found="; ".join(faults),
        hint="nothing was written; other measures may work, and a report of this line helps",
    )
