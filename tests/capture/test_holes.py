"""Holes in a wall: which are filled, which are refused, and what is said of them."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.capture.holes import MOST_SHARE, WIDEST_MM, fill_holes
from rectify.errors import MeshError
from rectify.geometry.mesh import Mesh
from rectify.synthetic import capsule
from tests.capture.verdict import unsound


@pytest.fixture(scope="module")
def ball() -> Mesh:
    return capsule(60.0, 140.0, 3.0, 60.0)


def holed(mesh, *holes):
    """Faces whose middle lies within a radius of a point go."""
    from rectify.capture.faces import check_numbers
    from rectify.capture.sheets import unpinch

    middle = mesh.vertices[mesh.faces].mean(axis=1)
    gone = np.zeros(len(middle), dtype=bool)
    for centre, radius in holes:
        gone |= np.linalg.norm(middle - np.array(centre), axis=1) < radius
    return unpinch(check_numbers(Mesh(mesh.vertices, mesh.faces[~gone])))[0]


def test_a_wall_without_holes_is_the_same_object(ball):
    out, new, steps = fill_holes(ball)
    assert out is ball and len(new) == 0 and steps == []


def test_each_hole_is_told_with_width_area_and_place(ball):
    scan = holed(ball, ([60.0, 0.0, -50.0], 14.0), ([0.0, -60.0, -20.0], 4.0), ([0.0, 60.0, -100.0], 4.0))
    out, new, steps = fill_holes(scan)
    assert unsound(out) == []
    assert np.array_equal(out.vertices[: len(scan.vertices)], scan.vertices)
    assert np.array_equal(new, np.arange(len(scan.vertices), len(out.vertices)))
    large, small = steps
    assert large.code == "hole-filled" and large.look
    # mm², mm; faces of 3 mm edges go whole, so the hole is about an edge wider than the ball it was cut with
    assert large.area_mm2 == pytest.approx(np.pi * 14.0**2, rel=0.25)
    assert np.linalg.norm(np.array(large.place) - [60.0, 0.0, -50.0]) < 3.0
    assert small.code == "small-holes-filled" and small.count == 2 and not small.look


def test_the_widest_hole_that_is_filled_and_the_first_that_is_refused(ball):
    out, _, _ = fill_holes(holed(ball, ([60.0, 0.0, -50.0], 0.5 * WIDEST_MM - 3.0)))
    assert unsound(out) == []
    with pytest.raises(MeshError, match="too wide") as caught:
        fill_holes(holed(ball, ([60.0, 0.0, -50.0], 0.5 * WIDEST_MM + 1.5)))
    assert "at most 45 mm, on a limb 12" in str(caught.value)


def test_on_a_thin_limb_less_is_filled():
    thin = capsule(30.0, 140.0, 3.0, 60.0)
    with pytest.raises(MeshError, match="at most 27 mm, on a limb 60 mm wide"):
        fill_holes(holed(thin, ([30.0, 0.0, -50.0], 16.0)))


def test_a_slit_is_sewn_however_long(ball):
    middle = ball.vertices[ball.faces].mean(axis=1)
    slit = (np.abs(middle[:, 0]) < 1.5) & (middle[:, 1] > 0) & (middle[:, 2] < 20.0) & (middle[:, 2] > -110.0)
    from rectify.capture.faces import check_numbers

    out, _, steps = fill_holes(check_numbers(Mesh(ball.vertices, ball.faces[~slit])))
    assert unsound(out) == []
    assert "a hole 13" in steps[0].message
    far = np.hypot(out.vertices[:, 0], out.vertices[:, 1])
    assert far[out.vertices[:, 2] > -130.0].min() > 59.7  # mm; the chord of a slit 6 mm wide is 0.08 mm deep


def test_too_many_holes_are_refused_with_their_share(ball):
    turn = np.arange(4) * np.pi / 2
    many = [([60.0 * np.sin(a), 60.0 * np.cos(a), z], 16.0) for a in turn for z in (-20.0, -70.0)]
    with pytest.raises(MeshError, match="too much of the wall") as caught:
        fill_holes(holed(ball, *many))
    assert "8 holes" in str(caught.value) and "% of the wall" in str(caught.value)
    assert f"{MOST_SHARE:.0%}" in str(caught.value)


def test_an_edge_that_overlaps_itself_is_cut_back_and_then_filled(ball):
    scan = holed(ball, ([60.0, 0.0, -50.0], 9.0))
    border = np.unique(_border(scan))
    hole = border[scan.vertices[border, 2] < 0]
    v = scan.vertices.copy()
    # one vertex of the edge drawn across the hole and over the other side
    one = hole[int(np.argmax(v[hole, 2]))]
    v[one] += np.array([1.5, 0.0, -26.0])
    out, _, steps = fill_holes(scan.with_vertices(v))
    assert unsound(out) == []
    assert len(steps) == 1
    assert np.hypot(out.vertices[:, 0], out.vertices[:, 1]).max() < 60.2  # the drawn vertex is gone


def _border(mesh):
    f = mesh.faces
    half = np.sort(np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]]), axis=1)
    edges, counts = np.unique(half, axis=0, return_counts=True)
    return edges[counts == 1]


def test_a_hole_whose_filling_cannot_help_crossing_the_wall_is_refused(ball, monkeypatch):
    monkeypatch.setattr("rectify.capture.holes._crosses", lambda _: True)
    with pytest.raises(MeshError, match="cannot be filled without passing through the wall") as caught:
        fill_holes(holed(ball, ([60.0, 0.0, -50.0], 5.0)))
    assert "one near (" in str(caught.value)
