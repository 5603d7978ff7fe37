"""A limb from a capture: the same in any pose and mirrored, its frame, its volumes, its computed landmarks."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.errors import Faults, LandmarkError, MeshError
from rectify.limb.axis import to_frame
from rectify.limb.chart import wrap_deg
from rectify.limb.landmarks import RawLandmark, raw_landmarks
from rectify.limb.limb import Limb
from rectify.synthetic import Transfemoral, Transtibial, mirrored, transfemoral, transtibial
from tests import made

TT = transtibial(Transtibial(edge_mm=5.0))
TF = transfemoral(Transfemoral(edge_mm=6.0))
SAME = 1e-9  # mm and degrees: what a pose may change


def same_limb(one: Limb, two: Limb, within: float = SAME):
    assert np.abs(one.chart.stations - two.chart.stations).max() < within
    assert np.array_equal(one.chart.captured, two.chart.captured)
    assert np.abs(one.chart.radius - two.chart.radius).max() < within
    assert one.landmarks.keys() == two.landmarks.keys()
    for name, mark in one.landmarks.items():
        other = two.landmarks[name]
        assert mark.level_mm == pytest.approx(other.level_mm, abs=within), name
        for p, q in zip(mark.spots, other.spots, strict=True):
            assert p.station_mm == pytest.approx(q.station_mm, abs=within)
            # degrees; a mark a few mm off the axis turns more than it moves
            assert abs(float(wrap_deg(p.angle_deg - q.angle_deg))) < 100 * within
    assert one.volume_ml() == pytest.approx(two.volume_ml(), rel=1e-11)
    assert one.inflection_mm == pytest.approx(two.inflection_mm, abs=within)
    assert one.edge_mm == pytest.approx(two.edge_mm, abs=within)


# -- pose -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("given", [TT, TF], ids=["transtibial", "transfemoral"])
def test_a_turned_and_moved_capture_is_the_same_limb(given, seed):
    mesh, marks = made.posed(given.mesh, given.landmarks, seed)
    limb = Limb.from_capture(mesh, side=given.side, amputation=given.amputation, landmarks=marks)
    same_limb(limb, made.limb_from(given))
    assert np.linalg.det(limb.frame[:3, :3]) == pytest.approx(1.0, abs=1e-12)
    # the frame carries the capture to the limb's own mesh
    assert np.abs(to_frame(mesh.vertices, limb.frame) - limb.mesh.vertices).max() < 1e-10
    assert np.abs(limb.mesh.vertices - made.limb_from(given).mesh.vertices).max() < SAME


@pytest.mark.parametrize("given", [TT, TF], ids=["transtibial", "transfemoral"])
def test_a_mirrored_capture_is_the_same_limb_of_the_other_side(given):
    limb = made.limb_from(given)
    other = made.mirror_of(limb)
    assert other.side == "left"
    same_limb(limb, other)
    assert np.linalg.det(other.frame[:3, :3]) == pytest.approx(1.0, abs=1e-12)
    assert np.abs(other.mesh.vertices * made.MIRROR - mirrored(limb.mesh).vertices * made.MIRROR).max() < SAME
    assert {tuple(sorted(f)) for f in limb.cap.faces.tolist()} == {tuple(sorted(f)) for f in other.cap.faces.tolist()}


def test_the_generators_left_limb_is_the_right_one_to_the_chart():
    left = made.limb_from(transtibial(Transtibial(edge_mm=5.0, side="left")))
    same_limb(made.limb_from(TT), left)


@pytest.mark.parametrize("side", ["right", "left"])
def test_lateral_landmarks_lie_laterally_on_either_side(side):
    limb = made.limb_from(transtibial(Transtibial(edge_mm=5.0, side=side)))
    x = {name: mark.points[0, 0] * (1.0 if side == "right" else -1.0) for name, mark in limb.landmarks.items()}
    assert x["fibular-head"] > 20 and x["lateral-condyle"] > 20
    assert x["medial-tibial-flare"] < -20 and x["medial-condyle"] < -20
    assert limb.landmarks["mid-patellar-tendon"].points[0, 1] > 20  # +y is anterior
    assert limb.landmarks["patella-centre"].points[0, 2] > 20  # +z is proximal
    assert limb.landmarks["fibular-head"].angle_deg == pytest.approx(113.0, abs=6.0)
    # degrees: the generator's own angles turn about the section's middle, some 5 mm behind the axis
    assert limb.landmarks["medial-condyle"].angle_deg == pytest.approx(268.0, abs=8.0)


# -- frame ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("given", [TT, TF], ids=["transtibial", "transfemoral"])
def test_a_limb_made_in_its_own_frame_stays_where_it_is(given):
    limb = made.limb_from(given)
    assert np.abs(limb.frame - np.eye(4)).max() < 1e-4  # the generator fits the axis by another way
    origin = "mid-patellar-tendon" if given is TT else "perineum"
    assert limb.landmarks[origin].level_mm == pytest.approx(0.0, abs=1e-9)
    ahead = "mid-patellar-tendon" if given is TT else "anterior-thigh"
    assert float(wrap_deg(limb.landmarks[ahead].spots[0].angle_deg)) == pytest.approx(0.0, abs=1e-9)
    assert limb.end_level_mm == pytest.approx(given.facts["length_mm"], abs=0.2)


def test_angle_zero_from_the_trochanter_is_said_to_be_unsure():
    marks = {n: p for n, p in TF.landmarks.items() if n != "anterior-thigh"}
    limb = Limb.from_capture(TF.mesh, side="right", amputation="transfemoral", landmarks=raw_landmarks(marks))
    assert limb.landmarks["greater-trochanter"].angle_deg == pytest.approx(120.0, abs=1e-9)
    assert "unsure by 15 degrees" in limb.notes[0]
    assert made.limb_from(TF).notes == ()


def test_angle_zero_from_two_condyles_is_square_to_the_line_between_them():
    given = transtibial(Transtibial(edge_mm=5.0, above=110.0))  # its thigh stands in for a knee disarticulation's
    marks = {name: given.landmarks[name] for name in ("medial-condyle", "lateral-condyle")}
    limb = Limb.from_capture(
        given.mesh, side="right", amputation="knee-disarticulation", landmarks=raw_landmarks(marks)
    )
    line = limb.landmarks["lateral-condyle"].points[0] - limb.landmarks["medial-condyle"].points[0]
    assert abs(line[1]) < 1e-6  # mm: square to the line means that it runs along +x, the person's right
    assert line[0] > 50
    middle = (limb.landmarks["lateral-condyle"].level_mm + limb.landmarks["medial-condyle"].level_mm) / 2
    assert middle == pytest.approx(0.0, abs=1e-9)


# -- volumes and edges ----------------------------------------------------------------------------


def test_a_capsules_volumes_are_its_closed_forms():
    limb = made.capsule_limb(50.0, 150.0, 2.5, 60.0)
    assert limb.plane_level() == pytest.approx(-58.0, abs=1e-6)  # 2 mm below the open edge
    thimble = np.pi * 50**2 * 208.0 + 2 / 3 * np.pi * 50**3
    assert limb.volume_ml() == pytest.approx(thimble / 1000, rel=1e-3)  # chords of 2.5 mm
    assert limb.volume_ml(0.0) == pytest.approx(1439.896633, rel=1e-3)  # pi R² L + 2/3 pi R³
    assert limb.model_volume_ml() == pytest.approx((thimble + np.pi * 50**2 * 2.0) / 1000, rel=1e-3)
    assert limb.edge_mm == pytest.approx(2.5, rel=0.05)


def test_the_plane_lies_below_the_lower_of_two_edges(capsule_limb):
    lower = capsule_limb.mesh.vertices.copy()
    lower[lower[:, 2] > 59.9, 2] -= 7.0
    assert capsule_limb.plane_level(lower) == pytest.approx(-51.0, abs=1e-6)
    higher = capsule_limb.mesh.vertices + np.array([0.0, 0.0, 9.0])
    assert capsule_limb.plane_level(higher) == pytest.approx(-58.0, abs=1e-6)


def test_the_closed_limb_is_sound(transtibial_limb, transfemoral_limb):
    for limb in (transtibial_limb, transfemoral_limb):
        made.assert_sound(limb.closed)


# -- computed landmarks ---------------------------------------------------------------------------


def test_the_end_the_inflection_and_the_neck_are_computed_where_nobody_marked_them(transtibial_limb):
    marks = {n: p for n, p in TT.landmarks.items() if n not in ("distal-end", "fibular-neck")}
    limb = Limb.from_capture(TT.mesh, side="right", amputation="transtibial", landmarks=raw_landmarks(marks))
    end, head, neck = (limb.landmarks[n] for n in ("distal-end", "fibular-head", "fibular-neck"))
    assert {m.source for m in (end, neck, limb.landmarks["inflection"])} == {"computed"}
    assert np.hypot(*end.points[0, :2]) < 1e-9
    assert limb.chart.along(head.spots[0].station_mm, *_place(neck))[0] == pytest.approx(20.0, abs=0.05)
    assert neck.angle_deg == pytest.approx(head.angle_deg, abs=0.005)  # read between columns of 1.5 degrees
    assert neck.uncertainty_mm > 0 and "from memory" in neck.note
    assert transtibial_limb.landmarks["fibular-neck"].source == "marked"  # a mark is never written over


def _place(mark):
    return np.array([mark.spots[0].station_mm]), np.array([mark.spots[0].angle_deg])


def test_an_absent_landmark_stays_absent_and_nothing_is_made_from_it():
    marks = raw_landmarks({n: p for n, p in TT.landmarks.items() if n != "fibular-neck"})
    marks["fibular-head"] = RawLandmark(np.zeros((0, 3)), absent=True)
    limb = Limb.from_capture(TT.mesh, side="right", amputation="transtibial", landmarks=marks)
    head = limb.landmarks["fibular-head"]
    assert head.absent and head.spots == () and np.isnan(head.level_mm) and np.isnan(head.angle_deg)
    assert "fibular-neck" not in limb.landmarks


# -- what cannot be -------------------------------------------------------------------------------


def test_without_its_origin_a_limb_is_refused():
    marks = raw_landmarks({"tibial-tubercle": TT.landmarks["tibial-tubercle"]})
    with pytest.raises(LandmarkError, match="the origin of levels is not marked: mid-patellar-tendon") as error:
        Limb.from_capture(TT.mesh, side="right", amputation="transtibial", landmarks=marks)
    assert "tibial-tubercle" in error.value.found


def test_what_is_wrong_with_a_surface_is_said_before_anything_is_measured():
    inside_out = type(TT.mesh)(TT.mesh.vertices, TT.mesh.faces[:, ::-1])
    with pytest.raises((MeshError, Faults), match="inside out"):
        Limb.from_capture(inside_out, side="right", amputation="transtibial", landmarks=raw_landmarks(TT.landmarks))


def test_a_stub_too_short_for_a_line_of_its_own_takes_the_whole_captures_and_says_so():
    stub = made.limb_from(transtibial(Transtibial(length=97, bulk=411, taper=1.13, end="bulbous", edge_mm=5.0)))
    tilt = np.degrees(np.arccos(np.clip(stub.frame[2, 2], -1.0, 1.0)))  # made upright
    assert tilt < 15.0  # degrees; fitted on the stub alone it fell over by 55
    assert not stub.axis.sure and any("no line of its own" in note for note in stub.notes)
