"""The trimmed fit: known motions undone, changes that do not pull, and how sure a fit says it is."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.geometry.mesh import Mesh
from rectify.geometry.normals import face_areas, vertex_normals
from rectify.geometry.register import KEPT, Marks, fit, room, spread_points
from rectify.geometry.rigid import carried, fit_points, inverse, largest_shift, small_motion
from rectify.geometry.signed import Tree
from rectify.limb.limb import Limb
from rectify.synthetic import Transtibial, transtibial
from tests.made import limb_from

UP = np.array([0.0, 0.0, 1.0])


def nudge(seed: int, degrees: float = 8.0, mm: float = 12.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    turn = rng.normal(size=3)
    shift = rng.normal(size=3)
    return small_motion(
        np.radians(degrees) * turn / np.linalg.norm(turn), mm * shift / np.linalg.norm(shift), np.zeros(3)
    )


def away(mesh: Mesh, frame: np.ndarray) -> Mesh:
    return mesh.with_vertices(carried(mesh.vertices, frame))


def patched(limb: Limb, mm: float, level: float, angle: float, radius: float = 25.0) -> Mesh:
    """A smooth bump of `mm` on the wall, falling off to nothing at `radius` mm."""
    mesh = limb.mesh
    at = limb.chart.point(np.array([level]), np.array([angle]))[0]
    share = np.clip(1.0 - np.linalg.norm(mesh.vertices - at, axis=1) / radius, 0.0, 1.0)
    height = mm * np.clip(2.0 * share, 0.0, 1.0)
    return mesh.with_vertices(mesh.vertices + height[:, None] * vertex_normals(mesh))


@pytest.mark.parametrize("seed", range(3))
def test_a_known_motion_is_undone_to_a_hundredth_of_a_mm(transtibial_limb: Limb, seed: int) -> None:
    frame = nudge(seed)
    points = spread_points(transtibial_limb.mesh, 2000)
    found = fit(points, Tree(away(transtibial_limb.mesh, frame)), np.eye(4))
    assert largest_shift(found.frame, frame, points) < 0.01
    assert found.rms_mm < 0.001 and found.kept.mean() == pytest.approx(KEPT, abs=0.001)


def test_another_mesh_of_the_same_limb_is_fitted_to_a_tenth_of_a_mm(transtibial_limb: Limb) -> None:
    # edges of 4 and 3 mm: their faces stand off the same smooth limb by up to 0.04 mm (sagitta at a radius of 50 mm),
    # and a turn about a limb that is nearly round costs less than it moves
    other = limb_from(transtibial(Transtibial(edge_mm=3.0)))
    frame = nudge(4)
    points = spread_points(transtibial_limb.mesh, 2000)
    found = fit(points, Tree(away(other.mesh, frame)), np.eye(4))
    whole = frame @ other.frame @ inverse(transtibial_limb.frame)
    assert largest_shift(found.frame, whole, points) < 0.15


@pytest.mark.parametrize("mm", [3.0, -3.0, 12.0])
def test_a_patch_does_not_pull_the_fit(transtibial_limb: Limb, mm: float) -> None:
    limb = transtibial_limb
    frame = nudge(1)
    changed = away(patched(limb, mm, 70.0, 100.0), frame)
    points = spread_points(limb.mesh, 2000)
    found = fit(points, Tree(changed), np.eye(4))
    assert largest_shift(found.frame, frame, points) < 0.01
    # the plain fit of all vertices is pulled: what trimming is for
    plain = fit_points(limb.mesh.vertices, changed.vertices)
    assert largest_shift(plain, frame, points) > 0.02


def test_points_stand_for_equal_areas(transtibial_limb: Limb) -> None:
    mesh = transtibial_limb.mesh
    points = spread_points(mesh, 1500)
    area = face_areas(mesh.vertices, mesh.faces)
    above = mesh.vertices[mesh.faces].mean(axis=1)[:, 2] > 0
    assert (points[:, 2] > 0).mean() == pytest.approx(area[above].sum() / area.sum(), abs=0.01)
    assert np.array_equal(points, spread_points(mesh, 1500))


def test_a_limb_that_fits_exactly_has_no_room_and_a_narrowed_one_has(transtibial_limb: Limb) -> None:
    mesh = transtibial_limb.mesh
    points = spread_points(mesh, 1500)
    exact = fit(points, Tree(mesh), np.eye(4))
    assert room(points, Tree(mesh), exact, UP).along_mm < 0.5
    # every section 4 % narrower: it may as well have slid along, and says so
    narrow = mesh.with_vertices(mesh.vertices * np.array([0.96, 0.96, 1.0]))
    found = fit(points, Tree(narrow), np.eye(4))
    sure = room(points, Tree(narrow), found, UP)
    assert sure.along_mm > 1.0
    assert sure.along_mm >= 0.5 * abs(found.frame[2, 3])  # and by about as far as it did slide


def test_marks_hold_what_the_surface_leaves_free_and_yield_where_it_is_sure(transtibial_limb: Limb) -> None:
    limb = transtibial_limb
    points = spread_points(limb.mesh, 1500)
    area = float(face_areas(limb.mesh.vertices, limb.mesh.faces).sum())
    true = np.array([m.points[0] for m in limb.landmarks.values() if m.source == "marked"])
    wrong = true + np.random.default_rng(5).normal(0.0, 2.0, true.shape)
    start = fit_points(true, wrong)
    sure = fit(points, Tree(limb.mesh), start, marks=Marks(true, wrong, 4.0, area))
    assert largest_shift(start, np.eye(4), points) > 0.5
    assert largest_shift(sure.frame, np.eye(4), points) < 0.02
    narrow = limb.mesh.with_vertices(limb.mesh.vertices * np.array([0.96, 0.96, 1.0]))
    free = fit(points, Tree(narrow), np.eye(4))
    held = fit(points, Tree(narrow), np.eye(4), marks=Marks(true, true, 4.0, area))
    assert largest_shift(held.frame, np.eye(4), points) < largest_shift(free.frame, np.eye(4), points)
