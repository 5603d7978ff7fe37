"""Sections as curves: in order, and freed of noise without shrinking."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.geometry.contours import chained, quiet_rings
from rectify.geometry.mesh import Mesh
from rectify.geometry.sections import cut
from rectify.synthetic import capsule, transfemoral
from rectify.synthetic.thigh import Transfemoral

PILL = capsule(50.0, 150.0, 2.0, 60.0)


def sections(mesh: Mesh, *levels: float):
    return cut(mesh, -mesh.vertices[:, 2], np.array(levels))


def walked(cuts):
    """The rings by the plain way: from piece to piece, by the edges that they share."""
    rings = []
    todo = {
        (int(z), int(edge)): i
        for i, (z, edge) in enumerate(zip(cuts.level_of, cuts.start_edges, strict=True))
        if cuts.closed[z]
    }
    while todo:
        (level, edge), i = next(iter(todo.items()))
        ring = []
        while (level, edge) in todo:
            i = todo.pop((level, edge))
            ring.append(i)
            edge = int(cuts.end_edges[i])
        rings.append(ring)
    return rings


def test_pieces_come_in_the_order_they_follow_each_other():
    thigh = transfemoral(Transfemoral(edge_mm=6.0)).mesh
    for cuts in (sections(PILL, -20.0, 0.0, 60.0, 149.0), sections(thigh, -80.0, -10.0, 30.0, 120.0)):
        order, ring = chained(cuts)
        plain = {frozenset(r): r for r in walked(cuts)}
        assert sorted(order.tolist()) == sorted(i for r in plain.values() for i in r)
        for k in range(int(ring.max()) + 1):
            mine = order[ring == k].tolist()
            other = plain[frozenset(mine)]
            at = other.index(mine[0])
            assert other[at:] + other[:at] == mine


def test_two_rings_in_one_level_are_told_apart_and_open_sections_are_left_out():
    both = Mesh(
        np.concatenate([PILL.vertices, PILL.vertices * [0.4, 0.4, 1.0] + [200.0, 0.0, 0.0]]),
        np.concatenate([PILL.faces, PILL.faces + len(PILL.vertices)]),
    )
    rings = quiet_rings(sections(both, 20.0, 80.0), 2.0)
    assert sorted(rings.level_of.tolist()) == [0, 0, 1, 1]
    assert sorted(rings.length_mm) == pytest.approx(sorted([2 * np.pi * r for r in (50, 50, 20, 20)]), rel=1e-3)
    middles = PILL.vertices[PILL.faces].mean(axis=1)
    gap = int(np.argmax(middles[:, 1]))
    torn, level = Mesh(PILL.vertices, np.delete(PILL.faces, gap, axis=0)), float(-middles[gap, 2])
    cuts = sections(torn, level, level + 30.0)
    assert cuts.closed.tolist() == [False, True]
    assert quiet_rings(cuts, 2.0).level_of.tolist() == [1]


def test_nothing_to_cut_gives_no_rings():
    rings = quiet_rings(sections(PILL, 900.0), 2.0)
    assert rings.as_cut.shape[0] == rings.quiet.shape[0] == len(rings.rough_mm) == len(rings.level_of) == 0
    assert rings.blended(np.zeros(0)).shape[0] == 0


def ripple(waves: int, height: float = 0.5) -> Mesh:
    """A cylinder of radius 50 mm with so many ripples round it."""
    v = PILL.vertices.copy()
    turn = np.arctan2(v[:, 0], v[:, 1])
    radius = np.hypot(v[:, 0], v[:, 1])
    v[:, :2] *= (1.0 + height * np.cos(waves * turn) / np.maximum(radius, 1.0))[:, None]
    return Mesh(v, PILL.faces)


@pytest.mark.parametrize("waves", [3, 8, 13, 25, 40])
def test_a_ripple_is_left_as_high_as_its_wavelength_says(waves):
    length = 2.0
    rings = quiet_rings(sections(ripple(waves), 40.0), length)
    turn = np.arctan2(rings.quiet[0, :, 0], rings.quiet[0, :, 1])
    left = 2.0 * np.mean((np.hypot(*rings.quiet[0].T) - 50.0) * np.cos(waves * turn))
    was = 2.0 * np.mean((np.hypot(*rings.as_cut[0].T) - 50.0) * np.cos(waves * turn))
    # wave number n / R; mm: chords of 2 mm edges, and arcs that are a little longer than the circle's
    assert left / was == pytest.approx(1.0 / (1.0 + (waves * length / 50.0) ** 4), abs=0.03)


def test_a_circle_does_not_shrink():
    rings = quiet_rings(sections(PILL, 40.0), 2.0)
    radius = [np.hypot(*rings.quiet[0].T).mean(), np.hypot(*rings.as_cut[0].T).mean()]
    assert radius[0] == pytest.approx(radius[1], abs=5e-4)  # mm; (2 / 50)^4 of 50 mm is 0.0001
    assert rings.rough_mm[0] < 0.005


@pytest.mark.parametrize("sigma", [0.1, 0.2, 0.4])
def test_roughness_follows_the_noise(sigma):
    rng = np.random.default_rng(7)
    v = PILL.vertices
    out = np.column_stack([v[:, :2] / np.maximum(np.hypot(v[:, 0], v[:, 1]), 1e-9)[:, None], np.zeros(len(v))])
    noisy = Mesh(v + rng.normal(0.0, sigma, len(v))[:, None] * out, PILL.faces)
    rough = quiet_rings(sections(noisy, *np.arange(0.0, 140.0, 10.0)), 2.0).rough_mm
    # of noise that differs from vertex to vertex, 2 mm apart: an outline runs between them, and so half is left of it
    assert rough.mean() == pytest.approx(0.5 * sigma, rel=0.2)


@pytest.mark.parametrize("order", ["as made", "turned about"])
def test_a_mirrored_section_is_read_at_mirrored_places(order):
    rng = np.random.default_rng(3)
    rough = Mesh(PILL.vertices + rng.normal(0.0, 0.3, PILL.vertices.shape), PILL.faces)
    over = Mesh(rough.vertices * [-1.0, 1.0, 1.0], rough.faces[:, ::-1])
    if order == "turned about":  # other vertices come first, so that a ring begins elsewhere
        n = len(over.vertices)
        over = Mesh(over.vertices[::-1].copy(), n - 1 - over.faces)
    levels = np.array([20.3, 60.7, 140.1])
    one, two = (quiet_rings(sections(mesh, *levels), 2.0) for mesh in (rough, over))
    back = two.quiet * [-1.0, 1.0]
    back = np.concatenate([back[:, :1], back[:, :0:-1]], axis=1)  # it runs the other way
    assert np.abs(back - one.quiet).max() < 1e-9  # mm
    assert one.rough_mm == pytest.approx(two.rough_mm, abs=1e-9)


def test_the_way_from_as_cut_to_quiet_is_straight():
    rings = quiet_rings(sections(ripple(30), 40.0, 60.0), 2.0)
    assert np.array_equal(rings.blended(np.array([0.0, 0.0])), rings.as_cut)
    half = rings.blended(np.array([0.5, 1.0]))
    assert half[0] == pytest.approx((rings.as_cut[0] + rings.quiet[0]) / 2) and half[1] == pytest.approx(rings.quiet[1])
