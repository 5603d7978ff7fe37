"""Distances to segments and to the border of an area, against shapely's own."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from rectify.geometry.segments import border_distance, nearest_segment

POINTS = np.random.default_rng(3).uniform(-40.0, 40.0, size=(500, 2))
DISC = shapely.Point(0.0, 0.0).buffer(20.0)
AREAS = {
    "disc": DISC,
    "hole": DISC.difference(shapely.Point(3.0, 2.0).buffer(6.0)),
    "two parts": DISC.union(shapely.box(25.0, -5.0, 35.0, 5.0)),
}


@pytest.mark.parametrize("name", AREAS)
def test_as_shapely_measures_it(name):
    expected = shapely.distance(shapely.points(POINTS), AREAS[name].boundary)
    assert border_distance(AREAS[name], POINTS) == pytest.approx(expected, abs=1e-12)


def test_which_segment():
    corners = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]])
    distance, segment = nearest_segment(np.array([[4.0, 3.0], [13.0, 6.0]]), corners, np.array([[0, 1], [1, 2]]))
    assert distance.tolist() == [3.0, 3.0] and segment.tolist() == [0, 1]


def test_nothing_is_infinitely_far():
    assert np.isinf(border_distance(shapely.Polygon(), POINTS)).all()
    assert len(border_distance(DISC, np.empty((0, 2)))) == 0
