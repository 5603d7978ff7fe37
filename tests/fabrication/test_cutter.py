"""A ball against grooves and fillets whose miss is a closed form."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.fabrication.cutter import missed_depths, missed_places
from rectify.geometry.mesh import Mesh
from tests.fabrication.bodies import closed_capsule

RADIUS = 6.0  # mm


def row_near(body: Mesh, z: float) -> float:
    """The height of the row of vertices nearest to a height."""
    return float(body.vertices[int(np.argmin(np.abs(body.vertices[:, 2] - z))), 2])


def grooved(half_mm: float, deep_mm: float) -> Mesh:
    """A capsule of 60 mm with a groove of triangular section round it, on a mesh with rows at its corners."""
    body = closed_capsule(60.0, 120.0, 1.5)
    v = body.vertices
    off = np.abs(v[:, 2] - row_near(body, -60.0))
    deep = np.where(np.hypot(v[:, 0], v[:, 1]) > 30.0, deep_mm * np.clip(1.0 - off / half_mm, 0.0, 1.0), 0.0)
    scale = 1.0 - deep / np.maximum(np.hypot(v[:, 0], v[:, 1]), 1.0)
    return body.with_vertices(v * np.column_stack([scale, scale, np.ones(len(v))]))


def test_on_a_body_that_bulges_everywhere_nothing_is_missed() -> None:
    body = closed_capsule(30.0, 60.0, 3.0)
    low = body.vertices[:, 2] < 40.0  # its flat top has a rim
    depth = missed_depths(body, body, RADIUS)
    assert depth[low].max() == 0.0 and missed_places(body, np.where(low, depth, 0.0)) == []


def test_at_the_bottom_of_a_straight_groove_a_ball_misses_what_the_corner_leaves() -> None:
    body = grooved(8.0, 6.0)
    depth = missed_depths(body, body, RADIUS)
    bottom = np.flatnonzero(np.abs(body.vertices[:, 2] - row_near(body, -60.0)) < 1e-6)
    assert len(bottom) > 20
    # walls at 53.1 degrees from the axis of the groove: r (1 / sin a - 1); the mesh rounds the corner off a little
    half = np.arctan2(8.0, 6.0)
    assert np.median(depth[bottom]) == pytest.approx(RADIUS * (1.0 / np.sin(half) - 1.0), abs=0.25)
    (place,) = missed_places(body, np.where(body.vertices[:, 2] < 30.0, depth, 0.0))
    assert place.depth_mm == pytest.approx(depth[bottom].max()) and abs(place.xyz[2] + 60.0) < 1.0
    around = 2 * np.pi * 54.0
    assert 0.5 * around < place.area_mm2 < 12.0 * around and place.vertices > 100


def test_a_smaller_cutter_misses_less_in_proportion() -> None:
    body = grooved(8.0, 6.0)
    bottom = np.flatnonzero(np.abs(body.vertices[:, 2] - row_near(body, -60.0)) < 1e-6)
    six, three = (np.median(missed_depths(body, body, radius)[bottom]) for radius in (6.0, 3.0))
    assert three == pytest.approx(six / 2, abs=0.2)


def test_two_hollows_are_two_places_the_deeper_first() -> None:
    body = grooved(8.0, 6.0)
    v = body.vertices
    off = np.abs(v[:, 2] + 100.0)
    scale = 1.0 - 3.0 * np.clip(1.0 - off / 6.0, 0.0, 1.0) / 60.0
    twice = body.with_vertices(v * np.column_stack([scale, scale, np.ones(len(v))]))
    depth = missed_depths(twice, twice, RADIUS)
    places = missed_places(twice, np.where(v[:, 2] < 30.0, depth, 0.0))
    assert len(places) == 2 and places[0].depth_mm > places[1].depth_mm
    assert [round(place.xyz[2], -1) for place in places] == [-60.0, -100.0]
