"""From a heap of faces to one sheet: what stands on the skin cut off, the limb's own body kept, sides agreed."""

from __future__ import annotations

import numpy as np

from rectify.capture.crowds import clear_crowds
from rectify.capture.step import Step, place_of, place_text
from rectify.errors import MeshError
from rectify.geometry.clip import without_unused
from rectify.geometry.edges import bodies, survey
from rectify.geometry.fans import lesser_fans
from rectify.geometry.mesh import Ints, Mesh
from rectify.geometry.nearest import nearest
from rectify.geometry.normals import face_areas

__all__ = ["agree_sides", "clear_crowds", "keep_limb", "unpinch"]

_SECOND_LIMB = 0.20  # a further body with more than this share of the limb's area is no stray piece
_WHOLE_SHEET = 0.50  # a second sheet over more of the limb than this: which of the two is the skin cannot be told
_SAME_SKIN_MM = 4.0  # a further body that lies this near all over is the same skin scanned twice
_STRAY = 0.02  # of the limb's area: a piece this small is stray wherever it lies
_SAMPLES = 500
_ROUNDS = 20


def keep_limb(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    """The largest body; stray pieces and a second sheet of a part of the skin go.

    Raises
    ------
    MeshError
        If another body is too large to be a stray piece, or most of the skin is there twice.
    """
    seen = survey(mesh)
    if seen.body_count == 1 and not len(seen.degenerate):
        return mesh, []
    label = bodies(mesh)
    count = int(label.max(initial=0)) + 1
    if count == 1:
        return mesh, []
    area = np.bincount(label, weights=face_areas(mesh.vertices, mesh.faces), minlength=count)
    limb = int(np.argmax(area))
    steps, stray = [], []
    for other in np.flatnonzero(np.arange(count) != limb):
        share = area[other] / area[limb]
        faces = mesh.faces[label == other]
        apart = _apart(mesh, faces, mesh.faces[label == limb]) if share > _STRAY else np.inf
        centre = mesh.vertices[np.unique(faces)].mean(axis=0)
        if apart < _SAME_SKIN_MM:
            if share > _WHOLE_SHEET:
                _refuse_twice(share, apart)
            message = (
                f"a second sheet of the same skin, {area[other]:.0f} mm², {apart:.1f} mm off, near "
                f"{place_text(centre)}, was dropped"
            )
            steps.append(
                Step("second-sheet-dropped", message, look=True, area_mm2=float(area[other]), place=place_of(centre))
            )
            continue
        if share > _SECOND_LIMB:
            raise MeshError(
                "the scan has two bodies",
                wanted="one limb",
                found=f"another, of {share:.0%} of the limb's area, near {place_text(centre)}",
                hint="delete what is not the limb; if both are, join them in the scanning software",
            )
        stray.append(other)
    if stray:
        total = float(area[stray].sum())
        message = f"{len(stray)} stray pieces, {total:.0f} mm² in all, were dropped"
        steps.append(Step("islands-dropped", message, count=len(stray), area_mm2=total))
    return without_unused(Mesh(mesh.vertices, mesh.faces[label == limb], mesh.colours))[0], steps


def _apart(mesh: Mesh, faces: Ints, limb_faces: Ints) -> float:
    """Median distance of a body from the limb, mm."""
    points = mesh.vertices[np.unique(faces)]
    points = points[np.linspace(0, len(points) - 1, min(len(points), _SAMPLES)).astype(np.int64)]
    return float(np.median(nearest(points, mesh.vertices, limb_faces)[0]))


def _refuse_twice(share: float, apart: float) -> None:
    raise MeshError(
        "the skin was captured twice",
        wanted="one surface",
        found=f"a second over {share:.0%} of the limb, {apart:.1f} mm off: which of the two is the skin cannot be told",
        hint="delete one of the two layers in the scanning software, or scan again",
    )


def unpinch(mesh: Mesh) -> tuple[Mesh, int]:
    """Where pieces of skin hang together in a single vertex, the lesser piece's faces there go.

    Returns
    -------
    Mesh
        Every border a simple ring.
    int
        How many vertices there were.
    """
    total = 0
    for _ in range(_ROUNDS):
        pinched, gone = lesser_fans(mesh.faces)
        if not len(pinched):
            break
        total += len(pinched)
        keep = np.ones(len(mesh.faces), dtype=bool)
        keep[gone] = False
        mesh = without_unused(Mesh(mesh.vertices, mesh.faces[keep], mesh.colours))[0]
        mesh = keep_limb(mesh)[0]
    return mesh, total


def agree_sides(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    """Faces turned until neighbours agree which side is out; which side that is, is found later.

    Raises
    ------
    MeshError
        If the surface has only one side.
    """
    seen = survey(mesh)
    if seen.oriented:
        return mesh, []
    import igl

    faces, _ = igl.bfs_orient(np.ascontiguousarray(mesh.faces))
    faces = np.asarray(faces, dtype=np.int64)
    turned = int((faces != mesh.faces).any(axis=1).sum())
    if turned > len(faces) // 2:
        faces, turned = faces[:, ::-1], len(faces) - turned
    out = Mesh(mesh.vertices, np.ascontiguousarray(faces), mesh.colours)
    left = survey(out).inconsistent
    if len(left):
        place = place_text(mesh.vertices[left[0]].mean(axis=0))
        raise MeshError(
            "the surface has only one side",
            wanted="an inside and an outside",
            found=f"{len(left)} edges whose faces cannot agree, one near {place}",
            hint="mend the scan there",
        )
    return out, [Step("faces-turned", f"{turned} faces were turned over to agree with their neighbours", count=turned)]
