"""Which opening is the top, lids taken off, a side that was not captured."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from rectify.capture.faces import check_numbers
from rectify.capture.top import check_across, limb_width, open_top, top_loop, vector_area
from rectify.errors import MeshError
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Mesh
from rectify.synthetic import Transfemoral, Transtibial, capsule, transfemoral, transtibial
from rectify.synthetic.damage import damage
from tests.capture.verdict import unsound


@pytest.fixture(scope="module")
def ball() -> Mesh:
    return capsule(50.0, 100.0, 5.0, 40.0)


def without(mesh, centre, radius):
    middle = mesh.vertices[mesh.faces].mean(axis=1)
    return Mesh(mesh.vertices, mesh.faces[np.linalg.norm(middle - np.array(centre), axis=1) > radius])


def area(vertices, faces):
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def test_a_rings_area_and_direction():
    turn = np.arange(360) * 2 * np.pi / 360
    ring = np.stack([30.0 * np.cos(turn), 20.0 * np.sin(turn), np.zeros(360)], axis=1)
    # mm²; a polygon of 360 sides in an ellipse: pi a b sin(t) / t, t = 2 pi / 360
    assert vector_area(ring + 500.0) == pytest.approx([0, 0, np.pi * 600.0 * np.sin(np.pi / 180) / (np.pi / 180)])
    assert vector_area(ring[::-1])[2] < 0


@pytest.mark.parametrize("seed", range(3))
def test_the_width_of_a_limb_does_not_depend_on_its_pose(ball, seed):
    turned = ball.vertices @ Rotation.random(random_state=seed).as_matrix().T + 300.0
    assert limb_width(turned) == pytest.approx(100.0, abs=0.5)  # mm; the rings have few vertices


@pytest.mark.parametrize("radius", [10.0, 30.0, 45.0])
def test_the_top_is_the_opening_with_the_largest_area(ball, radius):
    scan = without(ball, [50.0, 0.0, -40.0], radius)
    loops = border_loops(scan)
    assert len(loops) == 2
    assert scan.vertices[top_loop(scan, loops)][:, 2] == pytest.approx(40.0)


def test_a_long_slit_is_not_the_top(ball):
    # longer across and all round than the top, but hardly an opening
    middle = ball.vertices[ball.faces].mean(axis=1)
    slit = (np.abs(middle[:, 0]) < 4.0) & (middle[:, 1] > 0) & (middle[:, 2] < 25.0) & (middle[:, 2] > -95.0)
    scan = Mesh(ball.vertices, ball.faces[~slit])
    loops = border_loops(scan)
    assert len(loops) == 2
    assert scan.vertices[top_loop(scan, loops)][:, 2] == pytest.approx(40.0)


LIMBS = {
    "bulbous": Transtibial(end="bulbous", taper=1.25, edge_mm=5.0),
    "conical": Transtibial(end="conical", taper=0.6, length=220.0, edge_mm=5.0),
    "short and wide": Transtibial(length=80.0, bulk=480.0, above=50.0, edge_mm=5.0),
    "bent": Transtibial(knee_bend=20.0, above=110.0, edge_mm=5.0),
    "thigh": Transfemoral(edge_mm=6.0),
    "short thigh": Transfemoral(length=150.0, rise=110.0, edge_mm=6.0),
}


@pytest.mark.parametrize("name", LIMBS)
def test_limbs_of_every_shape_are_open_across(name):
    limb = LIMBS[name]
    mesh = (transtibial(limb) if isinstance(limb, Transtibial) else transfemoral(limb)).mesh
    out, steps = open_top(mesh)
    assert out is mesh and steps == []


@pytest.mark.parametrize("kind", ["lid-large", "lid-grid"])
@pytest.mark.parametrize("noise", [False, True])
def test_a_flat_lid_is_taken_off_whole_whatever_the_pose(ball, kind, noise):
    for seed in range(3):
        scan = damage(ball, {}, [kind, "pose", *(["noise"] if noise else [])], seed)
        out, steps = open_top(check_numbers(scan.mesh))
        assert unsound(out) == []
        wall = {tuple(np.round(p, 9)) for p in scan.mesh.vertices[np.unique(scan.truth.faces)].tolist()}
        assert {tuple(np.round(p, 9)) for p in out.vertices.tolist()} <= wall
        # of the wall only splinters by the rim go that lie in the lid's plane within 0.05 mm
        assert len(scan.truth.faces) - len(out.faces) <= 12
        lost = area(scan.mesh.vertices, scan.truth.faces) - area(out.vertices, out.faces)
        assert 0.0 <= lost < 1.0  # mm²
        # mm²; a circle of 50 mm cut obliquely, up to 0.12 of slope, and polygons
        assert steps[0].area_mm2 == pytest.approx(np.pi * 2500.0, rel=0.02)


def test_a_lid_with_a_hole_in_the_wall_beside_it_is_still_the_top(ball):
    scan = check_numbers(damage(ball, {}, ["lid-grid", "pose"], 1).mesh)
    middle = scan.vertices[scan.faces].mean(axis=1)
    away = np.linalg.norm(middle - middle[np.argmin(np.abs(middle[:, 2] - middle[:, 2].mean()))], axis=1)
    _, steps = open_top(Mesh(scan.vertices, scan.faces[away > 30.0]))
    assert [step.code for step in steps] == ["lid-removed"]


def test_a_dome_is_refused_and_the_refusal_names_trim(ball):
    with pytest.raises(MeshError, match="closed at the top") as caught:
        open_top(damage(ball, {}, ["dome", "pose"], 2).mesh)
    assert "trim" in str(caught.value) and "100 mm" in str(caught.value)


def test_a_hole_is_told_where_a_closed_scan_has_one(ball):
    scan = without(damage(ball, {}, ["dome"], 2).mesh, [50.0, 0.0, -30.0], 25.0)
    with pytest.raises(MeshError, match="openings of at most 5") as caught:
        open_top(scan)
    assert "near (4" in str(caught.value)


def test_an_opening_two_thirds_as_wide_as_the_limb_is_the_top_at_an_end_and_nowhere_else():
    long = capsule(50.0, 160.0, 4.0, 50.0)
    closed = check_numbers(damage(long, {}, ["dome"], 2).mesh)
    middle = closed.vertices[closed.faces].mean(axis=1)
    at_end = np.hypot(middle[:, 0], middle[:, 1]) > 34.0
    out, steps = open_top(Mesh(closed.vertices, closed.faces[at_end | (middle[:, 2] < 50.0)]))
    assert steps == [] and len(border_loops(out)) == 1
    beside = np.linalg.norm(middle - np.array([50.0, 0.0, -60.0]), axis=1) > 36.0
    with pytest.raises(MeshError, match="closed at the top"):
        open_top(check_numbers(Mesh(closed.vertices, closed.faces[beside])))


@pytest.mark.parametrize("share", [0.15, 0.25, 0.4, 0.5])
def test_a_side_that_was_not_captured_is_refused_with_how_far_the_edge_runs_down(ball, share):
    middle = ball.vertices[ball.faces].mean(axis=1)
    gone = np.abs(np.arctan2(middle[:, 0], middle[:, 1])) < share * np.pi
    scan = Mesh(ball.vertices, ball.faces[~gone])
    with pytest.raises(MeshError, match="side of the limb was not captured") as caught:
        check_across(scan)
    assert "runs down" in str(caught.value) and "mm of" in str(caught.value)


def test_an_oblique_edge_is_no_missing_side():
    mesh = capsule(50.0, 100.0, 4.0, 80.0)
    middle = mesh.vertices[mesh.faces].mean(axis=1)
    check_across(Mesh(mesh.vertices, mesh.faces[middle[:, 2] < 20.0 + middle[:, 0]]))  # cut at 45 degrees
