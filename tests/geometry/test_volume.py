"""Volumes, whole and below a plane, against closed forms and manifold3d."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rectify.geometry.cap import cap_opening
from rectify.geometry.cap import closed as closed_with
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Mesh
from rectify.geometry.volume import volume, volume_below, volumes_below
from rectify.synthetic import capsule, cone, sphere, tube

_CORNERS = np.array([[x, y, z] for x in (0.0, 2.0) for y in (0.0, 3.0) for z in (0.0, 5.0)])
_SIDES = np.array(
    [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1], [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4],
     [1, 5, 7], [1, 7, 3]]
)  # fmt: skip
BOX = Mesh(_CORNERS, _SIDES)


def closed(mesh):
    return closed_with(mesh, cap_opening(mesh))


def solid(mesh):
    return manifold3d.Manifold(
        manifold3d.Mesh64(np.ascontiguousarray(mesh.vertices), np.ascontiguousarray(mesh.faces, dtype=np.uint64))
    )


# -- whole ----------------------------------------------------------------------------------------


def test_a_box_by_hand_and_inside_out():
    assert volume(BOX) == pytest.approx(30.0, abs=1e-13)
    assert volume(Mesh(BOX.vertices, BOX.faces[:, ::-1])) == pytest.approx(-30.0, abs=1e-13)


def test_nothing_holds_nothing():
    empty = Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
    assert volume(empty) == 0.0
    assert volume_below(empty, 3.0) == 0.0


def test_an_origin_far_away_costs_no_digits():
    far = np.array([4e6, -7e6, 2e6])
    assert volume(BOX.with_vertices(BOX.vertices + far)) == pytest.approx(30.0, abs=1e-6)


def test_a_sphere_comes_to_its_closed_form_with_the_square_of_the_edge():
    true = 4.0 / 3.0 * np.pi * 50.0**3
    lack = [1.0 - volume(sphere(50.0, edge)) / true for edge in (6.0, 3.0)]
    assert 0 < lack[1] < 0.0015  # vertices on the surface: short by some (edge / radius)² / 3
    assert lack[0] / lack[1] == pytest.approx(4.0, abs=0.4)


def test_a_frustum_of_a_polygon_is_exact():
    # circumferences 340 and 260 mm, 120 mm apart: the smooth frustum holds 864529.651 mm³ (Zwillinger, CRC Standard
    # Mathematical Tables; title from memory). With n corners its volume is that times (n / 2 pi) sin(2 pi / n).
    n, h = 360, 120.0
    turn = np.arange(n) * 2 * np.pi / n
    r1, r2 = 340.0 / (2 * np.pi), 260.0 / (2 * np.pi)
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    v = np.vstack([np.column_stack([r2 * ring, np.zeros(n)]), np.column_stack([r1 * ring, np.full(n, h)])])
    i, j = np.arange(n), (np.arange(n) + 1) % n
    walls = Mesh(v, np.concatenate([np.stack([i, j, n + j], 1), np.stack([i, n + j, n + i], 1)]))
    # its walls are flat quads, cut either way: a frustum with straight edges
    expected = 864529.651 * n / (2 * np.pi) * np.sin(2 * np.pi / n)
    assert volume(_lidded(walls)) == pytest.approx(expected, rel=1e-9)
    assert volume_below(_lidded(walls), h + 1.0) == pytest.approx(expected, rel=1e-9)


def _lidded(walls):
    for loop in border_loops(walls):
        walls = closed_with(walls, cap_opening(walls, loop=loop))
    return walls


# -- below a plane --------------------------------------------------------------------------------


def test_below_a_plane_a_box_is_its_share():
    for z, expected in ((-1.0, 0.0), (0.0, 0.0), (1.7, 10.2), (5.0, 30.0), (9.0, 30.0)):
        assert volume_below(BOX, z) == pytest.approx(expected, abs=1e-12)


def test_a_thimble_holds_its_closed_form_below_level_zero():
    # tube of radius 50 and length 150 with a hemisphere: pi R² L + 2/3 pi R³ = 1439896.633 mm³
    coarse, fine = (volume_below(capsule(50.0, 150.0, edge, 60.0), 0.0) for edge in (4.0, 2.0))
    assert fine == pytest.approx(1439896.633, rel=5e-4)  # inscribed: short by some (2/50)² / 6
    # errors fall with the square of the edge: what both say together is ten times closer
    assert fine + (fine - coarse) / 3 == pytest.approx(1439896.633, rel=5e-5)


@pytest.mark.parametrize("offset", [-3.0, 2.0])
def test_a_thimble_grows_by_the_published_percentage(offset):
    # R -> R + d, exact; -12.6039 % for -3 mm, +8.9466 % for +2 mm (closed form, checked numerically)
    grown = {-3.0: -12.6039, 2.0: 8.9466}[offset]
    before, after = (volume_below(capsule(r, 150.0, 2.0, 60.0), 0.0) for r in (50.0, 50.0 + offset))
    assert 100 * (after / before - 1) == pytest.approx(grown, abs=0.01)  # percentage points


def test_a_frustum_below_any_level_follows_its_closed_form():
    mesh = cone(55.0, 40.0, 150.0, 2.0, 60.0)
    for z in (-120.3, -40.0, 17.7, 59.9):
        r, h = 40.0 + (z + 150.0) * 15.0 / 210.0, z + 150.0
        expected = np.pi * h * (r**2 + 40.0 * r + 40.0**2) / 3
        assert volume_below(mesh, z) == pytest.approx(expected, rel=5e-4)  # chords of 2 mm


def test_the_surface_may_be_open_above_the_plane():
    mesh = capsule(50.0, 150.0, 4.0, 60.0)
    z = 20.3
    assert volume_below(mesh, z) == pytest.approx(
        volume_below(closed(mesh), z), rel=1e-12
    )


def test_a_plane_through_vertices_is_like_any_other():
    mesh = tube(50.0, 150.0, 5.0, 60.0)
    body = closed(mesh)
    ring = np.unique(mesh.vertices[:, 2].round(9))[7]
    around = [volume_below(body, ring + d) for d in (-1e-6, 0.0, 1e-6)]
    assert around[1] == pytest.approx((around[0] + around[2]) / 2, abs=1e-3)  # mm³; 1e-6 mm of height is 0.008


@pytest.mark.parametrize("z", [-130.2, -71.0, -3.3, 22.5])
def test_below_a_plane_agrees_with_manifold3d(transtibial_limb, z):
    body = transtibial_limb.closed
    below = solid(body).trim_by_plane([0.0, 0.0, -1.0], -z).volume()
    assert volume_below(body, z) == pytest.approx(below, rel=1e-7)  # its tolerance joins points


def test_the_whole_limb_agrees_with_manifold3d(transfemoral_limb):
    body = transfemoral_limb.closed
    assert volume(body) == pytest.approx(solid(body).volume(), rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.floats(-220.0, 80.0), st.floats(-220.0, 80.0))
def test_between_two_levels_lies_what_the_sections_hold(one, two):
    mesh = capsule(50.0, 150.0, 12.0, 60.0)
    low, high = sorted((one, two))
    more = volume_below(closed(mesh), high) - volume_below(closed(mesh), low)
    assert -1e-6 <= more <= np.pi * 50.0**2 * (high - low) + 1e-6


def test_below_many_planes_at_once_is_the_same_as_one_at_a_time(transtibial_limb):
    mesh = transtibial_limb.mesh
    top = mesh.vertices[:, 2].max() - 15.0  # mm: below the open edge
    heights = np.concatenate([np.linspace(top, mesh.vertices[:, 2].min() - 5.0, 23), mesh.vertices[[3, 40], 2]])
    heights = heights[heights < top]
    one_by_one = [volume_below(mesh, z) for z in heights]
    assert volumes_below(mesh, heights) == pytest.approx(one_by_one, abs=1e-5)  # mm³ of a million: rounding
    assert volumes_below(mesh, np.zeros(0)).shape == (0,)
