"""Perimeters and widths of many convex hulls at once, against shapely's, one by one."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from rectify.geometry.hulls import hull_extents, hull_perimeters


def one_by_one(xy, level, k):
    """(k,) perimeters as shapely has them; NaN where there are no points."""
    out = []
    for i in range(k):
        points = xy[level == i]
        hull = shapely.convex_hull(shapely.multipoints(points))
        there_and_back = 2.0 if hull.geom_type == "LineString" else 1.0
        out.append(there_and_back * hull.length if len(points) else np.nan)
    return np.array(out)


def clouds(seed):
    """Sections of all kinds: rings, noise, grids with many points in a line, crescents, points told twice."""
    rng = np.random.default_rng(seed)
    turn = np.sort(rng.uniform(0, 2 * np.pi, 400))
    ring = 50.0 * np.stack([np.cos(turn), 0.7 * np.sin(turn)], axis=1)
    rough = ring * (1.0 + 0.01 * rng.normal(size=(400, 1)))
    grid = np.stack(np.meshgrid(np.arange(9.0), np.arange(7.0)), axis=-1).reshape(-1, 2) * 5.0
    crescent = ring[(turn > 0.3) & (turn < 2.0)] + np.array([200.0, -300.0])
    star = ring * np.where(np.arange(400) % 2, 1.0, 0.4)[:, None]
    twice = np.repeat(rough, 2, axis=0)
    square = 10.0 * np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0, 0], [0.5, 0.0], [0.5, 0.5]])
    heap = rng.normal(size=(300, 2)) * 20.0
    parts = [ring, rough, grid, crescent, star, twice, square, heap]
    level = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    mixed = rng.permutation(len(level))
    return np.concatenate(parts)[mixed], level[mixed], len(parts)


@pytest.mark.parametrize("seed", range(20))
def test_hulls_of_all_kinds_are_shapelys(seed):
    xy, level, k = clouds(seed)
    assert hull_perimeters(xy, level, k) == pytest.approx(one_by_one(xy, level, k), abs=1e-8)  # mm; points within 1e-9


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(-4, 4), st.integers(-4, 4)), max_size=60))
def test_any_points_on_a_lattice_give_shapelys_hull(rows):
    # a small lattice is full of points told twice, points in a line and sections without width
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    xy, level = table[:, 1:], table[:, 0].astype(np.int64)
    expected = one_by_one(xy, level, 4)
    assert hull_perimeters(xy, level, 4) == pytest.approx(expected, abs=1e-9, nan_ok=True)
    for i in range(4):
        own = xy[level == i]
        wide = np.ptp(own, axis=0) if len(own) else np.full(2, np.nan)
        assert hull_extents(xy, level, 4)[i] == pytest.approx(wide, nan_ok=True)


@pytest.mark.parametrize("turn", [0.0, 0.3, 1.9])
def test_points_told_again_in_the_very_middle_do_no_harm(turn):
    corner = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])
    back = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    xy = np.concatenate([corner, np.zeros((10, 2))])[[4, 0, 5, 6, 1, 7, 2, 8, 9, 3, 10, 11, 12, 13]] @ back
    assert hull_perimeters(xy, np.zeros(14, dtype=np.int64), 1)[0] == pytest.approx(4 * np.sqrt(2), abs=1e-8)


@pytest.mark.parametrize("turn", [0.0, 0.3, 1.9])
def test_points_in_a_line_and_points_alone(turn):
    along = np.outer(np.array([3.0, -2.0, 11.0, 5.0, 5.0]), [np.cos(turn), np.sin(turn)]) + 70.0
    level = np.array([0, 0, 0, 0, 0])
    assert hull_perimeters(along, level, 1)[0] == pytest.approx(26.0)  # there and back
    assert hull_perimeters(along[:1], level[:1], 2) == pytest.approx([0.0, np.nan], nan_ok=True)


def test_no_points_no_hulls():
    none = np.zeros(0, dtype=np.int64)
    assert np.isnan(hull_perimeters(np.zeros((0, 2)), none, 3)).all()
    assert np.isnan(hull_extents(np.zeros((0, 2)), none, 3)).all()


def test_a_fine_circle_far_from_the_origin():
    turn = np.arange(5000) * 2 * np.pi / 5000
    xy = 60.0 * np.stack([np.cos(turn), np.sin(turn)], axis=1) + np.array([400.0, -900.0])
    exact = 5000 * 2 * 60.0 * np.sin(np.pi / 5000)
    assert hull_perimeters(xy, np.zeros(5000, dtype=np.int64), 1)[0] == pytest.approx(exact, abs=1e-8)
