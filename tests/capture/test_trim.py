"""The top trimmed: below every bite, with little skin lost, and a clean cut."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from rectify.capture.trim import cut_by_plane, edge_length, trim_top
from rectify.errors import MeshError
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Mesh
from rectify.geometry.nearest import nearest
from rectify.synthetic import Transfemoral, capsule, transfemoral
from tests.capture.verdict import unsound


@pytest.fixture(scope="module")
def ball() -> Mesh:
    return capsule(50.0, 100.0, 2.5, 50.0)


def bitten(mesh, deepest, seed=1, top=None):
    """Bites of up to `deepest` mm out of the edge; `top` gives the edge's height by direction."""
    rng = np.random.default_rng(seed)
    depth = gaussian_filter1d(rng.uniform(-0.6, 1.0, 90), 0.8, mode="wrap").clip(0.0)
    depth *= deepest / depth.max()
    middle = mesh.vertices[mesh.faces].mean(axis=1)
    turn = np.arctan2(middle[:, 0], middle[:, 1])
    bite = np.interp(turn, np.linspace(-np.pi, np.pi, 90, endpoint=False), depth, period=2 * np.pi)
    edge = np.full(len(turn), mesh.vertices[:, 2].max()) if top is None else top(turn)
    return Mesh(mesh.vertices, mesh.faces[(middle[:, 2] < edge - bite)])


def largest(mesh):
    from rectify.capture.faces import check_numbers
    from rectify.capture.sheets import keep_limb, unpinch

    return unpinch(keep_limb(check_numbers(mesh))[0])[0]


def shortest(mesh):
    f = mesh.faces
    half = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])
    return float(np.linalg.norm(mesh.vertices[half[:, 0]] - mesh.vertices[half[:, 1]], axis=1).min())


def test_a_clean_edge_stays(ball):
    out, steps = trim_top(ball)
    assert out is ball and steps == []


@pytest.mark.parametrize("deepest", [4.0, 8.0, 12.0])
def test_a_ragged_edge_about_a_plane_is_cut_by_a_plane_just_below_its_deepest_bite(ball, deepest):
    scan = largest(bitten(ball, deepest))
    lowest = scan.vertices[border_loops(scan)[0], 2].min()
    out, steps = trim_top(scan)
    assert unsound(out) == []
    loop = border_loops(out)[0]
    edge = out.vertices[loop]
    away = edge - edge.mean(axis=0)
    # mm; one plane, but for vertices within 8 % of an edge of it, which are taken to lie on it
    assert np.abs(away @ np.linalg.svd(away)[2][2]).max() < 0.25
    # mm; no more than the margin below the bite and what the best plane's slope makes
    assert lowest - 1.5 < edge[:, 2].min() <= lowest + 0.01
    assert shortest(out) > 0.15  # mm, of 2.5: no slivers
    assert edge_length(out, loop) < 2.001 * np.pi * 50.0
    assert "by a plane" in steps[0].message


def test_the_skin_below_the_cut_keeps_its_bits_and_the_cut_lies_on_it(ball):
    scan = largest(bitten(ball, 8.0, seed=4))
    out, _ = trim_top(scan)
    same = {p.tobytes() for p in scan.vertices}
    new = np.array([p.tobytes() not in same for p in out.vertices])
    assert set(np.flatnonzero(new)) <= set(border_loops(out)[0].tolist())
    distance, _, _ = nearest(out.vertices[new], scan.vertices, scan.faces)
    assert distance.max() < 1e-9  # mm: on the old faces


def test_what_the_step_says_was_lost_is_what_was_lost(ball):
    scan = largest(bitten(ball, 8.0, seed=2))
    out, steps = trim_top(scan)

    def area(mesh):
        a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
        return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)

    assert steps[0].area_mm2 == pytest.approx(area(scan) - area(out), abs=1e-6)
    assert f"{steps[0].area_mm2:.0f} mm²" in steps[0].message


def test_an_edge_that_follows_no_plane_is_trimmed_along_itself():
    mesh = transfemoral(Transfemoral(edge_mm=4.0)).mesh
    ring = border_loops(mesh)[0]
    turn = np.arctan2(mesh.vertices[ring, 0], mesh.vertices[ring, 1])
    order = np.argsort(turn)
    # a saddle of 24 mm on top of the oblique edge: no plane is near
    heights = mesh.vertices[ring][order, 2] - 12.0 - 12.0 * np.cos(2 * turn[order])

    def top(at):
        return np.interp(at, turn[order], heights, period=2 * np.pi)

    scan = largest(bitten(mesh, 9.0, seed=3, top=top))
    out, steps = trim_top(scan)
    assert unsound(out) == []
    assert "along a smooth curve" in steps[0].message
    edge = out.vertices[border_loops(out)[0]]
    below = top(np.arctan2(edge[:, 0], edge[:, 1])) - edge[:, 2]
    assert below.min() > 2.0  # mm; under the bites
    assert below.max() < 9.0 + 8.0  # mm; the deepest bite, the slope of the saddle over a bite's width, an edge
    assert shortest(out) > 0.2


def test_a_top_in_shreds_is_refused_with_how_deep_they_go(ball):
    with pytest.raises(MeshError, match="in shreds") as caught:
        trim_top(largest(bitten(ball, 120.0)))
    assert "% of the skin, near (" in str(caught.value)


def test_a_bite_that_folds_over_when_laid_flat_is_trimmed_even_if_the_edge_is_short():
    mesh = transfemoral(Transfemoral(edge_mm=5.0)).mesh
    ring = border_loops(mesh)[0]
    # one vertex of the edge drawn inward and the next one back outward past it: the edge runs through itself
    v = mesh.vertices.copy()
    i = len(ring) // 3
    v[ring[i]] = v[ring[i + 2]] * np.array([0.96, 0.96, 1.0])
    v[ring[i + 1]] = v[ring[i + 3]] * np.array([1.02, 1.02, 1.0])
    v[ring[i + 2]] = v[ring[i - 2]] * np.array([0.98, 0.98, 1.0])
    out, steps = trim_top(mesh.with_vertices(v))
    assert [step.code for step in steps] == ["top-trimmed"]
    assert unsound(out) == []


def test_a_plane_that_was_asked_for_cuts_there(ball):
    up = np.array([0.1, 0.0, 1.0])
    out, steps = cut_by_plane(ball, np.array([0.0, 0.0, 20.0]), up)
    assert unsound(out) == []
    edge = out.vertices[border_loops(out)[0]]
    assert np.abs((edge - [0.0, 0.0, 20.0]) @ up).max() / np.linalg.norm(up) < 0.25  # mm; 8 % of an edge
    assert steps[0].code == "top-cut" and "the plane asked for" in steps[0].message
    # mm²; the wall above a slightly oblique plane: as much as above a level one
    assert steps[0].area_mm2 == pytest.approx(2 * np.pi * 50.0 * 30.0, rel=2e-3)


def test_a_plane_beyond_the_limb_changes_nothing_and_one_below_it_is_refused(ball):
    up = np.array([0.0, 0.0, 1.0])
    out, steps = cut_by_plane(ball, np.array([0.0, 0.0, 51.0]), up)
    assert out is ball and [(step.code, step.look) for step in steps] == [("trim-idle", True)]
    assert steps[0].message.endswith("the scan ends 1.0 mm below it")
    with pytest.raises(MeshError, match="nothing is left below the plane"):
        cut_by_plane(ball, np.array([0.0, 0.0, -151.0]), up)


def test_a_plane_along_the_limb_is_refused(ball):
    with pytest.raises(MeshError, match="not captured"):
        cut_by_plane(ball, np.array([10.0, 0.0, 0.0]), np.array([1.0, 0.0, 0.0]))
