"""Volumes between two bounds that follow from areas, amounts and curvature alone.

A patch of height h over a surface holds the integral of h + H h² + K h³ / 3 over it, H the mean and K the Gaussian
curvature (Gray A, Tubes; Weyl's formula; title from memory). Where every curvature lies between -k and k,
that lies between the integrals of h ± k h² + k² |h|³ / 3: each layer's area at height t is between (1 - k t)² and
(1 + k t)² of the base. k is measured on the limb, heights and areas come from plan, weights and capture.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rectify.engine import Outcome
from rectify.limb.limb import Limb
from rectify.limb.spot import Spot
from rectify.rulebook.plan import Oval
from tests.guarantees.drawn import LIMBS, limb, plans, rectified
from tests.guarantees.tier import examples
from tests.made import build_up, overall, plan, reduction


def vertex_vectors(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """(n, 3) each vertex's third of its faces' area vectors, mm²."""
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    out = np.zeros_like(vertices)
    for i in range(3):
        np.add.at(out, faces[:, i], np.cross(b - a, c - a) / 6.0)
    return out


def vertex_areas(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """(n,) each vertex's third of its faces' areas, mm²."""
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 6.0
    return np.bincount(faces.ravel(), np.repeat(area, 3), minlength=len(vertices))


def curvature(vertices: np.ndarray, normals: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """(n,) how fast the normal turns along any edge at each vertex, 1/mm."""
    out = np.zeros(len(vertices))
    for i in range(3):
        a, b = faces[:, i], faces[:, (i + 1) % 3]
        turn = np.linalg.norm(normals[a] - normals[b], axis=1) / np.linalg.norm(vertices[a] - vertices[b], axis=1)
        np.maximum.at(out, a, turn)
        np.maximum.at(out, b, turn)
    return out


def bounds(outcome: Outcome) -> tuple[float, float]:
    """Least and largest change of volume by the regions' moves over the reduced surface, ml."""
    base, faces, normals = outcome.asked.base, outcome.limb.mesh.faces, outcome.asked.normals
    h = np.einsum("ij,ij->i", outcome.mesh.vertices - base, normals)
    # a face's plane leans off the smoothed normal: what a move sweeps is between its shadow on the normal and its area
    straight = np.einsum("ij,ij->i", vertex_vectors(base, faces), normals)
    area = vertex_areas(base, faces)
    k = curvature(base, normals, faces)
    first = np.sort(np.stack([h * straight, h * area]), axis=0)
    more = area * (k * h**2 + k**2 * np.abs(h) ** 3 / 3.0)
    return float((first[0] - more).sum()) / 1000.0, float((first[1] + more).sum()) / 1000.0


@examples(14)
@given(st.sampled_from(list(LIMBS)).flatmap(lambda name: st.tuples(st.just(name), plans(limb(name), overall=False))))
def test_the_change_of_volume_lies_between_what_areas_amounts_and_curvature_allow(drawn):
    one = limb(drawn[0])
    what = replace(drawn[1], regions=tuple(replace(r, measured_from="reduced") for r in drawn[1].regions))
    outcome = rectified(one, what)
    assume(outcome is not None)
    low, high = bounds(outcome)
    change = outcome.volumes.model_after_ml - outcome.volumes.model_before_ml
    lid = outcome.mesh.vertices[one.cap.loop] - one.mesh.vertices[one.cap.loop]
    assume(np.abs(lid).max() < 1e-9)  # a region that moves the edge moves the membrane too
    rounding = 1e-6  # ml
    assert low - rounding <= change <= high + rounding
    assert change == pytest.approx(sum(found.volume_ml for found in outcome.regions), abs=rounding)


def first_order(one: Limb, outcome: Outcome) -> float:
    weight = outcome.asked.weight[0]
    return float((weight * vertex_areas(one.mesh.vertices, one.mesh.faces)).sum())


@pytest.mark.parametrize("name", ["usual", "thin, conical", "bulbous", "thigh"])
@pytest.mark.parametrize("make", [build_up, reduction])
def test_the_bounds_are_narrow_enough_to_mean_something(name, make):
    # over soft, round parts they leave a few per cent, and twice the amount falls far outside
    one = limb(name)
    place = Spot(60.0, 180.0)
    outcome = rectified(one, plan(make("one", 4.0, place, Oval(50.0, 50.0), 14.0)))
    low, high = bounds(outcome)
    change = outcome.regions[0].volume_ml
    assert low <= change <= high
    assert (high - low) < 0.25 * abs(change)
    sign = 1.0 if make is build_up else -1.0
    assert sign * change == pytest.approx(4.0 * first_order(one, outcome) / 1000.0, rel=0.15)


@pytest.mark.parametrize("name", ["usual", "short, left", "thigh"])
@pytest.mark.parametrize("basis", ["circumference", "volume"])
def test_an_overall_reduction_takes_between_its_least_and_its_most(name, basis):
    # per mm of level a circumference p smaller takes 1 - (1 - p)² of the area, and a volume p smaller takes p
    one = limb(name)
    closed = one.profile.levels[one.profile.closed]
    top, end = float(closed[0]) + 35.0, one.inflection_mm - 5.0
    outcome = rectified(one, plan(overall=overall((top, 4.0), (end, 4.0), basis=basis, fade=30.0)))
    levels = np.arange(top, end, 0.5)
    area = np.interp(levels, one.profile.levels, one.profile.area)
    share = 1.0 - 0.96**2 if basis == "circumference" else 0.04
    wall = float(area.mean() * (end - top)) * share / 1000.0  # ml
    taken = -outcome.volumes.change_ml
    # besides the wall: a fade of 30 mm above, and the end below; each no more than all of it would be
    rest = 2 * share * (np.interp(end, one.profile.levels, one.profile.area) * (one.end_level_mm - end)) / 1000.0
    fade = share * float(area.max()) * 1.2 * 30.0 / 1000.0
    assert wall * 0.99 <= taken <= wall * 1.01 + rest + fade
