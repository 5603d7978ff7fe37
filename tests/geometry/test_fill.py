"""Filled holes: on shapes with closed forms, against noise, across a crest; no folds, no needles."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.geometry.edges import border_loops
from rectify.geometry.fill import fill_hole, hole_widths
from rectify.geometry.mesh import Mesh
from rectify.geometry.nearest import nearest
from rectify.geometry.normals import vertex_normals
from rectify.synthetic import Transtibial, capsule, mirrored, transtibial
from tests.capture.verdict import facing, unsound
from tests.made import MIRROR

EDGE = 2.5
WALL, POLE = np.array([50.0, 0.0, -40.0]), np.array([0.0, 0.0, -150.0])


@pytest.fixture(scope="module")
def ball() -> Mesh:
    return capsule(50.0, 100.0, EDGE, 50.0)


@pytest.fixture(scope="module")
def leg():
    return transtibial(Transtibial(edge_mm=EDGE, crest=1.2))


def off_capsule(points):
    below = np.minimum(points[:, 2] + 100.0, 0.0)
    return np.sqrt(points[:, 0] ** 2 + points[:, 1] ** 2 + below**2) - 50.0


def holed(mesh, centre, width, sigma=0.0, seed=0):
    """The mesh with noise and a hole about so wide; its hole's ring."""
    v = mesh.vertices
    if sigma:
        v = v + sigma * np.random.default_rng(seed).standard_normal((len(v), 1)) * vertex_normals(mesh)
    middle = mesh.vertices[mesh.faces].mean(axis=1)
    faces = mesh.faces[np.linalg.norm(middle - centre, axis=1) > width / 2]
    used = np.unique(faces)
    index = np.full(len(v), -1)
    index[used] = np.arange(len(used))
    out = Mesh(v[used], index[faces])
    loops = border_loops(out)
    return out, min(loops, key=lambda ring: np.linalg.norm(out.vertices[ring].mean(axis=0) - centre))


def least_angle(mesh, faces):
    corner = mesh.vertices[mesh.faces[faces]]
    out = []
    for k in range(3):
        u, w = corner[:, (k + 1) % 3] - corner[:, k], corner[:, (k + 2) % 3] - corner[:, k]
        cosine = np.einsum("ij,ij->i", u, w) / np.linalg.norm(u, axis=1) / np.linalg.norm(w, axis=1)
        out.append(np.degrees(np.arccos(np.clip(cosine, -1, 1))))
    return float(np.min(out))


# mm: largest error against the formula, holes of 10, 20, 30, 40 mm, measured and doubled
BOUNDS = {"wall": (0.01, 0.02, 0.06, 0.2), "pole": (0.01, 0.04, 0.15, 0.6)}


@pytest.mark.parametrize("where", ["wall", "pole"])
@pytest.mark.parametrize("step", range(4))
def test_the_surface_carries_on_by_the_formula(ball, where, step):
    mesh, loop = holed(ball, WALL if where == "wall" else POLE, 10.0 * (step + 1))
    done = fill_hole(mesh, loop, EDGE)
    assert unsound(done.mesh) == []
    assert len(done.new_vertices) >= 1
    error = off_capsule(done.mesh.vertices[done.new_vertices])
    assert np.abs(error).max() < BOUNDS[where][step]
    middle = done.mesh.vertices[done.mesh.faces[done.new_faces]].mean(axis=1)
    # a chord of 2.5 mm edges is 0.02 mm deep
    assert np.abs(off_capsule(middle)).max() < BOUNDS[where][step] + 0.03
    assert np.array_equal(done.mesh.vertices[: len(mesh.vertices)], mesh.vertices)
    assert np.array_equal(done.mesh.faces[: len(mesh.faces)], mesh.faces)


@pytest.mark.parametrize("where", ["wall", "pole"])
@pytest.mark.parametrize("width", [10.0, 20.0, 30.0, 40.0])
def test_fillings_have_no_folds_and_no_needles(ball, where, width):
    mesh, loop = holed(ball, WALL if where == "wall" else POLE, width)
    done = fill_hole(mesh, loop, EDGE)
    assert least_angle(done.mesh, done.new_faces) > 18.0
    # cosine between neighbours: an edge of 2.5 mm on a radius of 50 turns by 3 degrees
    assert facing(done.mesh).min() > np.cos(np.radians(8.0))


@pytest.mark.parametrize("width", [20.0, 40.0])
@pytest.mark.parametrize("sigma", [0.2, 0.4])
def test_noise_does_not_tilt_the_filling(ball, width, sigma):
    tilts, errors = [], []
    for seed in range(4):
        mesh, loop = holed(ball, WALL, width, sigma, seed)
        done = fill_hole(mesh, loop, EDGE)
        new = done.mesh.vertices[done.new_vertices]
        error = off_capsule(new)
        errors.append(np.abs(error).max())
        fit = np.linalg.lstsq(np.column_stack([np.ones(len(new)), new[:, 1:] - WALL[1:]]), error, rcond=None)[0]
        tilts.append(np.degrees(np.hypot(*fit[1:])))
    assert max(errors) < 1.5 * sigma + 0.2  # mm
    assert max(tilts) < 4.0 * sigma * 20.0 / width  # degrees


def test_a_filling_is_smoother_than_the_noise_around_it(ball):
    mesh, loop = holed(ball, WALL, 30.0, 0.3, 1)
    done = fill_hole(mesh, loop, EDGE)
    inner = np.setdiff1d(np.arange(len(done.new_faces)), np.flatnonzero(
        np.isin(done.mesh.faces[done.new_faces], loop).any(axis=1)
    ))  # fmt: skip
    filled = Mesh(done.mesh.vertices, done.mesh.faces[done.new_faces][inner])
    assert facing(filled).min() > np.cos(np.radians(8.0))


@pytest.mark.parametrize(
    ("name", "most"),  # mm: 10, 20, 30 mm holes; what stands out and was not captured cannot be known
    [("tibial-crest", (0.25, 1.1, 1.8)), ("fibular-head", (0.15, 0.3, 1.8)), ("popliteal", (0.1, 0.2, 0.6))],
)
def test_across_a_limbs_crest_the_filling_stays_near(leg, name, most):
    place = np.atleast_2d(leg.landmarks[name])[0]
    for width, bound in zip((10.0, 20.0, 30.0), most, strict=True):
        mesh, loop = holed(leg.mesh, place, width)
        done = fill_hole(mesh, loop, EDGE)
        assert unsound(done.mesh) == []
        middle = done.mesh.vertices[done.mesh.faces[done.new_faces]].mean(axis=1)
        distance, _, _ = nearest(middle, leg.mesh.vertices, leg.mesh.faces)
        assert distance.max() < bound, width


def test_area_width_and_centre_are_the_holes(ball):
    mesh, loop = holed(ball, WALL, 24.0)
    done = fill_hole(mesh, loop, EDGE)
    gone = len(ball.faces) - len(mesh.faces)
    a, b, c = (ball.vertices[ball.faces[:, i]] for i in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    # mm²: of as many faces as are gone
    assert done.area_mm2 == pytest.approx(gone * float(np.median(area)), rel=0.05)
    ring = mesh.vertices[loop]
    widest = np.linalg.norm(ring[:, None] - ring[None], axis=2).max()
    assert 0.9 * widest < done.width_mm <= widest + 1e-9  # the longer side of the box about it
    assert done.centre == pytest.approx(ring.mean(axis=0))


def test_widths_of_an_oblong_hole():
    turn = np.arange(180) * 2 * np.pi / 180
    ring = np.stack([20.0 * np.cos(turn), 5.0 * np.sin(turn), 0.1 * np.cos(3 * turn)], axis=1)
    assert hole_widths(ring) == pytest.approx((40.0, 10.0), abs=0.05)


def ring_of(width, k=24):
    """A flat strip of ring with a crack of some width in its middle."""
    x = np.linspace(0.0, 30.0, k)
    low = np.stack([x, np.full(k, -width / 2), np.zeros(k)], axis=1)
    high = np.stack([x[1:-1] + 0.4, np.full(k - 2, width / 2), np.zeros(k - 2)], axis=1)
    return np.concatenate([low, high[::-1]])


def test_a_crack_without_area_is_sewn_along_its_sides():
    inner = ring_of(1e-4)
    outer = inner.copy()
    outer[:24, 1] -= 5.0
    outer[24:, 1] += 5.0
    k = len(inner)
    here, there = np.arange(k), (np.arange(k) + 1) % k
    # a wall round the crack: the border runs along the inner ring with the wall on its left
    faces = np.concatenate([np.stack([there, here, k + here], axis=1), np.stack([there, k + here, k + there], axis=1)])
    mesh = Mesh(np.concatenate([inner, outer]), faces)
    loop = next(ring for ring in border_loops(mesh) if set(ring.tolist()) == set(range(k)))
    done = fill_hole(mesh, loop, 2.0)
    assert len(done.new_vertices) == 0
    assert len(done.new_faces) == k - 2
    assert len(border_loops(done.mesh)) == 1
    half = np.concatenate([done.mesh.faces[:, [0, 1]], done.mesh.faces[:, [1, 2]], done.mesh.faces[:, [2, 0]]])
    assert len(np.unique(half, axis=0)) == len(half)


def test_a_hole_of_three_edges_is_one_triangle(ball):
    mesh = Mesh(ball.vertices, np.delete(ball.faces, 700, axis=0))
    loop = next(ring for ring in border_loops(mesh) if len(ring) == 3)
    done = fill_hole(mesh, loop, EDGE)
    assert sorted(done.mesh.faces[-1].tolist()) == sorted(ball.faces[700].tolist())
    assert unsound(done.mesh) == []


@pytest.mark.parametrize("width", [9.0, 25.0])
def test_the_mirrored_hole_gets_the_mirrored_filling(leg, width):
    place = np.atleast_2d(leg.landmarks["tibial-crest"])[0]
    mesh, loop = holed(leg.mesh, place, width, 0.2)
    other = mirrored(mesh)
    ring = next(r for r in border_loops(other) if set(r.tolist()) == set(loop.tolist()))
    one, two = fill_hole(mesh, loop, EDGE), fill_hole(other, ring, EDGE)
    assert np.abs(two.mesh.vertices * MIRROR - one.mesh.vertices).max() < 1e-10
    triangles = [{tuple(f) for f in np.sort(done.mesh.faces[done.new_faces], axis=1).tolist()} for done in (one, two)]
    assert triangles[0] == triangles[1]
    assert unsound(two.mesh) == []
