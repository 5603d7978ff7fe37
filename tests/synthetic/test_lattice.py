"""Weaving triangles over a formula."""

from __future__ import annotations

import numpy as np
import pytest
from soundness import assert_sound

from rectify.synthetic.lattice import mirrored, weave
from rectify.synthetic.shapes import capsule


def _wavy(rise, angle):
    radius = 50.0 * np.sqrt(rise * (2.0 - rise)) * (1.0 + 0.2 * np.cos(3.0 * angle) * rise)
    return np.stack([radius * np.sin(angle), radius * np.cos(angle), 140.0 * rise], axis=-1)


@pytest.mark.parametrize("edge", [2.0, 5.0, 9.0])
def test_a_wavy_cup_is_woven_without_holes_or_slivers(edge):
    assert_sound(weave(_wavy, edge), least_angle=24.0)


def test_a_ring_lies_at_every_break():
    mesh = weave(_wavy, 4.0, breaks=(0.0, 0.31, 0.77, 1.0))
    for rise in (0.31, 0.77, 1.0):
        assert (np.abs(mesh.vertices[:, 2] - 140.0 * rise) < 1e-9).sum() > 50


def test_the_same_formula_gives_the_same_bytes():
    one, two = weave(_wavy, 4.0), weave(_wavy, 4.0)
    assert one.vertices.tobytes() == two.vertices.tobytes()
    assert one.faces.tobytes() == two.faces.tobytes()


def test_mirrored_twice_is_where_it_began():
    mesh = capsule(edge_mm=6.0)
    other = mirrored(mesh)
    assert np.array_equal(other.vertices * [-1.0, 1.0, 1.0], mesh.vertices)
    assert_sound(other, least_angle=34.0)
    assert np.array_equal(mirrored(other).vertices, mesh.vertices)
    assert np.array_equal(mirrored(other).faces, mesh.faces)
