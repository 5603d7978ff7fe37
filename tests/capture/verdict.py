"""Whether a raw scan was mended rightly, refused honestly, or mended wrongly: judged against the limb that is in it.

Nothing is taken from the intake but its result: edges are counted the plain way, distances are to the truth.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rectify.capture import Repaired, repair
from rectify.errors import MeshError, RectifyError
from rectify.geometry.crossings import crossing_faces
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.nearest import nearest
from rectify.geometry.volume import volume_below
from rectify.synthetic.damage import Damaged

MEAN_MM = 0.5  # of the wall that was captured, to the truth
VOLUME = 0.005  # share, below the lowest point of the mended edge
EXACT_MM = 0.02  # of the wall where there was no noise: what welding, cutting and rounding may move
SIGMAS = 4.6  # the largest of 20,000 normally distributed values is rarely larger


@dataclass(frozen=True)
class Verdict:
    """repaired | refused | wrong, why, and what was measured (mm, shares)."""

    outcome: str
    why: str
    measured: Mapping[str, float] = field(default_factory=dict)
    repaired: Repaired | None = None


def judge(scan: Damaged, *, inward: bool = False) -> Verdict:
    """Mend a damaged scan and hold the result against its truth."""
    try:
        out = repair(scan.mesh, inward=inward)
    except RectifyError as error:
        return _refused(scan, error)
    faults = unsound(out.mesh)
    if faults:
        return Verdict("wrong", "; ".join(faults), repaired=out)
    measured = _measured(scan, out)
    faults = _untrue(scan, measured)
    if faults or not scan.mendable:
        faults = faults or ["mended what cannot be mended honestly"]
        return Verdict("wrong", "; ".join(faults), measured, out)
    return Verdict("repaired", ", ".join(step.code for step in out.steps), measured, out)


def _refused(scan: Damaged, error: RectifyError) -> Verdict:
    text = str(error)
    if not isinstance(error, MeshError):
        return Verdict("wrong", f"refused with a {type(error).__name__}: {text}")
    if not re.search(r"\d", text):
        return Verdict("wrong", f"the refusal has neither place nor number: {text}")
    words = [word for done in scan.done for word in done.refusal]
    if words and not any(word in text for word in words):
        return Verdict("wrong", f"the refusal names none of {words}: {text}")
    return Verdict("refused", text)


def unsound(mesh: Mesh) -> list[str]:
    """What keeps a mesh from being one surface that is open once, outward, and nowhere through itself."""
    if not np.isfinite(mesh.vertices).all():
        return ["vertices without a place"]
    f = mesh.faces
    half = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])
    edges, counts = np.unique(np.sort(half, axis=1), axis=0, return_counts=True)
    out = []
    if len(np.unique(half, axis=0)) != len(half):
        out.append("neighbours disagree which side is out")
    if counts.max() > 2:
        out.append(f"{int((counts > 2).sum())} edges with more than two faces")
    if len(np.unique(f)) != len(mesh.vertices):
        out.append("vertices that no face uses")
    if len(mesh.vertices) - len(edges) + len(f) != 1:
        out.append(f"V - E + F is {len(mesh.vertices) - len(edges) + len(f)}, of a surface open once it is 1")
    n = len(mesh.vertices)
    graph = coo_matrix((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), shape=(n, n))
    if connected_components(graph, directed=False)[0] != 1:
        out.append("more than one body")
    border = edges[counts == 1]
    if len(np.unique(border)) != len(border):
        out.append("the open edge touches itself")
    if out:
        return out
    if _fan_volume(mesh, half, border) <= 0:
        out.append("inside out")
    crossing = len(crossing_faces(mesh))
    if crossing:
        out.append(f"{crossing} faces pass through others")
    return out


def _fan_volume(mesh: Mesh, half: np.ndarray, border: np.ndarray) -> float:
    """mm³ enclosed with a fan over the border, by the divergence theorem."""
    known = {(int(a), int(b)) for a, b in border}
    known |= {(b, a) for a, b in known}
    ring = np.array([(a, b) for a, b in half.tolist() if (a, b) in known])
    points = mesh.vertices - mesh.vertices[np.unique(border)].mean(axis=0)  # the fan's apex is the origin: adds nothing
    a, b, c = (points[mesh.faces[:, i]] for i in range(3))
    assert len(ring) == len(border)
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def _into_limb_frame(scan: Damaged, points: Points) -> Points:
    back = np.linalg.inv(scan.pose)
    return np.asarray(points @ back[:3, :3].T + back[:3, 3])


def _measured(scan: Damaged, out: Repaired) -> dict[str, float]:
    mesh, truth = out.mesh, scan.truth
    f = mesh.faces
    edges, counts = np.unique(
        np.sort(np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]]), axis=1), axis=0, return_counts=True
    )
    rim = np.unique(edges[counts == 1])
    invented = np.zeros(len(mesh.vertices), dtype=bool)
    invented[out.invented] = True
    distance, _, _ = nearest(mesh.vertices, truth.vertices, truth.faces)
    original = _same_bits(mesh.vertices, scan.mesh.vertices)
    strange = ~original & ~invented
    strange[rim] = False
    z = _into_limb_frame(scan, mesh.vertices)[:, 2]
    plane = float(z[rim].min()) - 1.0
    limb = truth.with_vertices(_into_limb_frame(scan, truth.vertices))
    volume = volume_below(limb, plane)
    mended = volume_below(mesh.with_vertices(_into_limb_frame(scan, mesh.vertices)), plane)
    used = np.unique(truth.faces)
    missed, _, _ = nearest(truth.vertices[used], mesh.vertices, mesh.faces)
    below = limb.vertices[used, 2] < plane
    lost = np.zeros(len(truth.vertices))
    lost[used] = missed > 1.0 + SIGMAS * scan.noise_mm + scan.reach_mm
    corner = truth.vertices[truth.faces]
    areas = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    return {
        "mean_mm": float(distance[~invented].mean()),
        "max_mm": float(distance[~invented].max()),
        "invented_max_mm": float(distance[invented].max(initial=0.0)),
        "missed_max_mm": float(missed[below].max(initial=0.0)),
        "strange": float(strange.sum()),
        "invented": float(invented.sum()),
        "volume": mended / volume - 1.0,
        "lost": float(lost[truth.faces].mean(axis=1) @ areas / areas.sum()),
        "shortest_mm": float(np.linalg.norm(mesh.vertices[edges[:, 0]] - mesh.vertices[edges[:, 1]], axis=1).min()),
    }


def _same_bits(points: Points, among: Points) -> np.ndarray:
    """Which rows (n,) of `points` are rows of `among` to the bit."""
    distance, index = cKDTree(np.where(np.isfinite(among), among, 1e9)).query(points)
    return np.asarray((points == among[index]).all(axis=1) & (distance == 0))


def _untrue(scan: Damaged, measured: dict[str, float]) -> list[str]:
    """Where the mended surface is not the limb."""
    noise = SIGMAS * scan.noise_mm
    out = []
    if measured["mean_mm"] > MEAN_MM:
        out.append(f"{measured['mean_mm']:.2f} mm off in the mean")
    if measured["max_mm"] > EXACT_MM + noise:
        out.append(f"captured skin {measured['max_mm']:.2f} mm off")
    if measured["invented_max_mm"] > EXACT_MM + noise + scan.reach_mm:
        out.append(f"filled places {measured['invented_max_mm']:.2f} mm off, {scan.reach_mm + noise:.1f} allowed")
    if measured["missed_max_mm"] > EXACT_MM + noise + scan.reach_mm:
        out.append(f"skin {measured['missed_max_mm']:.2f} mm from what was mended")
    if measured["strange"]:
        out.append(f"{measured['strange']:.0f} vertices are neither the scan's nor told as new")
    if abs(measured["volume"]) > VOLUME:
        out.append(f"{measured['volume']:+.2%} of volume")
    return out


def facing(mesh: Mesh) -> Floats:
    """Cosine between the two faces of each inner edge; -1 is a fold."""
    a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
    normal = np.cross(b - a, c - a)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    f = mesh.faces
    half = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])
    face = np.tile(np.arange(len(f)), 3)
    key = np.sort(half, axis=1) @ np.array([len(mesh.vertices), 1])
    order = np.argsort(key, kind="stable")
    same = np.flatnonzero(np.diff(key[order]) == 0)
    return np.asarray(np.einsum("ij,ij->i", normal[face[order[same]]], normal[face[order[same + 1]]]))
