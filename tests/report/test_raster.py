"""Triangles to pixels, against the slow way and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from rectify.report.raster import rasterise


def _random(count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    middles = rng.uniform(0, 40, (count, 1, 2))
    return (middles + rng.uniform(-6, 6, (count, 3, 2))).reshape(-1, 2), np.arange(3 * count).reshape(-1, 3)


def test_a_pixel_shows_a_face_exactly_where_its_centre_lies_in_one() -> None:
    places, faces = _random(25, seed=1)
    seen = rasterise(places, faces, (40, 40))
    union = shapely.union_all([shapely.Polygon(places[f]) for f in faces])
    x, y = np.meshgrid(np.arange(40) + 0.5, np.arange(40) + 0.5)
    assert np.array_equal(seen.there, shapely.contains_xy(union, x, y))  # the slow way: point in polygon


def test_the_nearest_face_is_seen() -> None:
    places, faces = _random(60, seed=2)
    nearness = np.repeat(np.random.default_rng(3).permutation(60).astype(float), 3)
    seen = rasterise(places, faces, (40, 40), nearness)
    polygons = [shapely.Polygon(places[f]) for f in faces]
    for row, column in np.argwhere(seen.there)[::7]:
        point = shapely.Point(column + 0.5, row + 0.5)
        holding = [i for i, polygon in enumerate(polygons) if polygon.contains(point)]
        assert seen.face[row, column] == max(holding, key=lambda i: nearness[3 * i])


def test_a_linear_field_is_carried_exactly() -> None:
    places, faces = _random(40, seed=4)
    seen = rasterise(places, faces, (40, 40))
    carried = seen.carry(np.stack([places @ [2.0, -3.0] + 1.0, places[:, 1]], axis=1))
    x, y = np.meshgrid(np.arange(40) + 0.5, np.arange(40) + 0.5)
    there = seen.there
    assert np.abs(carried[..., 0] - (2 * x - 3 * y + 1))[there].max() < 1e-9  # rounding only
    assert np.abs(carried[..., 1] - y)[there].max() < 1e-9
    assert np.isnan(carried[~there]).all()


def test_neighbours_leave_no_gap_between_them() -> None:
    corners = np.array([[0.0, 0.0], [30.0, 0.0], [30.0, 30.0], [0.0, 30.0], [11.3, 17.9]])
    fan = np.array([[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]])
    assert rasterise(corners, fan, (30, 30)).there.all()


def test_what_lies_outside_or_has_no_extent_is_not_drawn() -> None:
    places = np.array([[-9.0, -9.0], [-5.0, -9.0], [-7.0, -5.0], [3.0, 3.0], [5.0, 5.0], [7.0, 7.0]])
    assert not rasterise(places, np.array([[0, 1, 2], [3, 4, 5]]), (10, 10)).there.any()
    assert not rasterise(places, np.zeros((0, 3), dtype=np.int64), (10, 10)).there.any()


@pytest.mark.parametrize("turn", [0.0, 0.3, 1.1])
def test_the_covered_area_is_the_triangles(turn: float) -> None:
    c, s = np.cos(turn), np.sin(turn)
    places = np.array([[-80.0, -60.0], [80.0, -60.0], [0.0, 90.0]]) @ np.array([[c, s], [-s, c]]) + 130.0
    covered = rasterise(places, np.array([[0, 1, 2]]), (260, 260)).there.sum()
    assert covered == pytest.approx(160 * 150 / 2, rel=0.005)  # pixels; the border is some 500 of 12000
