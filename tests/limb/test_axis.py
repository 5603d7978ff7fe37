"""The limb's axis and frame, on shapes whose axis is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from rectify.errors import MeshError
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Mesh
from rectify.geometry.sections import cut
from rectify.limb import axis as axis_module
from rectify.limb.axis import fit_axis, frame_of, to_frame
from rectify.synthetic import bent_tube, capped_cone, capsule, elliptic_capsule

DOWN = np.array([0.0, 0.0, -1.0])
CAPSULE = capsule(50.0, 150.0, 5.0, 60.0)


@pytest.mark.parametrize("mesh", [CAPSULE, capped_cone(edge_mm=5.0), elliptic_capsule(edge_mm=5.0)])
def test_the_axis_of_a_body_of_revolution_is_its_own(mesh):
    axis = fit_axis(mesh, np.array([12.0, 50.0, 0.0]), DOWN)
    # sections between rings of vertices are polygons whose middles stray by microns
    assert axis.distal == pytest.approx(DOWN, abs=1e-4)
    assert axis.point == pytest.approx([0.0, 0.0, 0.0], abs=5e-3)  # mm
    assert axis.spread_mm < 0.01
    assert axis.end_level_mm == pytest.approx(-mesh.vertices[:, 2].min(), abs=1e-3)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.0, 35.0))
def test_the_axis_is_found_in_any_pose_from_a_hint_that_is_well_off(seed, hint_off_deg):
    turn = Rotation.random(random_state=seed).as_matrix()
    shift = np.random.default_rng(seed).uniform(-300, 300, 3)
    mesh = CAPSULE.with_vertices(CAPSULE.vertices @ turn.T + shift)
    off = Rotation.from_rotvec(np.radians(hint_off_deg) * np.array([1.0, 0.0, 0.0])).apply(DOWN)
    axis = fit_axis(mesh, turn @ np.array([0.0, 50.0, 0.0]) + shift, turn @ off)
    assert axis.distal == pytest.approx(turn @ DOWN, abs=1e-9)
    assert axis.point == pytest.approx(shift, abs=1e-7)  # mm; the axis point at the mark's level
    assert axis.end_level_mm == pytest.approx(200.0, abs=1e-7)


def test_a_bent_knee_above_the_origin_does_not_tilt_the_axis_of_the_segment():
    mesh = bent_tube(45.0, 150.0, 4.0, 70.0, bend_deg=20.0)
    axis = fit_axis(mesh, np.array([0.0, 45.0, 0.0]), np.array([0.0, 0.3, -1.0]))
    assert np.degrees(np.arccos(-axis.distal[2])) < 0.01
    assert axis.spread_mm < 0.01  # mm


def test_a_curved_limb_says_how_far_its_middles_stray_from_the_line():
    v = CAPSULE.vertices.copy()
    v[:, 1] += 1e-3 * (v[:, 2] + 100.0) ** 2  # middles on a parabola: 10 mm at either end of 200 mm
    axis = fit_axis(CAPSULE.with_vertices(v), np.array([0.0, 60.0, 0.0]), DOWN)
    # fitted over levels 60 to 140, 80 mm: a parabola 1e-3 z² strays by 1.6 mm, 2/3 of it from its best line
    assert axis.spread_mm == pytest.approx(1.6 * 2 / 3, abs=0.12)


def test_a_lumpy_limb_has_one_axis_and_it_is_found_in_few_steps(monkeypatch):
    cuts = []
    monkeypatch.setattr(axis_module, "cut", lambda *given: cuts.append(1) or cut(*given))
    v = CAPSULE.vertices.copy()
    v[:, 0] += 6.0 * np.sin(v[:, 2] / 9.0) * np.cos(v[:, 1] / 20.0)
    v[:, 1] += 4.0 * np.cos(v[:, 2] / 13.0)
    lumpy, mark = CAPSULE.with_vertices(v), np.array([0.0, 60.0, 0.0])
    found = [fit_axis(lumpy, mark, hint) for hint in (DOWN, np.array([0.3, -0.4, -1.0]))]
    assert found[0].distal == pytest.approx(found[1].distal, abs=1e-11)
    assert found[0].point == pytest.approx(found[1].point, abs=1e-9)  # mm
    assert len(cuts) <= 20  # for both; 35 by plain steps


def test_no_limb_below_the_origin_is_said():
    with pytest.raises(MeshError, match="no limb below the origin landmark") as error:
        fit_axis(CAPSULE, np.array([0.0, 10.0, -190.0]), DOWN)
    assert "10.0 mm" in error.value.found
    fit_axis(CAPSULE, np.array([0.0, 30.0, -170.0]), DOWN)  # 30 mm is enough


def test_a_hole_where_the_axis_is_fitted_is_said_with_its_level():
    middle = CAPSULE.vertices[CAPSULE.faces].mean(axis=1)
    gone = (np.abs(middle[:, 2] + 100.0) < 8.0) & (middle[:, 1] > 45.0)
    with pytest.raises(MeshError, match=r"the surface is open \d+ mm below the origin") as error:
        fit_axis(Mesh(CAPSULE.vertices, CAPSULE.faces[~gone]), np.array([0.0, 50.0, 0.0]), DOWN)
    assert "sections open" in error.value.found


# -- above the origin, and about an edge that reaches far down --------------------------------------


def test_above_a_knee_disarticulation_the_axis_is_the_thighs():
    # bent by 15 degrees within 31 mm above z = 0, straight from there on: the axis above is that of the straight part
    mesh = bent_tube(45.0, 60.0, 4.0, 200.0, bend_deg=15.0, bend_radius=120.0)
    edge = mesh.vertices[border_loops(mesh)[0]]
    axis = fit_axis(mesh, np.array([0.0, 45.0, -30.0]), DOWN, edge=edge, above=True)
    lean = np.radians(15.0)
    assert axis.distal == pytest.approx([0.0, np.sin(lean), -np.cos(lean)], abs=2e-3)
    below = fit_axis(mesh, np.array([0.0, 45.0, 0.0]), DOWN, edge=edge)
    assert below.distal == pytest.approx(DOWN, abs=2e-3)


@pytest.mark.parametrize(("level", "good"), [(-2.0, True), (2.0, False)])
def test_without_60_mm_above_the_origin_there_is_no_segment(level, good):
    edge = CAPSULE.vertices[border_loops(CAPSULE)[0]]
    origin = np.array([0.0, 50.0, level])
    if good:
        assert fit_axis(CAPSULE, origin, DOWN, edge=edge, above=True).distal == pytest.approx(DOWN, abs=1e-6)
        return
    with pytest.raises(MeshError, match="no limb above the origin landmark") as error:
        fit_axis(CAPSULE, origin, DOWN, edge=edge, above=True)
    assert "60 mm" in error.value.wanted and "58.0 mm" in error.value.found


def test_sections_that_an_oblique_edge_cuts_do_not_count():
    # as under an arm: on one side the capture ends 80 mm below the origin, which is past 30 % of the way down
    middle = CAPSULE.vertices[CAPSULE.faces].mean(axis=1)
    kept = CAPSULE.faces[middle[:, 2] < -15.0 + 1.3 * middle[:, 0]]
    used, index = np.unique(kept, return_inverse=True)
    mesh = Mesh(CAPSULE.vertices[used], index.reshape(-1, 3))
    origin = np.array([0.0, 50.0, 0.0])
    edge = mesh.vertices[border_loops(mesh)[0]]
    assert -edge[:, 2].min() > 0.3 * 200.0
    axis = fit_axis(mesh, origin, DOWN, edge=edge)
    assert axis.distal == pytest.approx(DOWN, abs=1e-4)
    with pytest.raises(MeshError, match="the surface is open"):
        fit_axis(mesh, origin, DOWN)


# -- frame ----------------------------------------------------------------------------------------

AXIS = fit_axis(CAPSULE, np.array([0.0, 50.0, 0.0]), DOWN)


@pytest.mark.parametrize("side", ["right", "left"])
@pytest.mark.parametrize("angle", [0.0, 90.0, 120.0])
def test_the_mark_lies_at_its_angle_in_a_right_handed_frame(side, angle):
    mark = np.array([30.0, 40.0, -7.0])
    frame = frame_of(AXIS, mark - AXIS.point, angle, side)
    assert np.linalg.det(frame[:3, :3]) == pytest.approx(1.0, abs=1e-12)
    assert frame[:3, :3] @ frame[:3, :3].T == pytest.approx(np.eye(3), abs=1e-12)
    assert frame[3].tolist() == [0.0, 0.0, 0.0, 1.0]
    x, y, z = to_frame(mark[None], frame)[0]
    lateral = x if side == "right" else -x  # +x is the person's right: lateral on a right limb, medial on a left one
    assert np.degrees(np.arctan2(lateral, y)) == pytest.approx(angle, abs=1e-6)
    assert z == pytest.approx(-7.0, abs=1e-6)


def test_a_frame_carries_the_axis_to_z():
    frame = frame_of(AXIS, np.array([0.0, 50.0, 0.0]), 0.0, "right")
    assert to_frame(AXIS.point[None], frame)[0] == pytest.approx([0.0, 0.0, 0.0], abs=1e-12)
    distal = to_frame(AXIS.point[None] + 100.0 * AXIS.distal, frame)[0]
    assert distal == pytest.approx([0.0, 0.0, -100.0], abs=1e-10)


def test_a_mark_on_the_axis_fixes_no_angle():
    with pytest.raises(MeshError, match="lies on the limb's axis"):
        frame_of(AXIS, 40.0 * AXIS.distal + np.array([0.5, 0.0, 0.0]), 0.0, "right")
    frame_of(AXIS, 40.0 * AXIS.distal + np.array([1.5, 0.0, 0.0]), 0.0, "right")
