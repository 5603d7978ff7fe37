"""The transfemoral limb: what is asked for comes out, and its upper edge lies as a scan leaves it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull
from soundness import assert_sound, border_vertices, least_facing

from rectify.errors import MeshError
from rectify.geometry.nearest import nearest
from rectify.geometry.sections import cut
from rectify.synthetic import Transfemoral, transfemoral

PLAIN = Transfemoral(edge_mm=6.0)
ENDS = ("round", "bulbous", "conical")


@pytest.fixture(scope="module")
def plain():
    return transfemoral(PLAIN)


def mesh_tape(mesh, level):
    """The tape at a level of the mesh, by its own section's hull, mm."""
    return float(ConvexHull(cut(mesh, mesh.vertices[:, 2], np.array([-level])).starts[:, :2]).area)


@pytest.mark.parametrize("end", ENDS)
def test_every_end_gives_a_sound_limb_that_each_ray_meets_once(end):
    limb = transfemoral(replace(PLAIN, end=end))
    assert_sound(limb.mesh, least_angle=22.0)
    for off in (-10.0, 0.0, 10.0):  # mm
        assert least_facing(limb.mesh, limb.facts["shoulder_mm"] + off) > 0.4


def test_the_open_edge_is_oblique_lateral_higher_than_medial(plain):
    edge = plain.mesh.vertices[border_vertices(plain.mesh)]
    angle = np.degrees(np.arctan2(edge[:, 0], edge[:, 1]))
    lateral, medial = (edge[np.argmin(np.abs(angle - side)), 2] for side in (90.0, -90.0))
    assert lateral - medial == pytest.approx(PLAIN.rise + 6.0, abs=3.0)  # mm: 6 is the notch in the groin
    assert edge[:, 2].min() > 0.0  # nothing is missing at the perineum, where levels begin
    assert not cut(plain.mesh, plain.mesh.vertices[:, 2], np.array([30.0])).closed[0]
    assert cut(plain.mesh, plain.mesh.vertices[:, 2], np.array([-1.0])).closed[0]


@pytest.mark.parametrize(
    ("end", "length", "bulk", "taper"),
    [("round", 180.0, 600.0, 0.85), ("bulbous", 240.0, 540.0, 0.95), ("conical", 310.0, 480.0, 0.62)],
)
def test_length_girth_and_taper_come_out_as_asked(end, length, bulk, taper):
    limb = transfemoral(replace(PLAIN, end=end, length=length, bulk=bulk, taper=taper))
    assert limb.circumference(0.0) == pytest.approx(bulk, rel=1e-4)
    assert limb.circumference(limb.facts["shoulder_mm"]) / bulk == pytest.approx(taper, rel=1e-4)
    assert limb.facts["length_mm"] == pytest.approx(length, rel=1e-5)
    assert mesh_tape(limb.mesh, 0.0) == pytest.approx(bulk, rel=3e-3)  # chords of 6 mm on radii of 30 to 80 mm
    assert -limb.mesh.vertices[:, 2].min() == pytest.approx(length, abs=0.3)  # mm: no vertex need lie lowest


def test_landmarks_lie_on_the_mesh():
    limb = transfemoral(replace(PLAIN, edge_mm=4.0))
    for name, points in limb.landmarks.items():
        away = nearest(np.atleast_2d(points), limb.mesh.vertices, limb.mesh.faces)[0]
        assert away.max() < 0.3, name  # mm: a chord of 4 mm over a tendon of some 15 mm is 0.13 mm deep


def test_landmarks_lie_on_their_sides(plain):
    marks = plain.landmarks
    angle = {n: np.degrees(np.arctan2(p[0], p[1])) for n, p in marks.items() if p.ndim == 1}
    assert marks["anterior-thigh"][[0, 2]] == pytest.approx(0.0, abs=1e-9) and marks["anterior-thigh"][1] > 0
    assert marks["perineum"][2] == pytest.approx(0.0, abs=1e-9) and -105 < angle["perineum"] < -75
    assert -75 < angle["adductor-longus"] < -35 and 90 < angle["greater-trochanter"] < 125
    assert -155 < angle["ischial-tuberosity"] < -120 and marks["ischial-tuberosity"][2] > 0
    assert 20 < angle["distal-femur"] < 75
    assert marks["gluteal-fold"][:, 1].max() < 0


def test_a_trochanter_above_the_edge_has_no_landmark():
    assert "greater-trochanter" not in transfemoral(replace(PLAIN, rise=30.0)).landmarks


def test_the_adductor_tendon_stands_out_by_its_height():
    with_it, without = (transfemoral(replace(PLAIN, edge_mm=8.0, adductor=much)) for much in (1.0, 0.0))
    gain = [np.linalg.norm(limb.landmarks["adductor-longus"][:2]) for limb in (with_it, without)]
    # 6.5 mm, less what the hollows on either side take from its foot
    assert gain[0] - gain[1] == pytest.approx(5.0, abs=1.5)


def test_left_is_the_exact_mirror_of_right(plain):
    left = transfemoral(replace(PLAIN, side="left"))
    assert np.array_equal(left.mesh.vertices * [-1.0, 1.0, 1.0], plain.mesh.vertices)
    assert np.array_equal(left.mesh.faces[:, ::-1], plain.mesh.faces)
    for name, points in left.landmarks.items():
        assert np.array_equal(points * [-1.0, 1.0, 1.0], plain.landmarks[name])


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"length": 149.0}, "length is out of bounds"),
        ({"rise": 141.0}, "rise is out of bounds"),
        ({"end": "redundant"}, "no such end"),
        ({"side": "middle"}, "a limb is of one side"),
    ],
)
def test_a_parameter_that_cannot_be_is_refused_by_name(changes, says):
    with pytest.raises(MeshError, match=says):
        transfemoral(replace(PLAIN, **changes))


prominence = st.floats(0.0, 1.5)
limbs = st.builds(
    Transfemoral,
    side=st.sampled_from(["left", "right"]),
    length=st.floats(170.0, 330.0),
    bulk=st.floats(440.0, 640.0),
    taper=st.floats(0.6, 1.0),
    ellipticity=st.floats(0.9, 1.2),
    end=st.sampled_from(ENDS),
    rise=st.floats(30.0, 140.0),
    adductor=prominence,
    trochanter=prominence,
    gluteal=prominence,
    groin=prominence,
    femur=prominence,
    scar=prominence,
    edge_mm=st.just(8.0),
)


@settings(max_examples=8, deadline=None, derandomize=True)
@given(limbs)
def test_whatever_is_asked_the_limb_is_sound_and_as_asked(parameters):
    limb = transfemoral(parameters)
    assert_sound(limb.mesh, least_angle=12.0)  # degrees: rows are spread toward the high side of the edge
    assert least_facing(limb.mesh, limb.facts["shoulder_mm"]) > 0.2
    assert limb.facts["circumference_mm"] == pytest.approx(parameters.bulk, rel=1e-4)
    assert limb.facts["taper"] == pytest.approx(parameters.taper, rel=1e-4)
    assert limb.facts["length_mm"] == pytest.approx(parameters.length, rel=1e-5)
