"""Reference levels: found by their definition, measured where they are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rectify.limb.landmarks import raw_landmarks
from rectify.limb.levels import girth_levels, reference_levels
from rectify.limb.limb import Limb
from rectify.limb.measure import measure_levels
from rectify.synthetic import (
    AnkleDisarticulation,
    KneeDisarticulation,
    Transhumeral,
    Transradial,
    ankle_disarticulation,
    knee_disarticulation,
    transhumeral,
    transradial,
)
from tests.made import limb_from

KNEE = knee_disarticulation(KneeDisarticulation(side="left", edge_mm=6.0))
ANKLE = ankle_disarticulation(AnkleDisarticulation(edge_mm=6.0))


def without(made, *names):
    marks = {name: point for name, point in made.landmarks.items() if name not in names}
    return Limb.from_capture(made.mesh, side=made.side, amputation=made.amputation, landmarks=raw_landmarks(marks))


def references(limb):
    levels = reference_levels(limb.mesh, limb.profile, limb.landmarks, limb.amputation, limb.end_level_mm)
    return {level.name: level for level in levels}


@pytest.mark.parametrize(
    ("made", "names"),
    [
        (KNEE, ("condylar-level", "supracondylar-level")),
        (ANKLE, ("malleolar-level", "supramalleolar-level")),
    ],
    ids=["knee", "ankle"],
)
def test_the_largest_and_the_least_girth_are_found_where_they_were_made(made, names):
    limb = without(made, *names)
    for name in names:
        mark = limb.landmarks[name]
        true = limb_from(made).landmarks[name].level_mm
        # mm: girths are flat there, so the level of the most is less sure than the girth itself
        assert mark.source == "computed" and mark.level_mm == pytest.approx(true, abs=10.0)
        girths = [limb.profile.at(level, limb.profile.circumference) for level in (mark.level_mm, true)]
        assert girths[0] == pytest.approx(girths[1], abs=2.5)
        assert (girths[0] >= girths[1] - 1e-9) == (name in ("condylar-level", "malleolar-level"))
    assert limb_from(made).landmarks[names[0]].source == "marked"  # a mark goes first


def test_without_a_bulb_there_is_no_such_level(transtibial_limb, capsule_limb):
    assert girth_levels(transtibial_limb.profile, "transtibial", transtibial_limb.end_level_mm) == {}
    for amputation in ("knee-disarticulation", "ankle-disarticulation"):  # a cylinder has neither
        assert girth_levels(capsule_limb.profile, amputation, 200.0) == {}
    short = replace(capsule_limb.profile, closed=np.zeros_like(capsule_limb.profile.closed))
    assert girth_levels(short, "knee-disarticulation", 200.0) == {}


def test_levels_come_proximal_first_with_what_a_tape_and_a_calliper_read(transtibial_limb):
    found = references(transtibial_limb)
    names = ["proximal", "medial-joint-line", "mid-patellar-tendon", "tibial-tubercle", "inflection", "distal-end"]
    assert list(found) == names
    levels = [row.level_mm for row in found.values()]
    assert levels == sorted(levels)
    profile = measure_levels(transtibial_limb.mesh, np.array([found["tibial-tubercle"].level_mm]))
    row = found["tibial-tubercle"]
    assert (row.circumference_mm, row.ap_mm, row.ml_mm) == (profile.circumference[0], profile.ap[0], profile.ml[0])
    end = found["distal-end"]
    assert end.level_mm == transtibial_limb.end_level_mm and end.circumference_mm is None and end.ap_mm is None
    assert (found["inflection"].source, found["inflection"].uncertainty_mm) == ("computed", 2.0)


def test_a_level_that_the_oblique_edge_cuts_has_no_girth_and_one_beyond_the_capture_is_left_out(transfemoral_limb):
    found = references(transfemoral_limb)
    assert found["proximal"].circumference_mm is not None and found["perineum"].circumference_mm is not None
    top = transfemoral_limb.landmarks["perineum"]
    above = replace(top, points=top.points + np.array([0.0, 0.0, 40.0]))
    limb = replace(transfemoral_limb, landmarks={**transfemoral_limb.landmarks, "perineum": above})
    assert references(limb)["perineum"].circumference_mm is None
    gone = replace(limb, landmarks={**limb.landmarks, "perineum": replace(above, beyond_capture=True)})
    assert "perineum" not in references(gone)


@pytest.mark.parametrize(
    ("made", "names"),
    [
        (lambda: KNEE, {"proximal", "perineum", "supracondylar-level", "condylar-level", "distal-end"}),
        (lambda: ANKLE, {"proximal", "mid-patellar-tendon", "supramalleolar-level", "malleolar-level", "distal-end"}),
        (lambda: transradial(Transradial(edge_mm=5.0)), {"proximal", "olecranon", "lateral-epicondyle", "inflection"}),
        (lambda: transhumeral(Transhumeral(edge_mm=6.0)), {"proximal", "axilla", "inflection", "distal-end"}),
    ],
    ids=["knee", "ankle", "forearm", "arm"],
)
def test_every_amputation_has_its_levels(made, names):
    assert names <= set(references(limb_from(made())))
