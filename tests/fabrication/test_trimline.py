"""The trimline against closed forms: a circle on a cylinder, an unrolled ring with rounded corners."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.engine.brim import brim_curve
from rectify.errors import RulesError
from rectify.fabrication.trimline import SPACING_MM, rounded_ring, trimline, trimline_facts
from rectify.limb.limb import Limb
from rectify.limb.spot import Spot
from rectify.rulebook.plan import Brim

LEVEL_BRIM = tuple(Spot(20.0, angle) for angle in (0.0, 90.0, 180.0, -90.0))


def length_of(points: np.ndarray) -> float:
    return float(np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1).sum())


def test_a_brim_at_one_level_is_the_circle_of_that_level(capsule_limb: Limb) -> None:
    points, captured = trimline(capsule_limb, Brim(LEVEL_BRIM, corner_radius_mm=30.0), capsule_limb.mesh)
    assert captured.all()
    # the mesh's chords of 3 mm lie up to 0.023 mm inside a circle of 50 mm
    assert np.hypot(points[:, 0], points[:, 1]) == pytest.approx(50.0, abs=0.03)
    assert points[:, 2] == pytest.approx(-20.0, abs=0.01)
    assert length_of(points) == pytest.approx(2 * np.pi * 50.0, abs=0.3)


def test_points_of_a_trimline_are_evenly_spaced_by_about_a_millimetre(capsule_limb: Limb) -> None:
    brim = Brim((Spot(0.0, 0.0), Spot(40.0, 90.0), Spot(10.0, 180.0), Spot(30.0, -90.0)), corner_radius_mm=20.0)
    points, _ = trimline(capsule_limb, brim, capsule_limb.mesh)
    steps = np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1)
    assert steps.min() > 0.9 * SPACING_MM and steps.max() < 1.1 * SPACING_MM


def test_a_trimline_lies_on_the_rectified_surface_and_not_on_the_captured_one(capsule_limb: Limb) -> None:
    away = capsule_limb.mesh.vertices * [1.04, 1.04, 1.0]  # the wall 2 mm further out
    points, _ = trimline(capsule_limb, Brim(LEVEL_BRIM), capsule_limb.mesh.with_vertices(away))
    assert np.hypot(points[:, 0], points[:, 1]) == pytest.approx(52.0, abs=0.03)


def test_the_order_of_places_may_run_either_way_round(capsule_limb: Limb) -> None:
    there, _ = trimline(capsule_limb, Brim(LEVEL_BRIM), capsule_limb.mesh)
    back, _ = trimline(capsule_limb, Brim(LEVEL_BRIM[::-1]), capsule_limb.mesh)
    assert length_of(there) == pytest.approx(length_of(back), abs=1e-6)


def test_places_that_do_not_run_once_round_are_refused(capsule_limb: Limb) -> None:
    brim = Brim((Spot(20.0, 0.0), Spot(20.0, 60.0), Spot(20.0, 30.0)))
    with pytest.raises(RulesError, match="does not run once round the limb") as caught:
        trimline(capsule_limb, brim, capsule_limb.mesh)
    assert caught.value.found == "0, 60, 30 degrees" and caught.value.key == "brim.line"


def test_above_the_capture_the_curve_says_how_much_of_it_has_no_skin(capsule_limb: Limb) -> None:
    inside = trimline_facts(capsule_limb, Brim(LEVEL_BRIM), capsule_limb.mesh)
    assert inside["beyond_capture_mm"] == 0.0 and inside["closed"] is True and inside["flare"] is None
    top = capsule_limb.chart.top_mm
    above = tuple(Spot(top - 10.0 if angle == 0.0 else 20.0, angle) for angle in (0.0, 90.0, 180.0, -90.0))
    outside = trimline_facts(capsule_limb, Brim(above, flare_out_mm=6.0, flare_over_mm=12.0), capsule_limb.mesh)
    assert 0.0 <= outside["beyond_capture_mm"] < outside["length_mm"]
    assert outside["flare"] == {"out_mm": 6.0, "over_mm": 12.0, "where": ""}


def test_a_rounded_corner_has_the_radius_asked_for_and_the_length_of_its_arc() -> None:
    corners = np.array([[0.0, 0.0], [100.0, 50.0]])  # a zigzag that closes after 200 mm
    radius, turn = 15.0, 2 * np.arctan(0.5)
    ring = rounded_ring(corners, 200.0, radius)
    closed = np.concatenate([ring, ring[:1] + np.array([200.0, 0.0])])
    sharp = 2 * np.hypot(100.0, 50.0)
    saved = 2 * (2 * radius * np.tan(turn / 2) - radius * turn)  # two tangents less the arc, at both corners
    length = np.linalg.norm(np.diff(closed, axis=0), axis=1).sum()
    assert length == pytest.approx(sharp - saved, abs=0.02)  # chords of 1 mm on an arc of 15 mm
    near = ring[np.abs(ring[:, 0] - 100.0) < 0.5 * radius * np.sin(turn / 2)]
    middle = np.array([100.0, 50.0 - radius / np.cos(turn / 2)])
    assert np.hypot(*(near - middle).T) == pytest.approx(radius, abs=0.03)  # 16 chords an arc


def test_a_corner_radius_too_large_for_its_neighbours_is_held_to_what_fits() -> None:
    corners = np.array([[0.0, 0.0], [10.0, 8.0], [20.0, 0.0], [110.0, 0.0]])
    ring = rounded_ring(corners, 200.0, 500.0)
    assert np.isfinite(ring).all()
    assert (np.diff(ring[:, 0]) > 0).all()  # no loop where arcs would have met
    assert ring[:, 1].min() > -8.0 and ring[:, 1].max() < 8.0


def test_without_a_radius_the_corners_stay_where_they_are() -> None:
    corners = np.array([[0.0, 0.0], [100.0, 40.0], [200.0, 0.0]])
    ring = rounded_ring(corners, 300.0, 0.0)
    assert np.hypot(*(ring - [100.0, 40.0]).T).min() < SPACING_MM


def test_a_place_said_twice_in_a_row_is_one_place(capsule_limb: Limb) -> None:
    places = (Spot(20.0, 0.0), Spot(0.0, 120.0), Spot(20.0, -120.0))
    once = Brim(places, radii_mm=(10.0, 20.0, 30.0))
    again = Brim((places[0], *places, places[2], places[0]), radii_mm=(10.0, 10.0, 20.0, 30.0, 30.0, 10.0))
    for one, two in zip(brim_curve(capsule_limb.chart, once), brim_curve(capsule_limb.chart, again), strict=True):
        assert np.array_equal(one, two)
