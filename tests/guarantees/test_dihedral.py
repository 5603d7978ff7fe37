"""The angle that rectification adds between neighbouring faces is bounded by edge, amounts and feathers.

Over a feather of width f the quintic step rises with a second derivative of at most 10/sqrt(3) = 5.7735 per unit of
amount / f², and across it (the outline is rounded to f at least) with less. Two faces that share an edge are flat: the
slope of a height over them differs by at most the second derivative times their longest edge L. So a lone region of
amount a adds at most

    L · 5.7735 · a / f²      (radians)

and besides: lengths in a region's plane are off by its `stretch`; where feathers overlap, products of two slopes (each
at most 1.875 / f) come to it, twice each, and the amount is the range from the deepest reduction to the highest
build-up that reach there; on a surface of curvature k a move of h along the normals shrinks lengths to 1 - k h; and
where the smoothed normal leans by b off a face, the face turns by h k b though the height is even. The constants of the
other falls, and all that is no region, are derived in `test_dihedral_forms.py`.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

import rectify
from rectify.data import demo_folder
from rectify.engine import Outcome
from rectify.engine.blend import fallen
from rectify.limb.spot import Spot
from rectify.rulebook.plan import Oval, RegionPlan
from tests import made
from tests.guarantees.drawn import LIMBS, limb, plans, rectified
from tests.guarantees.tier import examples
from tests.made import build_up, edge_counts, plan, reduction

# of each fall: largest second and first derivative
BEND = {"smooth": 10.0 / np.sqrt(3.0), "cosine": np.pi**2 / 2, "run-out": 12.0}
SLOPE = {"smooth": 15.0 / 8.0, "cosine": np.pi / 2, "run-out": 16.0 / 9.0}


@pytest.mark.parametrize("fall", BEND)
def test_the_falls_have_the_derivatives_that_are_used(fall):
    t = np.linspace(0.0, 1.0, 200_001)
    first = np.gradient(fallen(t, fall), t)
    assert first.max() == pytest.approx(SLOPE[fall], abs=1e-5)
    assert np.abs(np.gradient(first, t)[2:-2]).max() == pytest.approx(BEND[fall], abs=1e-2)


def pairs_of(faces: np.ndarray) -> np.ndarray:
    """(k, 2) faces that share an edge."""
    corners = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    owner = np.tile(np.arange(len(faces)), 3)
    order = np.lexsort((owner, corners[:, 1], corners[:, 0]))
    same = (corners[order[1:]] == corners[order[:-1]]).all(axis=1)
    return np.stack([owner[order[:-1][same]], owner[order[1:][same]]], axis=1)


def directions(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    out = np.cross(b - a, c - a)
    return out / np.linalg.norm(out, axis=1, keepdims=True)


def angles(vertices: np.ndarray, faces: np.ndarray, pairs: np.ndarray) -> np.ndarray:
    """(k,) radians between the directions of two faces."""
    normals = directions(vertices, faces)
    a, b = normals[pairs[:, 0]], normals[pairs[:, 1]]
    return np.arctan2(np.linalg.norm(np.cross(a, b), axis=1), np.einsum("ij,ij->i", a, b))


def rise(region: RegionPlan, held_mm: float, edge_mm: float) -> float:
    """Over what width a region's weight rises at its steepest: its feather as held, or a groove's narrow half."""
    if region.profile == "groove" and isinstance(region.shape, Oval):
        narrow = min(region.shape.along_mm, region.shape.around_mm) / 2
        out = region.feather_mm if region.blend == "outside" else 0.0
        return min(held_mm, narrow + out - max(1.5, edge_mm))
    return held_mm


def added_and_bound(outcome: Outcome) -> tuple[np.ndarray, np.ndarray]:
    """For each pair of neighbours: what the regions' moves added over the reduced surface, and the bound; radians."""
    base, faces, normals = outcome.asked.base, outcome.limb.mesh.faces, outcome.asked.normals
    pairs = pairs_of(faces)
    added = np.abs(angles(outcome.mesh.vertices, faces, pairs) - angles(base, faces, pairs))
    edges = np.stack([np.linalg.norm(base[faces[:, i]] - base[faces[:, i - 1]], axis=1) for i in range(3)])

    def of_both(per_face: np.ndarray) -> np.ndarray:
        return np.maximum(per_face[pairs[:, 0]], per_face[pairs[:, 1]])

    bend = np.zeros(len(pairs))
    amount = {"build-up": np.zeros(len(pairs)), "reduce": np.zeros(len(pairs))}
    risen: list[tuple[np.ndarray, float]] = []  # where a region rises, and how steeply per mm of amount
    for region, weight, held in zip(outcome.plan.regions, outcome.asked.weight, outcome.asked.weights, strict=True):
        on_faces = weight[faces]
        width = rise(region, held.feather_mm, outcome.limb.edge_mm) / (1.0 + held.stretch)
        rising = of_both(np.ptp(on_faces, axis=1)) > 0
        there = of_both(on_faces.max(axis=1)) > 0
        most = amount[region.action]
        np.maximum(most, there * region.asked_mm, out=most)
        bend += rising * BEND[region.fall] / width**2
        steep = SLOPE[region.fall] / width
        for other, other_steep in risen:
            bend += (rising & other) * 2 * steep * other_steep
        risen.append((rising, steep))
    height = np.abs(np.einsum("ij,ij->i", outcome.mesh.vertices - base, normals))[faces].max(axis=1)
    turns = np.stack([np.linalg.norm(normals[faces[:, i]] - normals[faces[:, i - 1]], axis=1) for i in range(3)])
    curved = (turns / edges).max(axis=0)
    own = directions(base, faces)
    lean = np.stack([np.linalg.norm(np.cross(normals[faces[:, i]], own), axis=1) for i in range(3)]).max(axis=0)
    tilt = height * curved * lean
    shrunk = np.maximum(1.0 - of_both(height * curved), 0.2)
    whole = of_both(edges.max(axis=0)) * bend * (amount["build-up"] + amount["reduce"]) / shrunk**2
    return added, whole + tilt[pairs[:, 0]] + tilt[pairs[:, 1]]


ROUNDING = 1e-6  # radians: face normals of float64 positions, far less


@examples(16)
@given(st.sampled_from(list(LIMBS)).flatmap(lambda name: st.tuples(st.just(name), plans(limb(name), overall=False))))
def test_no_plan_adds_more_than_the_bound(drawn):
    outcome = rectified(limb(drawn[0]), drawn[1])
    assume(outcome is not None and outcome.guarded.rounds == 0)
    added, bound = added_and_bound(outcome)
    assert (added <= bound + ROUNDING).all(), f"{np.degrees((added - bound).max()):.2f} degrees over the bound"


CASES = sorted(p.name for p in demo_folder().iterdir() if (p / "case.yaml").exists())


@pytest.mark.parametrize("code", CASES)
def test_demo_cases_stay_within_the_bound(code, tell):
    outcome = rectify.apply(rectify.open_case(demo_folder() / code)).outcome
    added, bound = added_and_bound(outcome)
    assert outcome.guarded.rounds == 0
    assert (added <= bound + ROUNDING).all()
    seen = added > np.radians(1.0)
    tell(
        f"angle added between faces, {code} ({outcome.limb.edge_mm:.1f} mm edges): at most "
        f"{np.degrees(added.max()):.1f} deg, {(added[seen] / bound[seen]).max():.2f} of the bound at its place"
    )


@pytest.mark.parametrize("make", [build_up, reduction])
def test_a_lone_region_on_a_cylinder_comes_near_the_bound_and_halves_with_the_edge(make, tell):
    # so the bound is no idle one, and what is added is a feather seen through faces and no crease
    found = []
    for edge_mm in (4.0, 2.0):
        one = made.capsule_limb(edge_mm=edge_mm)
        outcome = rectified(one, plan(make("one", 5.0, Spot(60.0, 0.0), Oval(56.0, 56.0), 16.0)))
        added, bound = added_and_bound(outcome)
        assert (added <= bound + ROUNDING).all()
        simple = one.edge_mm * BEND["smooth"] * 5.0 / 16.0**2
        assert 0.5 * simple < added.max() < 1.2 * simple
        found.append(added.max())
        tell(f"angle added by {make.__name__} 5 mm over 16 mm, {edge_mm:g} mm edges: {np.degrees(added.max()):.1f} deg")
    assert 0.4 < found[1] / found[0] < 0.65  # a little over a half: 4 mm edges average the peak of a 16 mm feather away


def test_the_bound_can_be_broken():
    # a crease that no feather makes: one vertex moved on its own
    one = made.capsule_limb(edge_mm=4.0)
    outcome = rectified(one, plan(build_up("one", 4.0, Spot(60.0, 0.0), Oval(40.0, 40.0), 14.0)))
    i = int(np.argmin(np.linalg.norm(one.mesh.vertices - [0.0, 50.0, -60.0], axis=1)))
    outcome.mesh.vertices[i] += [0.0, 1.0, 0.0]
    added, bound = added_and_bound(outcome)
    assert (added > bound).any()


def test_pairs_are_all_edges_with_two_faces():
    faces = limb("usual").mesh.faces
    assert len(pairs_of(faces)) == (edge_counts(faces)[1] == 2).sum()
