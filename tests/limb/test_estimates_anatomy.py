"""The list of expected places: names the vocabulary knows, in an order that can be followed, figures as published."""

from __future__ import annotations

import pytest

from rectify.limb.estimates.anatomy import ANATOMY
from rectify.limb.estimates.belief import Belief
from rectify.limb.vocabulary import vocabulary

JOINT_LINE = -8.0  # mm from mid-patellar-tendon: half of a tendon of 43 mm less the 29 mm from joint line to tubercle


@pytest.mark.parametrize("amputation", ANATOMY)
def test_every_name_is_a_landmark_of_that_amputation_and_lines_are_lines(amputation):
    words = vocabulary(amputation)
    for look in ANATOMY[amputation]:
        assert look.landmark in words.names
        assert words.is_line(look.landmark) == bool(look.line)
        assert look.landmark not in words.origin
        assert not words.names[look.landmark].level_only  # a level is computed, not looked for


@pytest.mark.parametrize("amputation", ANATOMY)
def test_what_a_place_goes_with_comes_before_it(amputation):
    seen = set()
    for look in ANATOMY[amputation]:
        assert set(look.place.parents) <= seen
        assert sum(look.place.parents.values()) == pytest.approx(1.0 if look.place.parents else 0.0)
        assert look.name not in seen
        seen.add(look.name)


@pytest.mark.parametrize("amputation", ANATOMY)
def test_left_and_right_of_the_limb_are_not_mixed_up(amputation):
    belief = Belief([look.place for look in ANATOMY[amputation]])
    for look in ANATOMY[amputation]:
        angle = belief.of(look.name)[0][1]
        if look.landmark.startswith(("medial-", "adductor-", "ischial-")):
            assert -180.0 < angle < 0.0
        if look.landmark.startswith(("lateral-", "fibular-", "distal-fibula", "greater-")):
            assert 0.0 < angle < 180.0


def test_the_knee_lies_as_published():
    belief = Belief([look.place for look in ANATOMY["transtibial"]])
    level = {name: belief.of(name)[0][0] for name in belief.names}
    # Sojka et al.: 29.2 mm from joint line to tubercle, standard deviation 3.5; in our frame 21 below the origin
    assert level["tibial-tubercle"] - JOINT_LINE == pytest.approx(29.2, abs=1.0)
    # Choi et al.: tendon 42.6 mm, from the patella's apex to the tubercle
    assert level["tibial-tubercle"] - level["patella-apex"] == pytest.approx(42.6, abs=1.5)
    # J Exp Orthop (2023): lateral epicondyle 24.4 mm above the joint line
    assert JOINT_LINE - level["lateral-condyle"] == pytest.approx(24.4, abs=1.0)
    assert level["medial-joint-line"] == JOINT_LINE
    spread = belief.of("tibial-tubercle")[1][0, 0] ** 0.5
    assert spread > 3.5  # mm: no narrower than the bone alone


@pytest.mark.parametrize("length", [85.0, 150.0, 250.0])
def test_cut_bones_lie_above_the_end_by_a_pad(length):
    for amputation, name in (("transtibial", "distal-tibia"), ("transfemoral", "distal-femur")):
        look = next(look for look in ANATOMY[amputation] if look.name == name)
        assert look.from_end is not None
        assert 20.0 < length - look.from_end(length) < 40.0  # mm of soft tissue and bevel
