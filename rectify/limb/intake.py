"""What a capture must be before anything is measured on it, and what is refused by name.

Accepted: one surface in mm, closed but for one opening at the top, its faces outward. What is not yet
so is refused with where and how much; nothing is mended in silence.
"""

from __future__ import annotations

import numpy as np

from rectify.errors import Faults, MeshError, RectifyError
from rectify.geometry.cap import Cap, cap_opening, closed
from rectify.geometry.edges import border_loops, survey
from rectify.geometry.mesh import Ints, Mesh
from rectify.geometry.volume import volume

__all__ = ["LARGEST_MM", "SMALLEST_MM", "accept"]

SMALLEST_MM = 60.0  # a residual limb shorter than this in every direction is in the wrong units
LARGEST_MM = 900.0  # so is one longer than this
_LEAST_FACES = 500


def accept(mesh: Mesh, *, path: str | None = None, mirror: bool = False) -> Cap:
    """Check a capture and return the membrane that closes its top along its own edge.

    Parameters
    ----------
    mesh : Mesh
        In mm, in any pose.
    path : str, optional
        The scan's file, for the sentences.
    mirror : bool
        See `cap_opening`.

    Raises
    ------
    Faults
        Everything that is wrong with the surface, at once.
    """
    _check_size(mesh, path)
    faults: list[RectifyError] = []

    def fault(message: str, wanted: str, found: str, hint: str) -> None:
        faults.append(MeshError(message, path=path, wanted=wanted, found=found, hint=hint))

    seen = survey(mesh)
    if len(seen.degenerate):
        fault(
            "the surface has faces without area",
            "none",
            f"{len(seen.degenerate)} of {seen.face_count} faces",
            "merge the scan's vertices and drop such faces",
        )
    if len(seen.duplicate):
        fault(
            "the surface has the same face twice",
            "each face once",
            f"{len(seen.duplicate)} faces again",
            "export the scan again, or drop the copies",
        )
    if len(seen.crowded):
        fault(
            "more than two faces meet at an edge",
            "at most two",
            f"{len(seen.crowded)} such edges, one near {_near(mesh, seen.crowded[0])}",
            "mend the scan there",
        )
    if len(seen.inconsistent):
        fault(
            "the surface's sides are mixed up",
            "all faces outward",
            f"{len(seen.inconsistent)} edges whose faces disagree, one near {_near(mesh, seen.inconsistent[0])}",
            "orient the scan's faces",
        )
    if seen.body_count != 1:
        fault("the scan has more than one body", "one limb", f"{seen.body_count} bodies", "delete the stray pieces")
    if faults:
        raise Faults(faults)
    _check_opening(mesh, path)
    cap = cap_opening(mesh, mirror=mirror)
    if volume(closed(mesh, cap)) < 0:
        raise MeshError(
            "the scan is inside out",
            path=path,
            wanted="faces that point away from the limb",
            found="a negative volume",
            hint="turn the faces over, or declare `surface: impression-inside` if it is one",
        )
    return cap


def _check_size(mesh: Mesh, path: str | None) -> None:
    if len(mesh.faces) < _LEAST_FACES:
        raise MeshError(
            "the surface is too coarse to work on",
            path=path,
            wanted=f"at least {_LEAST_FACES} faces",
            found=f"{len(mesh.faces)}",
            hint="is this the whole scan?",
        )
    longest = float(np.ptp(mesh.vertices, axis=0).max())
    if not SMALLEST_MM <= longest <= LARGEST_MM:
        raise MeshError(
            f"the scan is {longest / 1000:.3g} m long"
            if longest > LARGEST_MM
            else f"the scan is {longest:.3g} mm long",
            path=path,
            wanted=f"{SMALLEST_MM:g} to {LARGEST_MM:g} mm",
            found=f"{longest:.4g} mm",
            hint="are the scan's `units` right? mm, cm, m or inch",
        )


def _check_opening(mesh: Mesh, path: str | None) -> None:
    loops = border_loops(mesh)
    if len(loops) == 1:
        return
    if not loops:
        raise MeshError(
            "the scan is closed at the top",
            path=path,
            wanted="one opening, at the top",
            found="none",
            hint="cut the top open where the capture ended",
        )
    sizes = sorted((_length(mesh, loop), loop) for loop in map(tuple, loops))
    hole = np.array(sizes[-2][1])
    raise MeshError(
        f"the surface has {len(loops) - 1} hole{'s' if len(loops) > 2 else ''} besides its open top",
        path=path,
        wanted="one opening, at the top",
        found=f"the largest hole has {len(hole)} edges, {sizes[-2][0]:.0f} mm round, near {_near(mesh, hole)}",
        hint="fill it, or scan again",
    )


def _length(mesh: Mesh, loop: tuple[int, ...]) -> float:
    points = mesh.vertices[np.array(loop)]
    return float(np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1).sum())


def _near(mesh: Mesh, vertices: Ints) -> str:
    return "(" + ", ".join(f"{x:.0f}" for x in mesh.vertices[vertices].mean(axis=0)) + ") in the scan's axes"
