"""The mandrel: no tilt where none helps, the lean of a leaning body, and what stays hidden from the side."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.fabrication.cut_line import within_trimline
from rectify.fabrication.mandrel import Mandrel, choose_mandrel, hidden_depths, mandrel_along
from rectify.geometry.mesh import Mesh
from rectify.geometry.nearest import Tree
from tests.fabrication.bodies import circle, closed_capsule


def inside_of(body: Mesh, line: np.ndarray) -> Mesh:
    return within_trimline(body, Tree(body.vertices, body.faces).nearest(line)[2], 1.0).mesh


@pytest.fixture(scope="module")
def capsule() -> Mesh:
    return inside_of(closed_capsule(50.0, 100.0, 4.0), circle(50.0, 0.0))


def test_a_straight_body_is_turned_about_its_own_axis(capsule: Mesh) -> None:
    mandrel = choose_mandrel(capsule, "right")
    assert (mandrel.flexion_deg, mandrel.adduction_deg) == (0.0, 0.0)
    assert mandrel.up.tolist() == [0.0, 0.0, 1.0] and np.hypot(*mandrel.tip[:2]) < 4.0  # an edge of the mesh
    assert hidden_depths(capsule, mandrel).max() == 0.0


def test_a_body_with_a_bent_end_is_tilted_until_nothing_is_hidden() -> None:
    body = closed_capsule(40.0, 160.0, 4.0)
    v = body.vertices
    bend = np.clip(-v[:, 2] / 160.0, 0.0, 2.0) * 40.0
    bent = body.with_vertices(v - np.column_stack([np.zeros(len(v)), bend, np.zeros(len(v))]))
    surface = inside_of(bent, circle(40.0, 0.0))
    upright = mandrel_along(surface, 0.0, 0.0, "right")
    assert hidden_depths(surface, upright).max() > 1.0
    chosen = choose_mandrel(surface, "right")
    assert chosen.flexion_deg != 0.0 and abs(chosen.adduction_deg) <= 1.0
    assert hidden_depths(surface, chosen).max() < hidden_depths(surface, upright).max() / 4
    mirrored = Mesh(surface.vertices * [-1.0, 1.0, 1.0], surface.faces[:, ::-1])
    other = choose_mandrel(mirrored, "left")
    assert (other.flexion_deg, other.adduction_deg) == (chosen.flexion_deg, chosen.adduction_deg)


def test_a_pocket_beside_an_overhang_is_hidden_by_its_depth() -> None:
    # a shelf seen from the axis: a lip at the front that bends round sideways
    body = closed_capsule(50.0, 100.0, 2.0)
    v = body.vertices
    turn = np.degrees(np.arctan2(v[:, 0], v[:, 1]))
    lip = np.exp(-((turn / 14.0) ** 2) - ((v[:, 2] + 50.0) / 25.0) ** 2)
    swept = 0.9 * lip**2  # the lip leans over to the side as it rises
    radius = np.hypot(v[:, 0], v[:, 1]) + 25.0 * lip * (np.hypot(v[:, 0], v[:, 1]) > 1.0)
    angle = np.radians(turn) + swept
    moved = np.column_stack([radius * np.sin(angle), radius * np.cos(angle), v[:, 2]])
    surface = inside_of(body.with_vertices(moved), circle(50.0, 0.0))
    mandrel = mandrel_along(surface, 0.0, 0.0, "right")
    depth = hidden_depths(surface, mandrel)
    worst = surface.vertices[int(np.argmax(depth))]
    assert 3.0 < depth.max() < 25.0 and worst[1] > 0.0 and abs(worst[2] + 50.0) < 25.0


def test_places_go_to_the_mandrel_and_back(capsule: Mesh) -> None:
    mandrel = Mandrel(np.array([3.0, -2.0, -150.0]), np.array([0.0, -0.6, 0.8]), 36.9, 0.0)
    local = mandrel.local(capsule.vertices)
    assert mandrel.limb(local) == pytest.approx(capsule.vertices, abs=1e-9)
    axes = mandrel.axes()
    assert axes @ axes.T == pytest.approx(np.eye(3), abs=1e-12) and np.linalg.det(axes) == pytest.approx(1.0)
    move = mandrel.transform()
    on_axis = move[:3, :3] @ (mandrel.tip + 70.0 * mandrel.up) + move[:3, 3]
    assert on_axis[:2] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert (move[:3, :3] @ np.zeros(3) + move[:3, 3])[2] == 0.0
