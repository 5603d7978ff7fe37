"""Landmarks that cannot be where they are said to be."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from rectify.errors import Faults
from rectify.limb.landmarks import raw_landmarks
from rectify.limb.limb import Limb
from rectify.limb.sanity import OFF_REFUSED_MM, check_landmarks, doubtful, off_surface
from rectify.synthetic import (
    AnkleDisarticulation,
    KneeDisarticulation,
    Transhumeral,
    Transradial,
    Transtibial,
    ankle_disarticulation,
    knee_disarticulation,
    transhumeral,
    transradial,
    transtibial,
)

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
    head = GIVEN.landmarks["fibular-head"]
    arc = float(np.hypot(*head[:2]) * (np.pi - np.arctan2(abs(head[0]), head[1])))  # behind the middle: the nearer one
    said = re.search(r"fibular-head \((\d+) mm past the middle\)", found["side"].found)
    assert said is not None and float(said[1]) == pytest.approx(arc, abs=3.0)  # mm; about the axis, not the formula's


def test_one_mark_on_the_wrong_side_is_that_marks_fault():
    head = GIVEN.landmarks["fibular-head"]
    fault = refused(limb_with(fibular_head=_skin(-head[0], head[1], head[2])))["fibular-head"]
    assert re.search(r"lies on the wrong side, \d\d mm past the middle, at 2\d\d degrees", str(fault))
    assert fault.wanted == "the lateral side"


def _skin(x, y, z):
    """The generated limb's skin in the direction of (x, y) at a height."""
    from rectify.geometry.nearest import nearest

    return nearest(np.array([[x, y, z]]), GIVEN.mesh.vertices, GIVEN.mesh.faces)[2][0]


def test_a_tubercle_behind_the_knee_is_told():
    level = GIVEN.landmarks["tibial-tubercle"][2]
    fault = refused(limb_with(tibial_tubercle=_skin(0.0, -60.0, level)))["tibial-tubercle"]
    # a quarter of the way round and more: at least the radius from the middle of the side
    assert re.search(r"lies on the wrong side, [789]\d mm past the middle, at 1[78]\d degrees", str(fault))
    assert fault.wanted == "the front"


def test_marks_out_of_order_are_told_with_their_levels():
    swapped = refused(
        limb_with(tibial_tubercle=GIVEN.landmarks["distal-tibia"], distal_tibia=GIVEN.landmarks["tibial-tubercle"])
    )
    assert any("proximal of" in str(fault) for fault in swapped.values())
    assert all(fault.hint == "mark both again" for fault in swapped.values())


def test_a_fibular_head_above_the_patella_is_told_with_how_far():
    centre, head = GIVEN.landmarks["patella-centre"], GIVEN.landmarks["fibular-head"]
    fault = refused(limb_with(fibular_head=_skin(head[0], head[1], centre[2] + 12.0)))["fibular-head"]
    assert re.search(r"lies 1[123] mm proximal of patella-centre", str(fault))
    assert fault.wanted == "distal of patella-centre" and re.fullmatch(r"levels -\d+ and -\d+ mm", fault.found)


def at_level(name, down):
    """A landmark shifted down along the skin of the generated limb's front."""
    x, y, z = GIVEN.landmarks[name]
    return _skin(x, y, z - down)


@pytest.mark.parametrize(("down", "way"), [(20.0, "distal"), (-19.0, "proximal")])
def test_a_mid_patellar_tendon_at_one_of_its_ends_is_refused_with_how_far_it_is_off(down, way):
    fault = refused(limb_with(mid_patellar_tendon=at_level("mid-patellar-tendon", down)))["mid-patellar-tendon"]
    said = re.search(rf"lies (\d+) mm {way} of where patella-apex and tibial-tubercle put it", str(fault))
    assert said is not None and float(said[1]) == pytest.approx(abs(down), abs=2.5)  # mm; the skin slopes
    assert "patella-apex at" in fault.found and "mark all three again" in fault.hint


def test_one_that_is_ten_millimetres_off_must_be_looked_at_and_one_of_five_is_a_hands_scatter():
    def said(down, **more):
        return list(doubtful(limb_with(mid_patellar_tendon=at_level("mid-patellar-tendon", down), **more)))

    ((code, name, sentence),) = said(11.0)
    assert (code, name) == ("landmark-doubtful", "mid-patellar-tendon")
    assert re.fullmatch(
        r"mid-patellar-tendon lies 1[012] mm distal of where patella-apex and tibial-tubercle put it", sentence
    )
    assert said(5.0) == [] and said(-5.0) == []


def test_without_an_apex_the_middle_of_the_patella_says_it_and_without_either_nothing_does():
    def marks(down, *names):
        place = {n: p for n, p in GIVEN.landmarks.items() if n not in names}
        place["mid-patellar-tendon"] = at_level("mid-patellar-tendon", down)
        return Limb.from_capture(GIVEN.mesh, side="right", amputation="transtibial", landmarks=raw_landmarks(place))

    assert list(doubtful(marks(0.0, "patella-apex"))) == []
    fault = refused(marks(20.0, "patella-apex"))["mid-patellar-tendon"]
    assert "of where patella-centre and tibial-tubercle put it" in str(fault)
    assert list(doubtful(marks(20.0, "patella-apex", "patella-centre"))) == []
    assert list(doubtful(marks(20.0, "tibial-tubercle"))) == []


def test_a_mark_a_little_off_the_skin_must_be_looked_at():
    ((code, name, sentence),) = doubtful(limb_with(fibular_head=moved_out("fibular-head", 6.0)))
    assert (code, name) == ("landmark-off-surface", "fibular-head")
    assert re.fullmatch(r"fibular-head lies [56]\.\d mm off the surface", sentence)


@pytest.mark.parametrize(
    ("made", "above", "below"),
    [
        (lambda: ankle_disarticulation(AnkleDisarticulation(edge_mm=8.0)), "fibular-head", "lateral-malleolus"),
        (lambda: knee_disarticulation(KneeDisarticulation(edge_mm=8.0)), "perineum", "medial-condyle"),
        (lambda: transhumeral(Transhumeral(edge_mm=7.0)), "axilla", "distal-humerus"),
        (lambda: transradial(Transradial(edge_mm=6.0)), "olecranon", "distal-ulna"),
    ],
    ids=["ankle", "knee", "arm", "forearm"],
)
def test_the_order_holds_on_every_amputation(made, above, below):
    made = made()
    marks = raw_landmarks(made.landmarks)
    check_landmarks(Limb.from_capture(made.mesh, side=made.side, amputation=made.amputation, landmarks=marks))
    limb = Limb.from_capture(made.mesh, side=made.side, amputation=made.amputation, landmarks=marks)
    swapped = {**limb.landmarks, above: limb.landmarks[below], below: limb.landmarks[above]}
    found = refused(replace(limb, landmarks=swapped))
    far = limb.landmarks[below].level_mm - limb.landmarks[above].level_mm
    assert f"lies {far:.0f} mm proximal of {above}" in str(found[below])
