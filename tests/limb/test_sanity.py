"""Landmarks that cannot be where they are said to be."""

from __future__ import annotations

import re

import numpy as np
import pytest

from rectify.errors import Faults
from rectify.limb.landmarks import raw_landmarks
from rectify.limb.limb import Limb
from rectify.limb.sanity import OFF_REFUSED_MM, check_landmarks, off_surface
from rectify.synthetic import Transtibial, transtibial

GIVEN = transtibial(Transtibial(edge_mm=5.0))


def limb_with(side="right", **changes):
    marks = dict(GIVEN.landmarks) | {name.replace("_", "-"): np.asarray(p) for name, p in changes.items()}
    return Limb.from_capture(GIVEN.mesh, side=side, amputation="transtibial", landmarks=raw_landmarks(marks))


def refused(limb):
    with pytest.raises(Faults) as error:
        check_landmarks(limb, path="landmarks.yaml")
    return {fault.key: fault for fault in error.value.errors}


def moved_out(name, mm):
    point = GIVEN.landmarks[name]
    out = point * [1.0, 1.0, 0.0]
    return point + mm * out / np.linalg.norm(out)


def test_landmarks_of_a_generated_limb_pass_and_lie_on_the_skin():
    off = check_landmarks(limb_with())
    assert set(GIVEN.landmarks) == set(off)
    assert max(off.values()) < 1.0  # mm; on the formula's surface, chords of 5 mm cut inside


def test_how_far_off_is_measured_to_the_nearest_skin():
    off = off_surface(limb_with(fibular_head=moved_out("fibular-head", 6.0)))
    assert off["fibular-head"] == pytest.approx(6.0, abs=0.6)  # the skin there is not square to the axis


def test_a_mark_off_the_skin_is_refused_past_the_bound_and_not_before():
    check_landmarks(limb_with(fibular_head=moved_out("fibular-head", OFF_REFUSED_MM - 1.5)))
    fault = refused(limb_with(fibular_head=moved_out("fibular-head", OFF_REFUSED_MM + 1.5)))["fibular-head"]
    assert re.search(r"lies 1[12] mm off the surface", str(fault)) and fault.path == "landmarks.yaml"
    assert "beyond-capture" in fault.hint


def test_a_wrong_side_is_told_as_such():
    found = refused(limb_with(side="left"))
    assert set(found) == {"side"}
    assert "left and right are mixed up" in str(found["side"])
    assert "fibular-head" in found["side"].found


def test_one_mark_on_the_wrong_side_is_that_marks_fault():
    head = GIVEN.landmarks["fibular-head"]
    fault = refused(limb_with(fibular_head=_skin(-head[0], head[1], head[2])))["fibular-head"]
    assert "wrong side" in str(fault) and fault.wanted == "the lateral side"


def _skin(x, y, z):
    """The generated limb's skin in the direction of (x, y) at a height."""
    from rectify.geometry.nearest import nearest

    return nearest(np.array([[x, y, z]]), GIVEN.mesh.vertices, GIVEN.mesh.faces)[2][0]


def test_a_tubercle_behind_the_knee_is_told():
    level = GIVEN.landmarks["tibial-tubercle"][2]
    fault = refused(limb_with(tibial_tubercle=_skin(0.0, -60.0, level)))["tibial-tubercle"]
    assert "wrong side" in str(fault) and fault.wanted == "the front"


def test_marks_out_of_order_are_told_with_their_levels():
    swapped = refused(
        limb_with(
            tibial_tubercle=GIVEN.landmarks["distal-tibia"], distal_tibia=GIVEN.landmarks["tibial-tubercle"]
        )
    )
    assert any("proximal of" in str(fault) for fault in swapped.values())
    assert all(fault.hint == "mark both again" for fault in swapped.values())
