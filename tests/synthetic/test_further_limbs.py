"""Limbs after disarticulation at knee and ankle, forearms and upper arms: as asked for, sound, as they are named."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from soundness import assert_sound, least_facing

from rectify.errors import MeshError
from rectify.geometry.nearest import nearest
from rectify.limb.landmarks import raw_landmarks
from rectify.limb.limb import Limb
from rectify.limb.sanity import check_landmarks
from rectify.limb.vocabulary import vocabulary
from rectify.synthetic import (
    AnkleDisarticulation,
    KneeDisarticulation,
    SyntheticLimb,
    Transhumeral,
    Transradial,
    ankle_disarticulation,
    knee_disarticulation,
    transhumeral,
    transradial,
)

Make = Callable[[Any], SyntheticLimb]
KINDS: dict[str, tuple[Make, Any]] = {
    "knee": (knee_disarticulation, KneeDisarticulation(edge_mm=5.0)),
    "ankle": (ankle_disarticulation, AnkleDisarticulation(edge_mm=5.0)),
    "forearm": (transradial, Transradial(edge_mm=3.2)),
    "arm": (transhumeral, Transhumeral(edge_mm=4.0)),
}
# the most and the least that is usually seen, as far as the generator goes
EXTREMES: list[tuple[str, dict[str, float]]] = [
    ("knee", {"thigh": 240.0, "bulk": 320.0, "waist": 0.88, "condyles": 1.4}),
    ("knee", {"thigh": 370.0, "bulk": 420.0, "waist": 1.0, "thickness": 1.6, "condyles": 0.7}),
    ("ankle", {"length": 310.0, "bulk": 290.0, "bulb": 0.85, "waist": 0.78}),
    ("ankle", {"length": 410.0, "bulk": 420.0, "bulb": 0.66, "waist": 0.95, "knee_bend": 12.0}),
    ("forearm", {"length": 100.0, "bulk": 290.0, "taper": 0.95, "elbow_bend": 0.0}),
    ("forearm", {"length": 225.0, "bulk": 220.0, "taper": 0.66, "elbow_bend": 30.0, "above": 60.0}),
    ("arm", {"length": 200.0, "bulk": 350.0, "taper": 1.0}),
    ("arm", {"length": 300.0, "bulk": 260.0, "taper": 0.75}),
]


@pytest.fixture(scope="module")
def made() -> dict[str, SyntheticLimb]:
    return {kind: make(says) for kind, (make, says) in KINDS.items()}


def limb_of(limb: SyntheticLimb) -> Limb:
    marks = raw_landmarks(limb.landmarks)
    return Limb.from_capture(limb.mesh, side=limb.side, amputation=limb.amputation, landmarks=marks)


@pytest.mark.parametrize(("kind", "says"), [(kind, {}) for kind in KINDS] + EXTREMES)
def test_it_is_sound_and_every_ray_meets_it_once(kind: str, says: dict[str, float]) -> None:
    make, plain = KINDS[kind]
    limb = make(replace(plain, **says))
    assert_sound(limb.mesh, least_angle=15.0)  # degrees: rows are spread where the edge is oblique, as over a shoulder
    assert least_facing(limb.mesh, limb.facts["shoulder_mm"]) > 0.1
    assert not limb_of(limb).chart.folded.any()


@pytest.mark.parametrize("kind", KINDS)
def test_length_and_girth_come_out_as_asked(kind: str, made: dict[str, SyntheticLimb]) -> None:
    limb, says = made[kind], KINDS[kind][1]
    assert limb.facts["circumference_mm"] == pytest.approx(says.bulk, rel=1e-4)
    length = getattr(says, "length", 36.0)
    assert limb.facts["length_mm"] == pytest.approx(length, rel=1e-5)
    assert -limb.mesh.vertices[:, 2].min() == pytest.approx(length, abs=0.25)  # mm: no vertex need lie lowest


@pytest.mark.parametrize("kind", KINDS)
def test_its_landmarks_are_those_of_its_amputation_and_lie_on_its_skin(
    kind: str, made: dict[str, SyntheticLimb]
) -> None:
    limb = made[kind]
    words = vocabulary(limb.amputation)
    assert set(limb.landmarks) <= set(words.names) and set(words.needed) <= set(limb.landmarks)
    for name, points in limb.landmarks.items():
        away = nearest(np.atleast_2d(points), limb.mesh.vertices, limb.mesh.faces)[0]
        assert away.max() < 0.4, name  # mm: a chord of 5 mm over a bone of some 10 mm is 0.3 mm deep
        assert words.is_line(name) == (np.ndim(points) == 2), name


@pytest.mark.parametrize("kind", KINDS)
def test_the_frame_it_is_made_in_is_the_one_that_is_found(kind: str, made: dict[str, SyntheticLimb]) -> None:
    limb = made[kind]
    found = limb_of(limb)
    # sections of the mesh and of the formula differ by chords; the axis runs through the same middles
    assert np.abs(found.frame[:3, :3] - np.eye(3)).max() < 2e-3
    assert np.abs(found.frame[:3, 3]).max() < 0.5  # mm: the origin is midway between condyles that differ by 0.8 mm
    assert check_landmarks(found)


@pytest.mark.parametrize("kind", KINDS)
def test_the_left_limb_is_the_mirror_of_the_right(kind: str) -> None:
    make, says = KINDS[kind]
    right, left = make(replace(says, edge_mm=8.0)), make(replace(says, edge_mm=8.0, side="left"))
    assert np.array_equal(left.mesh.vertices, right.mesh.vertices * (-1.0, 1.0, 1.0) + 0.0)
    for name, points in right.landmarks.items():
        assert np.allclose(left.landmarks[name], points * (-1.0, 1.0, 1.0), atol=1e-12), name


def test_what_is_named_after_its_shape_has_it(made: dict[str, SyntheticLimb]) -> None:
    knee, ankle, forearm, arm = (made[kind] for kind in KINDS)
    waist = -knee.landmarks["supracondylar-level"][2]
    assert knee.circumference(waist) < 0.97 * knee.circumference(0.0) < knee.circumference(-250.0)
    # widest over the condyles, and the patella stands out in front
    assert max(range(-60, 20, 4), key=lambda level: knee.widths(level)[1]) in range(-12, 12)
    low, narrow = -ankle.landmarks["malleolar-level"][2], -ankle.landmarks["supramalleolar-level"][2]
    assert ankle.circumference(narrow) < 0.9 * ankle.circumference(low)
    assert np.linalg.norm(forearm.landmarks["medial-epicondyle"][:2]) > forearm.widths(40.0)[1] / 2
    lateral, medial = arm.landmarks["acromion"], arm.landmarks["axilla"]
    assert lateral[2] == pytest.approx(0.0, abs=1e-9) and medial[2] < -100.0  # over the shoulder; in the armpit


def test_above_the_armpit_an_arms_sections_are_open_and_below_they_are_closed(made: dict[str, SyntheticLimb]) -> None:
    profile = limb_of(made["arm"]).profile
    assert not profile.closed[profile.levels < 90.0].any() and profile.closed[profile.levels > 112.0].all()


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_out_of_bounds_is_refused(kind: str) -> None:
    make, says = KINDS[kind]
    with pytest.raises(MeshError, match="bulk is out of bounds"):
        make(replace(says, bulk=50.0))
    with pytest.raises(MeshError, match="one side"):
        make(replace(says, side="both"))
