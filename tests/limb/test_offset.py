"""Offset limbs: every point at one distance, against parallel curves and bodies."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.errors import MeshError
from rectify.geometry.crossings import crossing_faces
from rectify.geometry.nearest import nearest
from rectify.limb.measure import measure_levels
from rectify.limb.offset import offset_limb
from tests import made


@pytest.fixture(scope="module")
def thimble():
    """Radius 50, length 150 below level 0, a hemispherical end; 2.5 mm edges."""
    return made.capsule_limb(50.0, 150.0, 2.5, 60.0)


def distances(limb, other):
    """From vertices of the other to the limb's surface, away from the open edge, mm."""
    v = other.mesh.vertices[other.mesh.vertices[:, 2] < limb.edge[:, 2].min() - 12.0]
    return nearest(v, limb.mesh.vertices, limb.mesh.faces)[0]


@pytest.mark.parametrize(
    ("name", "mm"),
    [("capsule_limb", 6.0), ("capsule_limb", -4.0), ("cone_limb", 1.5), ("elliptic_limb", -2.0)]
    + [("transtibial_limb", mm) for mm in (6.0, 1.5, -2.0, -4.0)],
)
def test_every_point_lies_at_the_distance_asked(name, mm, request):
    limb = request.getfixturevalue(name)
    other = offset_limb(limb, mm)
    made.assert_sound(other.closed)
    found = distances(limb, other)
    # mm; exact on the chart's grid of 2 mm by 1.5 degrees, interpolated between: less at a fold narrower than the ball
    assert np.abs(np.median(found) - abs(mm)) < 0.02
    assert np.quantile(np.abs(found - abs(mm)), 0.99) < 0.08 * max(1.0, abs(mm) / 2)
    outside = np.einsum("ij,ij->i", other.mesh.vertices - limb.mesh.vertices, limb.chart.normal(
        *limb.chart.locate(limb.mesh.vertices)
    ))  # fmt: skip
    assert (np.sign(outside) == np.sign(mm)).all()


@pytest.mark.parametrize(
    ("mm", "perimeter", "area"), [(2.0, 358.855930, 10129.923451), (-2.0, 333.723189, 8744.765212)]
)
def test_an_ellipse_becomes_its_parallel_curve(mm, perimeter, area):
    # semi-axes 60 and 50: P' = P + 2 pi d, A' = A + P d + pi d² (Steiner; Schneider R, Convex Bodies: the
    # Brunn-Minkowski theory; title from memory), P by Ramanujan's second formula
    limb = made.elliptic_limb(120.0, 100.0, edge_mm=2.5)
    profile = measure_levels(offset_limb(limb, mm).mesh, np.array([20.0, 90.0]))
    assert profile.circumference == pytest.approx(perimeter, rel=3e-4)  # chords of 2.5 mm
    assert profile.area == pytest.approx(area, rel=6e-4)


@pytest.mark.parametrize(
    ("mm", "percent"),
    [(-3.0, -12.6039), (-2.0, -8.5103), (-1.0, -4.3092), (1.0, 4.4183), (2.0, 8.9466), (3.0, 13.5857)],
)
def test_a_thimble_grows_and_shrinks_by_the_closed_form(thimble, mm, percent):
    # radius 50, length 150, hemispherical end, flat top held: R -> R + d, exact
    change = 100.0 * (offset_limb(thimble, mm).volume_ml(0.0) / thimble.volume_ml(0.0) - 1.0)
    assert change == pytest.approx(percent, abs=0.02)  # percentage points


def test_out_and_in_again_comes_back_where_nothing_is_hollow(cone_limb):
    back = offset_limb(offset_limb(cone_limb, 5.0), -5.0)
    away = np.linalg.norm(back.mesh.vertices - cone_limb.mesh.vertices, axis=1)
    below = cone_limb.mesh.vertices[:, 2] < 40.0
    assert np.median(away[below]) < 0.02 and away[below].max() < 0.25  # mm; vertices slide along their rays


def test_landmarks_go_along(transtibial_limb):
    other = offset_limb(transtibial_limb, 6.0)
    for name in ("mid-patellar-tendon", "fibular-head", "distal-tibia", "popliteal"):
        old, new = transtibial_limb.landmarks[name], other.landmarks[name]
        assert np.linalg.norm(new.points - old.points) == pytest.approx(6.0, abs=1.2)  # along the ray, not the normal
        distance, _, _ = nearest(new.points, other.mesh.vertices, other.mesh.faces)
        assert distance[0] < old.off_surface_mm + 0.3  # on the new skin as on the old
        assert new.angle_deg == pytest.approx(old.angle_deg, abs=1e-6)
    assert other.landmarks["mid-patellar-tendon"].level_mm == pytest.approx(0.0, abs=1e-9)


def test_nothing_to_offset_is_the_same_limb(transtibial_limb):
    assert offset_limb(transtibial_limb, 0.0) is transtibial_limb


def test_a_mirrored_limb_is_offset_as_its_mirror(transtibial_limb):
    one, two = offset_limb(transtibial_limb, 3.0), offset_limb(made.mirror_of(transtibial_limb), 3.0)
    assert np.abs(one.mesh.vertices - two.mesh.vertices * made.MIRROR).max() < 1e-9


def test_an_oblique_open_edge_is_offset_too(transfemoral_limb):
    other = offset_limb(transfemoral_limb, 6.0)
    made.assert_sound(other.closed)
    gone = np.linalg.norm(other.mesh.vertices - transfemoral_limb.mesh.vertices, axis=1)
    assert gone.min() > 5.0 and np.median(gone) < 7.0 and gone.max() < 16.0


def test_more_than_there_is_cannot_be_taken_off():
    with pytest.raises(MeshError, match="taking 60 mm off leaves nothing"):
        offset_limb(made.capsule_limb(edge_mm=9.0), -60.0)


def creased(width_mm, depth_mm, *, along):
    """A capsule of 50 mm with a crease: a ring about it 60 mm below level 0, or a groove down its back."""
    mesh = made.capsule(50.0, 150.0, 2.5, 60.0)
    v = mesh.vertices.copy()
    radius = np.maximum(np.hypot(v[:, 0], v[:, 1]), 1e-9)
    if along:
        off = np.arctan2(v[:, 0], -v[:, 1]) * 50.0
        fade = np.clip((v[:, 2] + 150.0) / 20.0, 0.0, 1.0) * np.clip((40.0 - v[:, 2]) / 20.0, 0.0, 1.0)
    else:
        off, fade = v[:, 2] + 60.0, 1.0
    depth = depth_mm * np.exp(-((off / width_mm) ** 2)) * fade
    v[:, :2] *= (1.0 - depth / radius)[:, None]
    return made.limb_of(mesh.with_vertices(v), 50.0)


@pytest.mark.parametrize(("width", "depth", "along"), [(10.0, 5.0, False), (3.0, 6.0, True), (2.0, 8.0, False)])
def test_a_tight_crease_fills_and_nothing_folds_or_comes_nearer(width, depth, along):
    limb = creased(width, depth, along=along)
    for mm in (6.0, -3.0):
        other = offset_limb(limb, mm)
        found = distances(limb, other)
        assert found.min() > abs(mm) - 0.02 and np.quantile(found, 0.99) < abs(mm) + 0.02  # mm, as asked of it
        assert len(crossing_faces(other.mesh)) == 0
        # the middle of a face lies on a chord of 2.5 mm over what may be a sharp valley
        middle = other.mesh.vertices[other.mesh.faces].mean(axis=1)
        middle = middle[middle[:, 2] < 40.0]
        assert nearest(middle, limb.mesh.vertices, limb.mesh.faces)[0].min() > abs(mm) - 0.5


def test_a_crease_narrower_than_the_ball_fills_by_closed_form():
    # a ball of 6 mm over a step-like ring crease of 50 - 8 mm: it rests on the two rims, so over the middle of the
    # crease the surface lies on circles of 6 mm about points of the old one, nowhere deeper than the rims allow
    limb = creased(2.0, 8.0, along=False)
    other = offset_limb(limb, 6.0)
    over = other.mesh.vertices[np.abs(other.mesh.vertices[:, 2] + 60.0) < 1.0]
    far = np.hypot(over[:, 0], over[:, 1])
    # between rims 2 r apart at radius R the circles meet at R + sqrt(36 - r^2); this crease is within 0.3 mm of
    # R = 50 at r = 3.6 mm and deeper inside
    assert far.min() > 50.0 - 0.3 + np.sqrt(36.0 - 3.6**2) - 0.15
    assert far.max() < 56.01
