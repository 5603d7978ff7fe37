"""What the tests are made of: named limbs, plans written by hand, and what every result must be.

Nothing here is taken from the code under test but its types and its entry points: soundness is counted by the
plain way and by trimesh.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import trimesh
from scipy.spatial.transform import Rotation

from rectify.geometry.mesh import Faces, Mesh, Points
from rectify.limb.landmarks import RawLandmark, raw_landmarks
from rectify.limb.limb import Limb
from rectify.limb.spot import Spot
from rectify.rulebook.plan import Anchor, End, Oval, Overall, OverallRow, Plan, RegionPlan, Shape
from rectify.synthetic import SyntheticLimb, capsule, elliptic_capsule, mirrored
from rectify.synthetic.shapes import capped_cone

# -- limbs ----------------------------------------------------------------------------------------

MIRROR = np.array([-1.0, 1.0, 1.0])


def limb_of(mesh: Mesh, ahead_mm: float, side: str = "right") -> Limb:
    """A closed-form shape as a transtibial limb: its mid-patellar-tendon is the anterior point at z = 0."""
    marks = {"mid-patellar-tendon": np.array([0.0, ahead_mm, 0.0])}
    return Limb.from_capture(mesh, side=side, amputation="transtibial", landmarks=raw_landmarks(marks))


def capsule_limb(radius: float = 50.0, wall: float = 150.0, edge_mm: float = 3.0, proximal: float = 60.0) -> Limb:
    """A cylinder with a hemisphere."""
    return limb_of(capsule(radius, wall, edge_mm, proximal), radius)


def cone_limb(radius_top: float = 60.0, radius_end: float = 40.0, edge_mm: float = 3.0) -> Limb:
    """A cone with the part of a sphere that meets it smoothly: half opening angle 5.4 degrees unless asked for."""
    at_origin = radius_end + 150.0 * (radius_top - radius_end) / 210.0
    return limb_of(capped_cone(radius_top, radius_end, 150.0, edge_mm, 60.0), at_origin)


def elliptic_limb(ap: float = 120.0, ml: float = 100.0, edge_mm: float = 3.0) -> Limb:
    """An elliptic cylinder with half an ellipsoid."""
    return limb_of(elliptic_capsule(ap, ml, 150.0, edge_mm, 60.0), ap / 2)


def ridge_limb() -> Limb:
    """A capsule with a ridge down its front: 8 mm high, 3 mm half wide, sharper than any shin."""
    mesh = capsule(50.0, 150.0, 2.5, 60.0)
    v = mesh.vertices
    arc = 50.0 * np.arctan2(v[:, 0], v[:, 1])
    bump = 8.0 * np.exp(-(arc**2) / 18.0 - ((v[:, 2] + 70.0) / 45.0) ** 4)
    out = np.column_stack([v[:, :2] / np.maximum(np.hypot(v[:, 0], v[:, 1]), 1e-9)[:, None], np.zeros(len(v))])
    return limb_of(Mesh(v + bump[:, None] * out, mesh.faces), 50.0 + 8.0 * np.exp(-((70 / 45) ** 4)))


def limb_from(made: SyntheticLimb, **options: float) -> Limb:
    """A generated limb as captured in its own frame."""
    return Limb.from_capture(
        made.mesh, side=made.side, amputation=made.amputation, landmarks=raw_landmarks(made.landmarks), **options
    )


def posed(
    mesh: Mesh, landmarks: dict[str, Points], seed: int, reach_mm: float = 400.0
) -> tuple[Mesh, dict[str, RawLandmark]]:
    """The same capture in an arbitrary pose."""
    rng = np.random.default_rng(seed)
    turn, shift = Rotation.random(random_state=seed).as_matrix(), rng.uniform(-reach_mm, reach_mm, 3)
    carried = {name: np.atleast_2d(p) @ turn.T + shift for name, p in landmarks.items()}
    return mesh.with_vertices(mesh.vertices @ turn.T + shift), raw_landmarks(carried)


def mirror_of(limb: Limb) -> Limb:
    """The mirrored capture of a limb, laid out anew."""
    marks = {
        name: RawLandmark(mark.points * MIRROR, mark.absent, mark.beyond_capture)
        for name, mark in limb.landmarks.items()
        if mark.source == "marked"
    }
    side = "left" if limb.side == "right" else "right"
    return Limb.from_capture(mirrored(limb.mesh), side=side, amputation=limb.amputation, landmarks=marks)


def noisy(limb: Limb, sigma_mm: float, seed: int = 1) -> Limb:
    """The limb scanned with noise: every vertex shifted along its normal, normally distributed."""
    normals = trimesh.Trimesh(limb.mesh.vertices, limb.mesh.faces, process=False).vertex_normals
    shift = np.random.default_rng(seed).normal(0.0, sigma_mm, len(limb.mesh.vertices))
    mesh = limb.mesh.with_vertices(limb.mesh.vertices + shift[:, None] * normals)
    marks = {n: RawLandmark(m.points, m.absent) for n, m in limb.landmarks.items() if m.source == "marked"}
    return Limb.from_capture(mesh, side=limb.side, amputation=limb.amputation, landmarks=marks)


# -- plans ----------------------------------------------------------------------------------------


def region(
    name: str,
    action: str,
    mm: float,
    at: Spot,
    shape: Shape | None = None,
    feather: float = 12.0,
    profile: str = "flat",
    measured_from: str = "reduced",
    **more: object,
) -> RegionPlan:
    """A region as a rulebook would resolve it; its feather outside a build-up and inside a reduction."""
    made = RegionPlan(
        name=name,
        action=action,
        measured_from=measured_from,
        rulebook_mm=mm,
        change_mm=0.0,
        asked_mm=mm,
        allow_mm=None,
        anchor=Anchor(at, None),
        shape=shape or Oval(40.0, 40.0),
        profile=profile,
        feather_mm=feather,
        blend="outside" if action == "build-up" else "inside",
    )
    return replace(made, **more)


def build_up(name: str, mm: float, at: Spot, shape: Shape | None = None, feather: float = 12.0, **more) -> RegionPlan:
    return region(name, "build-up", mm, at, shape, feather, **more)


def reduction(name: str, mm: float, at: Spot, shape: Shape | None = None, feather: float = 12.0, **more) -> RegionPlan:
    return region(name, "reduce", mm, at, shape, feather, **more)


def plan(*regions: RegionPlan, overall: Overall | None = None, end: End | None = None, **more: object) -> Plan:
    """A plan of these regions."""
    made = Plan("tests", "tests", "tests", "transtibial", "usable", 1, "", "", tuple(regions), overall=overall, end=end)
    return replace(made, **more)


def overall(*rows: tuple[float, float], fade: float = 30.0, basis: str = "circumference", **more: object) -> Overall:
    """An overall reduction: rows of (level, percent)."""
    made = Overall(basis, "before-regions", tuple(OverallRow(level, percent) for level, percent in rows), fade)
    return replace(made, **more)


# -- what every result must be --------------------------------------------------------------------


def edge_counts(faces: Faces) -> tuple[np.ndarray, np.ndarray]:
    """Undirected edges (k, 2) and how many faces each has, by the plain way."""
    pairs = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    return np.unique(pairs, axis=0, return_counts=True)


def assert_sound(mesh: Mesh, captured: Points | None = None) -> None:
    """Finite, closed, outward, one body; and against the captured positions no face turned over.

    Parameters
    ----------
    mesh : Mesh
        The closed positive model.
    captured : (n, 3) mm, optional
        Where its vertices were in the capture.
    """
    assert np.isfinite(mesh.vertices).all()
    half = np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]])
    assert len(np.unique(half, axis=0)) == len(half), "neighbouring faces disagree which side is out"
    edges, counts = edge_counts(mesh.faces)
    assert (counts == 2).all(), "the surface is open"
    assert len(mesh.vertices) - len(edges) + len(mesh.faces) == 2, "not one body without handles"
    seen = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert seen.is_watertight and seen.is_winding_consistent and seen.body_count == 1
    assert seen.volume > 0, "the surface is inside out"
    if captured is not None:
        before, after = (_directions(v, mesh.faces) for v in (captured, mesh.vertices))
        facing = np.einsum("ij,ij->i", before, after)
        assert (facing > 0).all(), f"{int((facing <= 0).sum())} faces turned over"


def _directions(vertices: Points, faces: Faces) -> Points:
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    return np.cross(b - a, c - a)


def assert_sound_outcome(outcome) -> None:
    """A result of the engine: sound, its own checks say so, and none of the wall's faces turned over.

    A wall that is formed may turn a face by more than a right angle, a seat does; it is followed in thirds.
    """
    assert_sound(outcome.closed)
    faces, start, form = outcome.limb.mesh.faces, outcome.limb.mesh.vertices, outcome.asked.form
    way = [start, start + form / 3, start + 2 * form / 3, start + form] if form.any() else [start]
    turned = [_directions(vertices, faces) for vertices in (*way, outcome.mesh.vertices)]
    for before, after in pairwise(turned):
        assert (np.einsum("ij,ij->i", before, after) > 0).all()
    checks = outcome.checks
    assert checks.watertight and checks.bodies == 1 and checks.flipped_faces == 0
    assert checks.self_intersections <= checks.self_intersections_of_capture
