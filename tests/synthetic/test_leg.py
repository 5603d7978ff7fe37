"""The transtibial limb: what is asked for comes out, and it is sound whatever is asked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull
from soundness import assert_sound, border_vertices, least_facing, volume

from rectify.errors import MeshError
from rectify.geometry.nearest import nearest
from rectify.geometry.sections import cut
from rectify.synthetic import Transtibial, transtibial

PLAIN = Transtibial(edge_mm=4.0)
ENDS = ("round", "bulbous", "conical", "redundant")


@pytest.fixture(scope="module")
def plain():
    return transtibial(PLAIN)


def mesh_tape(mesh, level):
    """The tape at a level of the mesh, by its own section's hull, mm."""
    return float(ConvexHull(cut(mesh, mesh.vertices[:, 2], np.array([-level])).starts[:, :2]).area)


@pytest.mark.parametrize("end", ENDS)
def test_every_end_gives_a_sound_limb_that_each_ray_meets_once(end):
    limb = transtibial(replace(PLAIN, end=end))
    assert_sound(limb.mesh)
    for off in (-10.0, 0.0, 10.0):  # mm: wherever about the shoulder the end's centre is taken to be
        assert least_facing(limb.mesh, limb.facts["shoulder_mm"] + off) > 0.3
    top = limb.mesh.vertices[border_vertices(limb.mesh)]
    assert top[:, 2] == pytest.approx(PLAIN.above, abs=1e-9)


@pytest.mark.parametrize(
    ("end", "length", "bulk", "taper"),
    [
        ("round", 105.0, 362.0, 0.95),
        ("bulbous", 140.0, 330.0, 1.2),
        ("conical", 210.0, 310.0, 0.72),
        ("redundant", 160.0, 400.0, 0.98),
    ],
)
def test_length_girth_and_taper_come_out_as_asked(end, length, bulk, taper):
    limb = transtibial(replace(PLAIN, end=end, length=length, bulk=bulk, taper=taper))
    assert limb.circumference(0.0) == pytest.approx(bulk, rel=1e-4)
    assert limb.circumference(limb.facts["shoulder_mm"]) / bulk == pytest.approx(taper, rel=1e-4)
    assert limb.facts["length_mm"] == pytest.approx(length, rel=1e-5)
    # and on the mesh, by its own sections: chords of 4 mm on the crest and the tendon cost under 0.3 %
    assert mesh_tape(limb.mesh, 0.0) == pytest.approx(bulk, rel=3e-3)
    assert -limb.mesh.vertices[:, 2].min() == pytest.approx(length, abs=0.15)  # mm: no vertex need lie lowest


def test_a_wider_body_is_deeper_from_front_to_back_when_asked():
    ap, ml = transtibial(replace(PLAIN, ellipticity=1.25)).widths(30.0)
    round_ap, round_ml = transtibial(replace(PLAIN, ellipticity=1.0)).widths(30.0)
    assert ap / ml > 1.15 * round_ap / round_ml


def test_sections_of_the_mesh_follow_the_formula(plain):
    for level in (-60.0, -20.0, 25.0, 70.0, 95.0):
        assert mesh_tape(plain.mesh, level) == pytest.approx(plain.circumference(level), rel=3e-3)


def test_the_volume_is_that_of_the_stacked_outlines(plain):
    # a second way: the formula's outlines by the shoelace rule, stacked by Simpson's; the end from sections
    top, shoulder = -PLAIN.above, plain.facts["shoulder_mm"]
    levels = np.linspace(top, shoulder, 121)
    x, y = np.moveaxis(np.array([plain.outline(level)[:, :2] for level in levels]), 2, 0)
    area = np.abs((x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1)) / 2
    below = np.linspace(shoulder, PLAIN.length - 1e-6, 121)
    end = cut(plain.mesh, plain.mesh.vertices[:, 2], -below[::-1]).areas_and_centroids()[0][::-1]
    stacked = sum(
        (a[0:-2:2] + 4 * a[1:-1:2] + a[2::2]).sum() * (z[2] - z[0]) / 6
        for a, z in ((area, levels), (np.nan_to_num(end), below))
    )
    # chords of 4 mm on radii of 50 mm: (4/50)^2 / 6, and as much again on crest and tendons
    assert volume(plain.mesh) == pytest.approx(stacked, rel=2.5e-3)


def test_the_frame_is_the_limb_frame(plain):
    tendon = plain.landmarks["mid-patellar-tendon"]
    assert tendon[2] == pytest.approx(0.0, abs=1e-9)  # level 0
    assert tendon[0] == pytest.approx(0.0, abs=1e-9) and tendon[1] > 0  # angle 0
    levels = np.linspace(0.3, 0.7, 401) * PLAIN.length
    _, middle = cut(plain.mesh, plain.mesh.vertices[:, 2], -levels[::-1]).areas_and_centroids()
    line = np.polyfit(levels[::-1], middle, 1)
    # z is the line through them, but that chords of 4 mm move a centroid by hundredths of a mm between rings
    assert np.abs(line[0]).max() < 1e-3 and np.abs(line[1]).max() < 0.1


@pytest.mark.parametrize("end", ENDS)
def test_landmarks_lie_on_the_mesh(end):
    limb = transtibial(replace(PLAIN, end=end, edge_mm=3.0, crest=1.3))
    for name, points in limb.landmarks.items():
        away = nearest(np.atleast_2d(points), limb.mesh.vertices, limb.mesh.faces)[0]
        assert away.max() < 0.3, name  # mm: a chord of 3 mm over a crest of some 7 mm is 0.16 mm deep


def test_landmarks_lie_where_published_means_put_them(plain):
    level = {name: -float(np.atleast_2d(points)[0, 2]) for name, points in plain.landmarks.items()}
    joint = level["medial-joint-line"]
    # Sojka JH et al., 161 tibiae: tubercle 29.2 mm below the joint (SD 3.5)
    assert level["tibial-tubercle"] - joint == pytest.approx(29.2, abs=3.5)
    # Choi YJ et al. (2010) J Korean Knee Soc 22(1):39-45, 316 knees: tendon 42.6 mm
    tendon = np.linalg.norm(plain.landmarks["patella-apex"] - plain.landmarks["tibial-tubercle"])
    assert tendon == pytest.approx(42.6, abs=5.5)
    # doi 10.1186/s40634-023-00621-z, 130 knees: lateral epicondyle 24.4 mm above the joint (SD 2.8)
    assert joint - level["lateral-condyle"] == pytest.approx(24.4, abs=2.8)


def test_landmarks_lie_on_their_sides(plain):
    angle = {n: np.degrees(np.arctan2(p[0], p[1])) for n, p in plain.landmarks.items() if p.ndim == 1}
    assert 95 < angle["fibular-head"] < 125 and 75 < angle["lateral-condyle"] < 105
    assert -75 < angle["medial-tibial-flare"] < -45 and -105 < angle["medial-condyle"] < -75
    assert 120 < angle["lateral-hamstring"] < 150 and -155 < angle["medial-hamstring"] < -125
    assert abs(angle["popliteal"]) > 175 and abs(angle["tibial-tubercle"] - 5) < 3


@pytest.mark.parametrize(
    ("feature", "landmark", "stands_out"),
    [
        ("fibular_head", "fibular-head", 5.5),
        ("tubercle", "tibial-tubercle", 5.0),
        ("distal_tibia", "distal-tibia", 3.0),
    ],
)
def test_a_bone_stands_out_by_its_height(feature, landmark, stands_out):
    with_it, without = (transtibial(replace(PLAIN, edge_mm=6.0, **{feature: much})) for much in (1.0, 0.0))
    gain = np.linalg.norm(with_it.landmarks[landmark][:2]) - np.linalg.norm(without.landmarks[landmark][:2])
    assert gain == pytest.approx(stands_out, abs=0.7)  # mm: the girth is held, so the soft body gives a little


def test_a_sharper_crest_is_sharper():
    def sagitta(crest):  # how far the crest stands over the chord from 12 degrees on either side, mm
        limb = transtibial(replace(PLAIN, edge_mm=6.0, crest=crest))
        place = limb.landmarks["tibial-crest"][2]
        outline = limb.outline(-float(place[2]))
        angle = np.arctan2(outline[:, 0], outline[:, 1]) - np.arctan2(place[0], place[1])
        sides = [outline[np.argmin(np.abs(angle - side))] for side in (-0.21, 0.21)]
        return np.hypot(*place[:2]) - np.hypot(*((sides[0] + sides[1]) / 2)[:2])

    dull, usual, sharp = sagitta(0.0), sagitta(1.0), sagitta(1.6)
    assert dull + 1.5 < usual and usual + 0.9 < sharp


def test_a_bulbous_end_is_wider_than_the_waist_above_it():
    limb = transtibial(replace(PLAIN, end="bulbous", taper=1.15))
    shoulder = limb.facts["shoulder_mm"]
    waist = min(limb.circumference(part * shoulder) for part in np.linspace(0.1, 1.0, 19))
    assert limb.circumference(shoulder) > 1.12 * waist


def test_a_bent_knee_leans_the_thigh_back_and_nothing_below():
    straight, bent = (transtibial(replace(PLAIN, edge_mm=6.0, knee_bend=bend)) for bend in (0.0, 15.0))
    top = [np.mean(limb.outline(-70.0)[:, 1]) for limb in (straight, bent)]
    # the sway's asymptote: tan(15 deg) times the 62 mm above the joint
    assert top[0] - top[1] == pytest.approx(np.tan(np.radians(15.0)) * 62.0, abs=1.0)
    low = [limb.outline(90.0) for limb in (straight, bent)]
    assert np.abs(low[0] - low[1]).max() < 0.5  # mm: only the softly fading ends of the bend


def test_left_is_the_exact_mirror_of_right(plain):
    left = transtibial(replace(PLAIN, side="left"))
    assert np.array_equal(left.mesh.vertices * [-1.0, 1.0, 1.0], plain.mesh.vertices)
    assert np.array_equal(left.mesh.faces[:, ::-1], plain.mesh.faces)
    assert left.landmarks.keys() == plain.landmarks.keys()
    for name, points in left.landmarks.items():
        assert np.array_equal(points * [-1.0, 1.0, 1.0], plain.landmarks[name])
    assert left.facts == pytest.approx(plain.facts, rel=1e-12)  # a hull is summed from another corner


def test_noise_is_as_large_as_asked_and_its_seed_repeats_it(plain):
    one, again, other = (transtibial(replace(PLAIN, noise_mm=0.2, seed=seed)) for seed in (3, 3, 4))
    assert np.array_equal(one.mesh.vertices, again.mesh.vertices)
    assert not np.array_equal(one.mesh.vertices, other.mesh.vertices)
    shift = one.mesh.vertices - plain.mesh.vertices
    # several thousand draws: the standard deviation is known to about 1 %
    assert np.sqrt((shift**2).sum(axis=1).mean()) == pytest.approx(0.2, rel=0.04)
    away = nearest(one.mesh.vertices, plain.mesh.vertices, plain.mesh.faces)[0]
    assert away.mean() == pytest.approx(0.2 * np.sqrt(2 / np.pi), rel=0.1)  # along the normal, so all of it shows


def test_features_that_are_not_there_have_no_landmark():
    bare = transtibial(replace(PLAIN, edge_mm=6.0, distal_fibula=0, scar=0))
    assert "distal-fibula" not in bare.landmarks and "mark-scar" not in bare.landmarks


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"length": 79.0}, "length is out of bounds"),
        ({"length": 261.0}, "length is out of bounds"),
        ({"bulk": float("nan")}, "bulk is out of bounds"),
        ({"crest": -0.1}, "crest is out of bounds"),
        ({"end": "square"}, "no such end"),
        ({"side": "both"}, "a limb is of one side"),
        ({"edge_mm": -1.0}, "the edge length must be positive"),
    ],
)
def test_a_parameter_that_cannot_be_is_refused_by_name(changes, says):
    with pytest.raises(MeshError, match=says):
        transtibial(replace(PLAIN, **changes))


def test_bounds_themselves_are_allowed():
    for length in (80.0, 260.0):
        assert_sound(transtibial(replace(PLAIN, length=length, edge_mm=7.0)).mesh, least_angle=15.0)


prominence = st.floats(0.0, 1.5)
limbs = st.builds(
    Transtibial,
    side=st.sampled_from(["left", "right"]),
    length=st.floats(95.0, 230.0),
    bulk=st.floats(270.0, 440.0),
    taper=st.floats(0.7, 1.15),
    ellipticity=st.floats(0.95, 1.25),
    end=st.sampled_from(ENDS),
    knee_bend=st.floats(0.0, 20.0),
    above=st.floats(60.0, 90.0),
    crest=prominence,
    tubercle=prominence,
    fibular_head=prominence,
    distal_tibia=prominence,
    distal_fibula=prominence,
    patella=prominence,
    tendon=prominence,
    condyles=prominence,
    popliteal=prominence,
    hamstrings=prominence,
    calf=prominence,
    scar=prominence,
    pressed=st.floats(0.0, 4.0),
    edge_mm=st.just(6.0),
)


@settings(max_examples=12, deadline=None, derandomize=True)
@given(limbs)
def test_whatever_is_asked_the_limb_is_sound_and_as_asked(parameters):
    limb = transtibial(parameters)
    assert_sound(limb.mesh, least_angle=12.0)  # degrees: edges of 6 mm on a crest of 7 mm
    assert least_facing(limb.mesh, limb.facts["shoulder_mm"]) > 0.05
    assert limb.facts["circumference_mm"] == pytest.approx(parameters.bulk, rel=1e-4)
    assert limb.facts["taper"] == pytest.approx(parameters.taper, rel=1e-4)
    assert limb.facts["length_mm"] == pytest.approx(parameters.length, rel=1e-5)
    lateral = 1.0 if parameters.side == "right" else -1.0
    assert lateral * limb.landmarks["fibular-head"][0] > 0
