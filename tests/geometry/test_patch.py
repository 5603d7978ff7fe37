"""Triangles over flat openings: all of it covered once, no needles where there is room."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from rectify.geometry.patch import patch


def regular(sides, radius):
    turn = np.arange(sides) * 2 * np.pi / sides
    return radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)


def star(seed, sides=40):
    rng = np.random.default_rng(seed)
    return regular(sides, 1.0) * (10.0 + 4.0 * rng.random(sides))[:, None]


def check(flat, points, faces):
    """Counter-clockwise triangles that cover the polygon exactly once and use every point."""
    every = np.concatenate([flat, points])
    corner = every[faces]
    u, w = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    area = (u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0]) / 2
    assert (area > 0).all()
    whole = shapely.Polygon(flat).area
    assert area.sum() == pytest.approx(whole, rel=1e-6)  # the polygon is rounded to 1e-6 mm
    assert len(np.unique(faces)) == len(every)
    half = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    assert len(np.unique(half, axis=0)) == len(half)
    edges = np.unique(np.sort(half, axis=1), axis=0)
    assert len(every) - len(edges) + len(faces) == 1  # a disc
    ring = np.stack([np.arange(len(flat)), np.roll(np.arange(len(flat)), -1)], axis=1)
    assert {tuple(e) for e in ring.tolist()} <= {tuple(e) for e in half.tolist()}


def least_angle(flat, points, faces):
    corner = np.concatenate([flat, points])[faces]
    out = []
    for k in range(3):
        u, w = corner[:, (k + 1) % 3] - corner[:, k], corner[:, (k + 2) % 3] - corner[:, k]
        cosine = np.einsum("ij,ij->i", u, w) / np.linalg.norm(u, axis=1) / np.linalg.norm(w, axis=1)
        out.append(np.degrees(np.arccos(np.clip(cosine, -1, 1))))
    return float(np.min(out))


@pytest.mark.parametrize("sides", [3, 4, 5, 6, 9, 24, 60])
def test_a_regular_polygon_of_unit_edges_is_covered_by_good_triangles(sides):
    flat = regular(sides, 0.5 / np.sin(np.pi / sides) * 3.0)  # edges of 3 mm
    points, faces = patch(flat, 3.0)
    check(flat, points, faces)
    assert least_angle(flat, points, faces) > 18.0


def test_a_hexagon_gets_a_point_in_its_middle():
    points, faces = patch(regular(6, 3.0), 3.0)
    assert np.abs(points).max() < 1e-6 and len(points) == 1 and len(faces) == 6


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("growth", [1.0, 1.6])
def test_a_crooked_polygon_is_covered_too(seed, growth):
    flat = star(seed)
    check(flat, *patch(flat, 1.5, growth))


def test_a_polygon_with_two_lobes_gets_rings_in_both():
    two = shapely.Point(-12, 0).buffer(10).union(shapely.Point(12, 0).buffer(10)).union(shapely.box(-12, -2, 12, 2))
    flat = shapely.get_coordinates(shapely.segmentize(two.exterior, 1.5))[:-1]
    flat = flat if shapely.LinearRing(flat).is_ccw else flat[::-1]
    points, faces = patch(flat, 2.0)
    check(flat, points, faces)
    for middle in (-12.0, 12.0):
        assert np.linalg.norm(points - np.array([middle, 0.0]), axis=1).min() < 2.5


def test_a_sliver_of_a_polygon_gets_no_point_inside():
    flat = np.array([[0.0, 0], [10, 0], [20, 0.5], [30, 0], [40, 0], [30, 1.2], [20, 1.4], [10, 1.0]])
    points, faces = patch(flat, 3.0)
    check(flat, points, faces)
    assert len(points) == 0


def test_spacing_decides_how_many_points_and_growth_makes_fewer():
    flat = regular(120, 40.0)
    counts = [len(patch(flat, spacing)[0]) for spacing in (2.0, 4.0)]
    # points to an area: a quarter as many at twice the spacing
    assert counts[0] / counts[1] == pytest.approx(4.0, rel=0.2)
    assert len(patch(flat, 2.0, 1.6)[0]) < 0.3 * counts[0]


def test_last_digits_of_the_polygon_do_not_choose_the_triangles():
    flat = regular(48, 20.0)
    points, faces = patch(flat, 2.6)
    for seed in range(5):
        shaken = flat + np.random.default_rng(seed).uniform(-1e-11, 1e-11, flat.shape)
        other, again = patch(shaken, 2.6 + 1e-12)
        assert np.array_equal(again, faces) and np.array_equal(other, points)
