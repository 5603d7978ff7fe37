"""The guard: what folds or is too steep backs off, what is sound is left alone."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.engine import rectify_limb
from rectify.engine.guard import flipped_faces, guard, moved, slopes
from rectify.engine.places import places_of
from rectify.errors import RectifyError
from rectify.geometry.cap import closed
from rectify.geometry.crossings import crossing_faces
from rectify.geometry.mesh import Mesh
from rectify.limb.spot import Spot
from rectify.rulebook.plan import Limits, Oval
from rectify.synthetic import capsule
from tests import made
from tests.made import assert_sound_outcome, build_up, plan, reduction

AT = Spot(70.0, 0.0)


def heights(outcome):
    """How far each vertex went along the reduced surface's normal, mm."""
    step = outcome.mesh.vertices - outcome.asked.base
    return np.einsum("ij,ij->i", step, outcome.asked.normals)


# -- what it looks at -----------------------------------------------------------------------------


def test_slopes_of_a_move_over_a_plane_are_its_gradient():
    v = np.array([[0.0, 0, 0], [4.0, 0, 0], [0, 3.0, 0], [5.0, 4.0, 0]])
    f = np.array([[0, 1, 2], [1, 3, 2]])
    assert slopes(v, f, v @ np.array([0.6, -0.8, 0.0])) == pytest.approx([1.0, 1.0])
    assert slopes(v, f, np.full(4, 7.0)) == pytest.approx([0.0, 0.0], abs=1e-12)
    tilted = v @ np.array([[0.8, 0, 0.6], [0, 1, 0], [-0.6, 0, 0.8]])  # turned in space: slopes along the surface stay
    assert slopes(tilted, f, v @ np.array([0.6, -0.8, 0.0])) == pytest.approx([1.0, 1.0])


def test_a_face_without_area_has_no_endless_slope():
    v = np.array([[0.0, 0, 0], [1.0, 0, 0], [2.0, 0, 0]])
    assert np.isfinite(slopes(v, np.array([[0, 1, 2]]), np.array([0.0, 1.0, 0.0]))).all()


def test_a_turned_and_a_crushed_face_are_bad_and_a_moved_one_is_not():
    v = np.array([[0.0, 0, 0], [4.0, 0, 0], [0, 3.0, 0]])
    f = np.array([[0, 1, 2]])
    for after, bad in (
        (v + np.array([1.0, 2.0, 3.0]), False),
        (v * [1.0, -1.0, 1.0], True),
        (v * [1.0, 0.03, 1.0], False),
        (v * [1.0, 0.01, 1.0], True),  # under 2 % of its area is left
        (v @ np.array([[0.1, 0, 1.0], [0, 1, 0], [-1.0, 0, 0.1]]), False),
    ):
        assert flipped_faces(v, after, f).tolist() == [bad]


def test_what_does_not_move_keeps_its_bits():
    base = np.array([[-0.0, 1e-310, 3.0], [1.0, 2.0, 3.0]])
    out = moved(base, np.array([[0.0, -0.0, 0.0], [0.0, 0.0, 0.5]]))
    assert out[0].tobytes() == base[0].tobytes() and out[1].tolist() == [1.0, 2.0, 3.5]
    assert base[1].tolist() == [1.0, 2.0, 3.0]  # arguments are not changed


# -- backing off ----------------------------------------------------------------------------------


def test_a_gentle_move_is_left_alone(capsule_limb):
    outcome = rectify_limb(capsule_limb, plan(build_up("a", 4.0, AT, Oval(36.0, 36.0), 14.0)))
    assert outcome.guarded.rounds == 0 and (outcome.guarded.share == 1.0).all()


@pytest.mark.parametrize(
    ("mm", "oval", "feather", "limit", "profile"),
    [(10.0, Oval(60.0, 30.0), 10.0, 45.0, "flat"), (10.0, Oval(60.0, 30.0), 10.0, 80.0, "flat"),
     (14.0, Oval(60.0, 30.0), 12.0, 80.0, "flat"), (12.0, Oval(50.0, 24.0), 9.0, 89.0, "dome")],
)  # fmt: skip
def test_a_reduction_deeper_than_the_ridge_is_wide_backs_off_to_a_sound_shape(
    ridge_limb, mm, oval, feather, limit, profile
):
    region = reduction("deep", mm, AT, oval, feather, profile=profile)
    outcome = rectify_limb(ridge_limb, plan(region, limits=Limits(slope_deg=limit)))
    assert_sound_outcome(outcome)
    found = outcome.regions[0]
    assert found.backed_off and outcome.guarded.rounds > 0
    assert 0.5 < found.achieved_mm < mm - 0.5  # something was done, and less than asked
    told = [w for w in outcome.warnings if w.code == "backed-off"]
    assert len(told) == 1 and told[0].severity == "look" and told[0].where == "regions.deep"
    assert f"{found.achieved_mm:.1f} of {mm:.1f} mm" in told[0].message
    # no vertex moved the other way, none farther than asked
    assert heights(outcome).max() <= 1e-9 and heights(outcome).min() >= -mm - 1e-9
    assert (outcome.guarded.share >= 0).all() and (outcome.guarded.share <= 1).all()


@pytest.mark.parametrize("limit", [30.0, 45.0])
def test_no_slope_passes_the_limit(capsule_limb, limit):
    # asked: 1.875 · 12 / 12 = 62 degrees
    outcome = rectify_limb(
        capsule_limb, plan(reduction("steep", 12.0, AT, Oval(36.0, 36.0), 12.0), limits=Limits(slope_deg=limit))
    )
    assert_sound_outcome(outcome)
    steepest = slopes(outcome.asked.base, capsule_limb.mesh.faces, heights(outcome)).max()
    assert np.degrees(np.arctan(steepest)) <= limit + 1e-6
    assert outcome.regions[0].backed_off


def test_where_it_backs_off_it_does_so_smoothly(capsule_limb):
    outcome = rectify_limb(capsule_limb, plan(reduction("steep", 12.0, AT, Oval(40.0, 40.0), 12.0)))
    share, faces = outcome.guarded.share, capsule_limb.mesh.faces
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    # the share runs out over some edges of 3 mm, it does not jump from whole to nothing
    asked = np.linalg.norm(outcome.asked.step, axis=1)
    edges = edges[(asked[edges] > 0.5).all(axis=1)]
    assert np.abs(share[edges[:, 0]] - share[edges[:, 1]]).max() < 0.25
    assert 0.3 < share.min() < 0.9


def test_far_from_what_backs_off_every_region_keeps_its_amount(ridge_limb):
    deep = reduction("deep", 12.0, AT, Oval(60.0, 30.0), 10.0)
    far = build_up("far", 4.0, Spot(60.0, 150.0), Oval(30.0, 30.0), 12.0)
    outcome = rectify_limb(ridge_limb, plan(deep, far))
    found = {r.region.name: r for r in outcome.regions}
    assert found["deep"].backed_off and not found["far"].backed_off
    assert np.abs(found["far"].error_mm).max() < 0.10


def test_more_asked_than_can_be_carried_never_gives_a_folded_shape(transtibial_limb):
    crest = transtibial_limb.landmarks["tibial-crest"].spots[1]
    for action in (build_up, reduction):
        region = action("much", 15.0, crest, Oval(30.0, 26.0), 8.0)
        assert_sound_outcome(rectify_limb(transtibial_limb, plan(region)))


def test_opposed_neighbours_without_room_between_give_way_to_each_other(capsule_limb):
    outcome = rectify_limb(
        capsule_limb,
        plan(
            reduction("in", 7.0, Spot(60.0, 0.0), Oval(40.0, 40.0), 14.0),
            build_up("out", 7.0, Spot(60.0, 26.0), Oval(30.0, 20.0), 12.0),
        ),
    )
    assert_sound_outcome(outcome)
    assert all(found.backed_off for found in outcome.regions)


@pytest.mark.parametrize(("z", "depth", "wide"), [(60.0, 70.0, 18.0), (-60.0, 115.0, 18.0)])
def test_a_wall_pushed_through_its_top_or_its_other_side_backs_off(z, depth, wide):
    # no slope is too steep here: only what would turn over or pass through holds it back
    limb = made.capsule_limb(edge_mm=5.0)
    places, v = places_of(limb), limb.mesh.vertices
    near = np.exp(-((v[:, 2] - z) ** 2 + v[:, 0] ** 2) / (2 * wide**2)) * (v[:, 1] > -20.0)
    step = np.stack([np.zeros(len(v)), -depth * near, np.zeros(len(v))], axis=1)
    found = guard(limb, places, v.copy(), places.normals, step, 1e9)
    assert found.rounds > 0 and found.crossings == 0 and 0.05 < found.share.min() < 1.0
    model = closed(limb.mesh.with_vertices(found.vertices), limb.cap)
    made.assert_sound(model, None)
    assert len(crossing_faces(model)) == 0  # every face looked at
    # without the guard it does cross
    assert len(crossing_faces(closed(limb.mesh.with_vertices(v + step), limb.cap))) > 0


def folded_base(limb):
    """A reduced surface that is folded itself: one vertex pushed far in and up."""
    base = limb.mesh.vertices.copy()
    i = int(np.argmin(np.linalg.norm(base - [0.0, 50.0, -70.0], axis=1)))
    base[i] += [0.0, -20.0, 12.0]
    return base, i


def test_where_the_reduced_surface_itself_is_folded_that_is_eased(capsule_limb):
    base, i = folded_base(capsule_limb)
    places = places_of(capsule_limb)
    found = guard(capsule_limb, places, base, places.normals, np.zeros_like(base), 1.0)
    assert found.eased[i] < 1.0 and np.array_equal(found.vertices, found.base)
    assert not flipped_faces(capsule_limb.mesh.vertices, found.vertices, capsule_limb.mesh.faces).any()


def test_a_shape_that_is_not_mended_in_time_is_refused(capsule_limb, monkeypatch):
    base, _ = folded_base(capsule_limb)
    places = places_of(capsule_limb)
    monkeypatch.setattr("rectify.engine.guard._ROUNDS", 1)
    with pytest.raises(RectifyError, match="no sound shape was found") as error:
        guard(capsule_limb, places, base, places.normals, np.zeros_like(base), 1.0)
    assert "nothing was written" in error.value.hint


def test_faces_that_cross_in_the_capture_are_not_held_against_the_result():
    # a scan with a knot in it: two vertices an edge apart have changed places
    mesh = capsule(50.0, 150.0, 4.0, 60.0)
    v = mesh.vertices.copy()
    i, j = (int(np.argmin(np.linalg.norm(v - [0.0, -50.0, z], axis=1))) for z in (-40.0, -48.0))
    v[[i, j]] = v[[j, i]] - [[0.0, 0.5, 0.0], [0.0, 0.0, 0.0]]
    limb = made.limb_of(Mesh(v, mesh.faces), 50.0)
    outcome = rectify_limb(limb, plan(build_up("a", 4.0, AT, Oval(36.0, 36.0), 14.0)))
    assert outcome.checks.self_intersections == outcome.checks.self_intersections_of_capture > 0
    assert outcome.guarded.rounds == 0
