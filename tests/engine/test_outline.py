"""Pencil lines in the plane of a layout: drawn, cleared, rounded, and carried back to the chart."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from rectify.engine.layout import layout_at
from rectify.engine.outline import cleared, closed, drawn, inradius, opened, plane_of, ring_of, turned
from rectify.limb.spot import Spot
from rectify.rulebook.plan import KeepClear, Outline, Oval, Strip
from tests.made import build_up, reduction

AT = Spot(60.0, 0.0)


@pytest.fixture(scope="module")
def layout(capsule_limb):
    return layout_at(capsule_limb.chart, AT, 0.0)


def test_an_oval_is_an_ellipse_of_its_extents(layout):
    shape = drawn(Oval(60.0, 40.0), layout)
    assert shape.bounds == pytest.approx((-20.0, -30.0, 20.0, 30.0))  # x around, y along
    assert shape.area == pytest.approx(np.pi * 20.0 * 30.0, rel=1e-3)  # 96 corners
    assert shape.length == pytest.approx(158.654, rel=1e-3)  # Ramanujan's second formula for 30 x 20


def test_a_turn_takes_the_distal_end_towards_lateral():
    assert np.array([[0.0, 1.0]]) @ turned(90.0) == pytest.approx(np.array([[1.0, 0.0]]), abs=1e-15)


def test_a_strip_is_its_path_widened(layout):
    path = (Spot(40.0, 0.0), Spot(80.0, 0.0))
    shape = drawn(Strip(path, (12.0, 12.0)), layout)
    assert shape.area == pytest.approx(40.0 * 12.0 + np.pi * 36.0, rel=2e-3)
    taper = drawn(Strip(path, (8.0, 24.0)), layout)
    # two circles of radius r and R a distance d apart and their outer tangents (belt area by the angle a between):
    r, big, d = 4.0, 12.0, 40.0
    a = np.arcsin((big - r) / d)
    belt = (r + big) * np.sqrt(d**2 - (big - r) ** 2) + (np.pi / 2 + a) * big**2 + (np.pi / 2 - a) * r**2
    assert taper.area == pytest.approx(belt, rel=3e-3)


def test_an_outline_that_crosses_itself_becomes_valid(layout):
    ring = (Spot(40.0, -20.0), Spot(80.0, 20.0), Spot(80.0, -20.0), Spot(40.0, 20.0))
    assert drawn(Outline(ring), layout).is_valid


def test_clearing_takes_the_feather_of_a_build_up_into_account(layout):
    clear = KeepClear(Spot(60.0, np.degrees(20.0 / 50.0)), 8.0)
    square = shapely.box(-25.0, -25.0, 25.0, 25.0)
    place = plane_of((clear.spot,), layout)[0]
    for make, margin in ((build_up, 10.0), (reduction, 0.0)):
        left = cleared(square, make("a", 3.0, AT, feather=10.0, keep_clear=(clear,)), layout)
        assert left.distance(shapely.Point(place)) == pytest.approx(8.0 + margin, abs=0.05)


def test_corners_are_rounded_outward_or_inward():
    square = shapely.box(0.0, 0.0, 40.0, 30.0)
    assert opened(square, 6.0).area == pytest.approx(1200.0 - (4 - np.pi) * 36.0, rel=1e-4)
    assert closed(square, 6.0).area == pytest.approx(1200.0, rel=1e-5)  # it has no corner that goes in
    notch = square.difference(shapely.box(10.0, 20.0, 20.0, 31.0))
    assert closed(notch, 6.0).area > notch.area + 50.0  # narrower than twice the radius: it fills
    for shape in (opened(square, 0.0), closed(square, 0.0)):
        assert shape.equals(square)


def test_the_largest_circle_inside():
    assert inradius(shapely.box(0.0, 0.0, 40.0, 30.0)) == pytest.approx(15.0, abs=0.05)
    assert inradius(shapely.Polygon()) == 0.0


@pytest.mark.parametrize("station", [60.0, 140.0, 185.0, 219.0, 227.9, 228.3])
def test_carried_back_to_the_chart_the_line_lies_where_it_was_drawn(capsule_limb, station):
    layout = layout_at(capsule_limb.chart, Spot(station, 175.0), 20.0)
    shape = drawn(Oval(36.0, 28.0), layout)
    ring = ring_of(shape, layout)
    points = ring[np.isfinite(ring[:, 0])]
    back = layout.plane(points[:, 0], points[:, 1])
    off = shapely.distance(shapely.points(back), shape.boundary)
    assert off.max() < 0.3  # mm, of a drawn line
