"""What a capture must be: accepted as it is, or refused with what, where, how much."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.errors import Faults, RectifyError
from rectify.geometry.cap import closed
from rectify.geometry.mesh import Mesh
from rectify.limb.intake import accept
from rectify.synthetic import capsule, sphere
from tests.made import assert_sound

GOOD = capsule(50.0, 150.0, 5.0, 60.0)


def refused(mesh, **options):
    with pytest.raises(RectifyError) as error:
        accept(mesh, path="scan.stl", **options)
    return error.value


def said(fault):
    return " ".join(str(f) for f in (fault.errors if isinstance(fault, Faults) else [fault]))


def test_a_sound_capture_is_closed_along_its_edge():
    assert_sound(closed(GOOD, accept(GOOD)))


@pytest.mark.parametrize("factor", [0.001, 0.1])
def test_a_limb_in_metres_or_centimetres_is_too_small(factor):
    fault = refused(GOOD.with_vertices(GOOD.vertices * factor))
    assert "mm long" in said(fault) and "units" in fault.hint and fault.path == "scan.stl"


def test_a_leg_of_metres_is_too_large():
    assert "2.6 m long" in said(refused(GOOD.with_vertices(GOOD.vertices * 10.0)))


@pytest.mark.parametrize(("length", "good"), [(59.9, False), (60.1, True), (899.0, True), (901.0, False)])
def test_sizes_are_accepted_up_to_their_bounds(length, good):
    scaled = GOOD.with_vertices(GOOD.vertices * length / np.ptp(GOOD.vertices, axis=0).max())
    if good:
        accept(scaled)
    else:
        refused(scaled)


def test_a_handful_of_faces_is_too_coarse():
    fault = refused(capsule(50.0, 150.0, 28.0, 60.0))
    assert "too coarse" in said(fault)


def test_two_bodies_are_counted():
    other = GOOD.vertices + np.array([300.0, 0.0, 0.0])
    two = Mesh(np.vstack([GOOD.vertices, other]), np.vstack([GOOD.faces, GOOD.faces + len(other)]))
    assert "2 bodies" in said(refused(two))


def test_mixed_sides_are_told_with_a_place():
    faces = GOOD.faces.copy()
    faces[100:140] = faces[100:140, ::-1]
    fault = said(refused(Mesh(GOOD.vertices, faces)))
    assert "sides are mixed up" in fault and "in the scan's axes" in fault


def test_a_face_twice_and_a_fin_are_both_told_at_once():
    faces = np.vstack([GOOD.faces, GOOD.faces[500][[1, 2, 0]]])
    fault = said(refused(Mesh(GOOD.vertices, faces)))
    assert "same face twice" in fault and "more than two faces" in fault


def test_a_hole_is_told_with_its_place_and_length():
    middle = GOOD.vertices[GOOD.faces].mean(axis=1)
    hole = np.linalg.norm(middle - [0.0, 50.0, -60.0], axis=1) < 9.0
    fault = refused(Mesh(GOOD.vertices, GOOD.faces[~hole]))
    assert "1 hole besides its open top" in said(fault)
    assert "(-0, 5" in fault.found or "(0, 5" in fault.found
    assert "-60)" in fault.found or "-61)" in fault.found or "-59)" in fault.found


def test_a_closed_scan_has_no_top():
    assert "closed at the top" in said(refused(sphere(60.0, 5.0)))


def test_a_scan_inside_out_is_told():
    assert "inside out" in said(refused(Mesh(GOOD.vertices, GOOD.faces[:, ::-1])))
