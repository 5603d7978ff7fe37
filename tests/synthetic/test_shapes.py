"""Shapes against their closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from soundness import angles, assert_sound, border_vertices, volume

from rectify.errors import MeshError
from rectify.geometry.mesh import Floats, Mesh
from rectify.geometry.sections import cut
from rectify.synthetic import bent_tube, capped_cone, capsule, cone, elliptic_capsule, sphere, tube

OPEN_TOP = {
    "tube": lambda edge: tube(50.0, 150.0, edge, 60.0),
    "cone": lambda edge: cone(55.0, 40.0, 150.0, edge, 60.0),
    "capsule": lambda edge: capsule(50.0, 150.0, edge, 60.0),
    "elliptic capsule": lambda edge: elliptic_capsule(120.0, 100.0, 150.0, edge, 60.0),
    "capped cone": lambda edge: capped_cone(55.0, 40.0, 150.0, edge, 60.0),
    "bent tube": lambda edge: bent_tube(45.0, 150.0, edge, 70.0),
}


@pytest.mark.parametrize("edge", [2.5, 6.0])
@pytest.mark.parametrize("shape", OPEN_TOP)
def test_a_shape_is_closed_but_for_its_top_and_faces_outward(shape, edge):
    mesh = OPEN_TOP[shape](edge)
    assert_sound(mesh, least_angle=34.0)
    top = mesh.vertices[border_vertices(mesh)]
    assert top[:, 2].min() > 40.0  # mm; the border is the upper edge, not a hole


def test_open_tubes_have_two_edges_and_a_sphere_none():
    assert_sound(tube(end="open", edge_mm=4.0), borders=2, least_angle=55.0)
    assert_sound(cone(end="open", edge_mm=4.0), borders=2, least_angle=35.0)
    assert_sound(sphere(edge_mm=4.0), borders=0, least_angle=34.0)


@pytest.mark.parametrize("shape", OPEN_TOP)
def test_triangles_have_the_edge_length_asked_for(shape):
    mesh = OPEN_TOP[shape](3.0)
    corner = mesh.vertices[mesh.faces]
    length = np.linalg.norm(np.roll(corner, -1, axis=1) - corner, axis=2)
    assert np.median(length) == pytest.approx(3.0, rel=0.03)  # rows and rings hold whole numbers of edges
    # the longest is the diagonal of rows that do not interlock: sqrt(1 + 3/4) edges, more on an ellipse
    assert length.min() > 0.65 * 3.0 and length.max() < 1.5 * 3.0


def test_no_fan_forms_at_the_pole():
    mesh = capsule(50.0, 100.0, 2.0)
    pole = int(np.argmin(mesh.vertices[:, 2]))
    assert (mesh.faces == pole).any(axis=1).sum() <= 6
    near = np.linalg.norm(mesh.vertices[mesh.faces].mean(axis=1) - mesh.vertices[pole], axis=1) < 10.0
    assert angles(mesh)[near].min() > 34.0


def test_vertices_of_a_capsule_lie_on_it():
    mesh = capsule(50.0, 150.0, 3.0)
    below = np.minimum(mesh.vertices[:, 2] + 150.0, 0.0)
    distance = np.hypot(np.hypot(mesh.vertices[:, 0], mesh.vertices[:, 1]), below)
    assert distance == pytest.approx(50.0, abs=1e-9)  # mm, rounding only


def test_vertices_of_a_cone_lie_on_it():
    mesh = cone(55.0, 40.0, 150.0, 3.0, 60.0, end="open")
    radius = 40.0 + (mesh.vertices[:, 2] + 150.0) * 15.0 / 210.0
    assert np.hypot(mesh.vertices[:, 0], mesh.vertices[:, 1]) == pytest.approx(radius, abs=1e-9)


def test_the_ball_of_a_capped_cone_touches_it():
    mesh = capped_cone(60.0, 40.0, 150.0, 3.0, 60.0)
    tan = 20.0 / 210.0
    centre, ball = -150.0 + 40.0 * tan, 40.0 * np.sqrt(1.0 + tan**2)
    radius, z = np.hypot(mesh.vertices[:, 0], mesh.vertices[:, 1]), mesh.vertices[:, 2]
    on_ball = np.abs(np.hypot(radius, z - centre) - ball) < 1e-9
    on_cone = np.abs(radius - 40.0 - (z + 150.0) * tan) < 1e-9
    assert (on_ball | on_cone).all() and on_ball.any() and on_cone.any()
    assert z.min() == pytest.approx(centre - ball, abs=1e-9)
    assert z[on_cone].min() == pytest.approx(-150.0, abs=1e-9)  # they meet at the level asked for


def test_vertices_of_a_bent_tube_lie_a_radius_from_its_axis():
    mesh = bent_tube(45.0, 150.0, 3.0, 80.0, bend_deg=20.0, bend_radius=130.0)
    # the axis by another way: small straight steps
    bend, arc = np.radians(20.0), np.radians(20.0) * 130.0
    gone = np.linspace(-150.0, 80.0, 40001)
    lean = np.clip(gone, 0.0, arc) / 130.0
    step = np.stack([np.zeros_like(lean), -np.sin(lean), np.cos(lean)], axis=1)[:-1] * np.diff(gone)[:, None]
    axis = np.concatenate([[[0.0, 0.0, -150.0]], np.array([0.0, 0.0, -150.0]) + np.cumsum(step, axis=0)])
    wall = mesh.vertices[mesh.vertices[:, 2] > -150.0]
    from scipy.spatial import cKDTree

    distance, at = cKDTree(axis).query(wall)
    assert distance == pytest.approx(45.0, abs=0.01)  # mm; the axis is made of steps
    assert lean[at].max() == pytest.approx(bend, abs=1e-6)


def _lengths(mesh: Mesh, levels: Floats) -> Floats:
    return cut(mesh, mesh.vertices[:, 2], np.asarray(levels)).perimeters()


@pytest.mark.parametrize("edge", [2.0, 4.0])
def test_circumferences_follow_the_closed_forms(edge):
    levels = np.array([-120.3, -60.7, -0.9, 30.3])
    # a chord of length e cuts (e / R)^2 / 24 off the circle; between rings a section cuts chords of chords
    short = 2.0 * (edge / 40.0) ** 2 / 24.0
    for mesh, radius in (
        (tube(50.0, 150.0, edge), np.full(4, 50.0)),
        (capsule(50.0, 150.0, edge), np.full(4, 50.0)),
        (cone(55.0, 40.0, 150.0, edge, 60.0), 40.0 + (levels + 150.0) * 15.0 / 210.0),
    ):
        ratio = _lengths(mesh, levels) / (2.0 * np.pi * radius)
        assert (ratio < 1.0).all() and (ratio > 1.0 - short).all()


def test_the_ellipse_has_the_published_perimeter():
    # semi-axes 60 and 50 mm: 346.289559790 mm, Ramanujan S (1914) Q J Math 45:350-372, second formula
    mesh = elliptic_capsule(120.0, 100.0, 150.0, 1.0)
    found = _lengths(mesh, np.array([-80.2]))[0]
    assert found == pytest.approx(346.289559790, rel=2e-5)  # chords of 1 mm: (1/50)^2 / 24
    assert np.ptp(mesh.vertices[:, 1]) == pytest.approx(120.0, abs=0.01)
    assert np.ptp(mesh.vertices[:, 0]) == pytest.approx(100.0, abs=0.01)


VOLUMES = {
    "tube": np.pi * 50.0**2 * 210.0,
    "cone": np.pi * 210.0 * (55.0**2 + 55.0 * 40.0 + 40.0**2) / 3.0,
    "capsule": np.pi * 50.0**2 * 210.0 + 2.0 / 3.0 * np.pi * 50.0**3,
    "elliptic capsule": np.pi * 60.0 * 50.0 * 210.0 + 2.0 / 3.0 * np.pi * 60.0 * 50.0 * 55.0,
}


@pytest.mark.parametrize("shape", VOLUMES)
def test_volumes_come_to_the_closed_form_with_the_square_of_the_edge(shape):
    coarse, fine = (1.0 - volume(OPEN_TOP[shape](edge)) / VOLUMES[shape] for edge in (6.0, 3.0))
    assert 0.0 < fine < (3.0 / 40.0) ** 2 / 4.0  # inscribed: always short, by about (e / R)^2 / 6
    assert coarse / fine == pytest.approx(4.0, abs=0.5)  # whole numbers of vertices: not exactly four


def test_a_sphere_has_the_closed_form_volume():
    assert volume(sphere(50.0, 1.5)) == pytest.approx(4.0 / 3.0 * np.pi * 50.0**3, rel=5e-4)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: capsule(edge_mm=0.0), "the edge length must be positive"),
        (lambda: capsule(edge_mm=np.nan), "the edge length must be positive"),
        (lambda: sphere(10.0, edge_mm=30.0), "the edge length is too long for this shape"),
        (lambda: sphere(-1.0), "the shape's radius must be positive"),
        (lambda: cone(radius_end=0.0), "the shape's radius_end must be positive"),
        (lambda: tube(end="round"), "no such end for a tube or a cone"),
        (lambda: bent_tube(60.0, bend_radius=50.0), "the bend folds the tube"),
        (lambda: bent_tube(bend_deg=60.0), "the bend does not fit above level 0"),
    ],
)
def test_a_shape_that_cannot_be_is_refused_by_name(make, says):
    with pytest.raises(MeshError, match=says):
        make()
