"""Smoothing over a length: constants stay, waves die at the rate of the closed form, whatever the mesh."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.geometry.diffuse import diffused
from rectify.geometry.mesh import Mesh
from rectify.geometry.refine import refine
from rectify.synthetic.shapes import sphere


def test_a_constant_stays_what_it_is() -> None:
    ball = sphere(50.0, 5.0)
    assert diffused(ball, np.full((len(ball.vertices), 2), 3.0), 20.0) == pytest.approx(3.0, abs=1e-9)


@pytest.mark.parametrize("uneven", [False, True])
def test_the_first_harmonic_of_a_ball_shrinks_by_the_closed_form_on_any_mesh(uneven: bool) -> None:
    ball = sphere(50.0, 3.0)
    if uneven:
        ball = refine(ball, lambda middles, _: middles[:, 0] > 10.0, 1.2)
    z = ball.vertices[:, 2:3]
    # eigenvalue 2 / r² of the sphere's first harmonic: one implicit step leaves 1 / (1 + s²/2 · 2/r²)
    left = 1.0 / (1.0 + 20.0**2 / 50.0**2)
    assert diffused(ball, z, 20.0) == pytest.approx(left * z, abs=0.02 * 50.0)  # 2 % for a mesh of 3 mm


def test_values_stay_between_the_least_and_the_greatest() -> None:
    ball = sphere(50.0, 4.0)
    step = (ball.vertices[:, :1] > 0).astype(float)
    out = diffused(ball, step, 8.0)
    assert (
        out.min() >= -1e-9 and out.max() <= 1.0 + 1e-9 and 0.1 < np.median(out[np.abs(ball.vertices[:, 0]) < 2]) < 0.9
    )


def test_a_mesh_with_a_vertex_that_no_face_uses_is_no_fault() -> None:
    ball = sphere(50.0, 6.0)
    more = Mesh(np.concatenate([ball.vertices, [[0.0, 0.0, 0.0]]]), ball.faces)
    values = np.ones((len(more.vertices), 1))
    values[-1] = 7.0
    assert diffused(more, values, 10.0)[-1] == pytest.approx(7.0)
