"""From a heap of faces to one sheet: bad faces out, sides agreed, the limb's own body kept."""

from __future__ import annotations

import numpy as np

from rectify.capture.step import Step, place_text
from rectify.errors import MeshError
from rectify.geometry.clip import without_unused
from rectify.geometry.edges import bodies, survey
from rectify.geometry.mesh import Ints, Mesh
from rectify.geometry.nearest import nearest
from rectify.geometry.normals import face_areas

__all__ = ["agree_sides", "drop_bad_faces", "keep_limb"]

_SECOND_LIMB = 0.20  # a further body with more than this share of the limb's area is no stray piece
_SAME_SKIN_MM = 4.0  # a further body that lies this near all over is the same skin scanned twice
_SAMPLES = 500


def _kept(mesh: Mesh, keep: Ints) -> Mesh:
    return without_unused(Mesh(mesh.vertices, mesh.faces[keep], mesh.colours))[0]


def drop_bad_faces(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    """Faces without area, faces told twice, and the smaller flaps at edges where more than two faces meet."""
    steps = []
    seen = survey(mesh)
    bad = np.zeros(len(mesh.faces), dtype=bool)
    bad[seen.degenerate] = True
    bad[seen.duplicate] = True
    if bad.any():
        steps.append(
            Step(
                "bad-faces-dropped",
                f"{len(seen.degenerate)} faces without area and {len(seen.duplicate)} told twice were dropped",
                count=int(bad.sum()),
            )
        )
        mesh = _kept(mesh, np.flatnonzero(~bad))
        seen = survey(mesh)
    if len(seen.crowded):
        place = mesh.vertices[seen.crowded[0]].mean(axis=0)
        mesh, dropped = _without_crowds(mesh, seen.crowded)
        steps.append(
            Step(
                "crowded-edges-cleared",
                f"at {len(seen.crowded)} edges more than two faces met, one near "
                f"{place_text(place)}: {dropped} faces there were dropped",
                look=True,
                count=len(seen.crowded),
                place=_tuple(place),
            )
        )
    return mesh, steps


def _without_crowds(mesh: Mesh, crowded: Ints) -> tuple[Mesh, int]:
    """Drop every face that has a crowded edge; what falls apart is sorted out with the other pieces."""
    before = len(mesh.faces)
    n = np.int64(len(mesh.vertices))
    keys = np.unique(crowded[:, 0] * n + crowded[:, 1])
    on = np.zeros(before, dtype=bool)
    for i in range(3):
        a, b = mesh.faces[:, i], mesh.faces[:, (i + 1) % 3]
        on |= np.isin(np.minimum(a, b) * n + np.maximum(a, b), keys)
    return _kept(mesh, np.flatnonzero(~on)), int(on.sum())


def keep_limb(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    """The largest body; stray pieces and a second sheet of the same skin go.

    Raises
    ------
    MeshError
        If another body is too large to be a stray piece and is not the same skin again.
    """
    label = bodies(mesh)
    count = int(label.max(initial=0)) + 1
    if count == 1:
        return mesh, []
    area = np.bincount(label, weights=face_areas(mesh.vertices, mesh.faces), minlength=count)
    limb = int(np.argmax(area))
    steps, stray = [], []
    for other in np.flatnonzero(np.arange(count) != limb):
        faces = mesh.faces[label == other]
        if area[other] < 0.02 * area[limb] or not _same_skin(mesh, faces, mesh.faces[label == limb]):
            if area[other] > _SECOND_LIMB * area[limb]:
                centre = mesh.vertices[np.unique(faces)].mean(axis=0)
                raise MeshError(
                    "the scan has two bodies",
                    wanted="one limb",
                    found=f"another, of {area[other] / area[limb]:.0%} of the limb's area, near {place_text(centre)}",
                    hint="delete what is not the limb",
                )
            stray.append(other)
        else:
            steps.append(
                Step(
                    "second-sheet-dropped",
                    f"a second sheet of the same skin, {area[other]:.0f} mm², was dropped",
                    look=True,
                    area_mm2=float(area[other]),
                )
            )
    if stray:
        total = float(area[stray].sum())
        steps.append(
            Step(
                "islands-dropped",
                f"{len(stray)} stray pieces, {total:.0f} mm² in all, were dropped",
                count=len(stray),
                area_mm2=total,
            )
        )
    return _kept(mesh, np.flatnonzero(label == limb)), steps


def _same_skin(mesh: Mesh, faces: Ints, limb_faces: Ints) -> bool:
    points = mesh.vertices[np.unique(faces)]
    points = points[np.linspace(0, len(points) - 1, min(len(points), _SAMPLES)).astype(np.int64)]
    distance, _, _ = nearest(points, mesh.vertices, limb_faces)
    return bool(np.median(distance) < _SAME_SKIN_MM)


def agree_sides(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    """Faces turned until neighbours agree which side is out; which side that is, see `outward`."""
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
    if not survey(out).oriented:
        raise MeshError("the surface has only one side", wanted="an inside and an outside", hint="mend the scan")
    return out, [Step("faces-turned", f"{turned} faces were turned over to agree with their neighbours", count=turned)]


def _tuple(point: np.ndarray) -> tuple[float, float, float]:
    x, y, z = (float(c) for c in point)
    return x, y, z
