"""A lighter surface: vertices kept where they lay, about as many faces as wanted, the same shape, no new holes."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from rectify.geometry.edges import survey
from rectify.geometry.mesh import Mesh
from rectify.geometry.nearest import nearest
from rectify.synthetic import Transtibial, capsule, transtibial
from rectify.viewer.simplify import view_mesh


def shown(mesh: Mesh, most: int) -> Mesh:
    view = view_mesh(mesh, most)
    return Mesh(mesh.vertices[view.kept], view.faces)


def test_a_small_surface_is_shown_as_it_is() -> None:
    mesh = capsule(edge_mm=5.0)
    view = view_mesh(mesh, len(mesh.faces))
    assert view.faces is mesh.faces and np.array_equal(view.kept, np.arange(len(mesh.vertices)))
    assert not view.simplified and view.whole_faces == len(mesh.faces)


@pytest.mark.parametrize("most", [400, 2_000, 6_000])
def test_about_as_many_faces_as_wanted_are_shown_and_never_more(most: int) -> None:
    view = view_mesh(capsule(edge_mm=2.0), most)
    assert view.simplified and 0.75 * most < len(view.faces) <= most
    assert (np.diff(view.kept) > 0).all() and view.faces.max() == len(view.kept) - 1


def test_the_lighter_surface_lies_on_the_whole_one_and_has_its_measures() -> None:
    mesh = transtibial(Transtibial(edge_mm=2.0)).mesh
    light = shown(mesh, 9_000)
    middles = light.vertices[light.faces].mean(axis=1)
    off, _, _ = nearest(middles, mesh.vertices, mesh.faces)
    edge = np.median(np.linalg.norm(light.vertices[light.faces[:, 0]] - light.vertices[light.faces[:, 1]], axis=1))
    # a chord of length e over the limb's sharpest ridges, a radius of some 6 mm, lies e^2 / 8 r below them
    assert np.median(off) < 0.1 and off.max() < edge**2 / (8 * 6.0) + 0.3
    area = trimesh.Trimesh(light.vertices, light.faces, process=False).area
    whole = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).area
    assert area == pytest.approx(whole, rel=0.02)


def test_what_was_one_piece_without_holes_still_is() -> None:
    mesh = transtibial(Transtibial(edge_mm=2.0)).mesh
    light, seen = shown(mesh, 9_000), survey(mesh)
    solid = trimesh.Trimesh(light.vertices, light.faces, process=False)
    loose = trimesh.grouping.group_rows(np.sort(solid.edges, axis=1), require_count=1)
    assert solid.body_count == seen.body_count == 1
    ends = light.vertices[solid.edges[loose].ravel()]
    top = mesh.vertices[:, 2].max()
    assert (ends[:, 2] > top - 12.0).all()  # mm: the only border is the one at the top, three edges deep at most


def test_faces_still_look_outward() -> None:
    light = shown(capsule(edge_mm=2.0), 3_000)
    a, b, c = (light.vertices[light.faces[:, i]] for i in range(3))
    normal = np.cross(b - a, c - a)
    from_axis = (a + b + c) / 3 * np.array([1.0, 1.0, 0.0])
    wall = np.linalg.norm(from_axis, axis=1) > 40.0  # mm of a radius of 50
    assert (np.einsum("ij,ij->i", normal, from_axis)[wall] > 0).all()


def test_the_order_of_the_faces_changes_nothing() -> None:
    mesh = capsule(edge_mm=2.5)
    turned = Mesh(mesh.vertices, np.random.default_rng(5).permutation(mesh.faces))
    one, other = view_mesh(mesh, 2_000), view_mesh(turned, 2_000)
    assert np.array_equal(one.kept, other.kept) and np.array_equal(one.faces, other.faces)
