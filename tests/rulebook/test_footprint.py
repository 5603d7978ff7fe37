"""Outlines as polygons, against areas and distances in closed form."""

from __future__ import annotations

import math

import pytest
import shapely

from rectify.limb.spot import Spot
from rectify.rulebook.footprint import (
    carried,
    core_mm,
    distance_mm,
    footprint,
    half_width_mm,
    held_feather,
    inscribed_mm,
    remaining,
)
from rectify.rulebook.places import Places
from rectify.rulebook.plan import Band, EndCap, KeepClear, Outline, Oval, Strip
from tests.rulebook.fake import CapsuleChart, transtibial

R = 50.0
PLACES = Places(transtibial(CapsuleChart(radius=R)))
ORIGIN = Spot(40.0, 20.0)


def at(x: float, y: float) -> Spot:
    """A spot x mm round and y mm along from the origin, on the cylinder."""
    return Spot(ORIGIN.station_mm + y, ORIGIN.angle_deg + math.degrees(x / R))


def test_an_oval_has_the_area_of_its_ellipse() -> None:
    area = shapely.area(footprint(PLACES, ORIGIN, Oval(36.0, 50.0)))
    # a polygon of 72 sides in an ellipse: exactly 72/2 sin(2 pi/72) a b
    assert area == pytest.approx(36 * math.sin(2 * math.pi / 72) * 18.0 * 25.0, rel=1e-12)


@pytest.mark.parametrize(("angle", "way"), [(20.0, 1.0), (-20.0, 1.0), (160.0, -1.0), (-160.0, -1.0)])
def test_a_turned_oval_takes_its_distal_end_towards_lateral(angle: float, way: float) -> None:
    shape = footprint(PLACES, Spot(40.0, angle), Oval(60.0, 10.0, 30.0))
    tip = max(shapely.get_coordinates(shape).tolist(), key=lambda p: p[1])
    assert tip[0] * way > 0
    assert math.degrees(math.atan2(abs(tip[0]), tip[1])) == pytest.approx(30.0, abs=2.0)  # deg; 72 sides, flat tip


def test_a_strip_is_its_path_made_as_wide_as_it_says() -> None:
    strip = Strip((at(0, -30), at(0, 30)), (12.0, 12.0))
    area = shapely.area(footprint(PLACES, ORIGIN, strip))
    # a rectangle and two half discs; shapely's discs have 64 sides: 0.2 % of the disc
    assert area == pytest.approx(60 * 12 + math.pi * 36, abs=0.002 * math.pi * 36)
    tapered = footprint(PLACES, ORIGIN, Strip((at(0, -30), at(0, 30)), (12.0, 20.0)))
    assert shapely.covers(tapered, shapely.Point(9.5, 30.0)) and not shapely.covers(tapered, shapely.Point(9.5, -30.0))


def test_an_outline_is_its_ring_in_the_plane_of_the_anchor() -> None:
    ring = Outline((at(-10, -20), at(10, -20), at(10, 20), at(-10, 20)))
    polygon = footprint(PLACES, ORIGIN, ring)
    assert shapely.area(polygon) == pytest.approx(800.0, abs=1e-9)
    assert half_width_mm(PLACES, ORIGIN, ring) == pytest.approx(10.0, abs=0.1)  # mm; shapely's own tolerance


def test_half_widths_are_those_of_the_shape() -> None:
    assert half_width_mm(PLACES, ORIGIN, Oval(36.0, 50.0)) == 18.0
    assert half_width_mm(PLACES, ORIGIN, Strip((at(0, 0), at(0, 9)), (12.0, 8.0))) == 4.0
    assert half_width_mm(PLACES, ORIGIN, Band(10.0, 40.0)) == pytest.approx(15.0, abs=1e-9)
    assert half_width_mm(PLACES, ORIGIN, EndCap(33.0)) == 33.0


def test_a_feather_is_held_only_inside_and_only_where_it_does_not_fit() -> None:
    assert held_feather(16.0, 18.0, inside=True) == 16.0
    assert held_feather(17.0, 18.0, inside=True) == 16.5  # leaves half of a 3 mm core
    assert held_feather(17.0, 18.0, inside=True, core=core_mm(4.0)) == 14.0  # two edges of 4 mm
    assert held_feather(17.0, 1.0, inside=True) == 0.0
    assert held_feather(17.0, 1.0, inside=False) == 17.0
    assert (core_mm(), core_mm(1.4), core_mm(2.5)) == (3.0, 3.0, 5.0)


def test_distances_are_measured_on_the_surface() -> None:
    oval = footprint(PLACES, ORIGIN, Oval(20.0, 20.0))
    assert distance_mm(PLACES, ORIGIN, oval, [at(0, 25)]) == pytest.approx(15.0, abs=1e-9)
    # beside a polygon of 72 sides the flat lies up to 10 (1 - cos 2.5 deg) = 0.01 mm further in
    assert distance_mm(PLACES, ORIGIN, oval, [at(25, 0), at(0, 90)]) == pytest.approx(15.0, abs=0.01)
    assert distance_mm(PLACES, ORIGIN, oval, [at(3, 3)]) == 0.0
    assert distance_mm(PLACES, ORIGIN, oval, []) == math.inf
    assert shapely.distance(oval, carried(PLACES, ORIGIN, at(0, 40), Oval(20.0, 20.0))) == pytest.approx(20.0, abs=1e-9)


def test_discs_are_cut_out_and_what_is_left_is_measured() -> None:
    oval = footprint(PLACES, ORIGIN, Oval(20.0, 20.0))
    left = remaining(PLACES, ORIGIN, oval, [KeepClear(at(0, 10), 10.0)])
    assert shapely.area(left) < shapely.area(oval)
    assert inscribed_mm(left) < inscribed_mm(oval)
    gone = remaining(PLACES, ORIGIN, oval, [KeepClear(ORIGIN, 30.0)])
    assert shapely.is_empty(gone) and inscribed_mm(gone) == 0.0


def test_a_band_reaches_all_round_and_an_end_cap_all_below() -> None:
    assert shapely.covers(footprint(PLACES, ORIGIN, Band(30.0, 50.0)), shapely.Point(150.0, 9.9))
    assert not shapely.covers(footprint(PLACES, ORIGIN, Band(30.0, 50.0)), shapely.Point(0.0, 10.1))
    pole = Spot(PLACES.chart.pole_mm, 0.0)
    assert distance_mm(PLACES, pole, footprint(PLACES, pole, EndCap(30.0)), [Spot(pole.station_mm - 40.0, 10.0)]) == (
        pytest.approx(10.0, abs=1e-9)
    )
