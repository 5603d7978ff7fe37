"""Closing an open edge: the surface's vertices stay, outward, the same on a mirrored surface and on a moved edge."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rectify.errors import MeshError
from rectify.geometry.cap import cap_opening, closed, survey_closed
from rectify.geometry.edges import border_loops, survey
from rectify.geometry.mesh import Mesh
from rectify.geometry.normals import face_areas, face_cross
from rectify.geometry.volume import volume
from rectify.synthetic import bent_tube, capped_cone, capsule, mirrored, sphere, tube
from tests.made import assert_sound

OPEN = {
    "capsule": capsule(edge_mm=5.0),
    "capped cone": capped_cone(edge_mm=5.0),
    "bent tube": bent_tube(edge_mm=5.0),
    "tube with a flat end": tube(edge_mm=5.0),
}


def capped(mesh, **options):
    return closed(mesh, cap_opening(mesh, **options))


@pytest.mark.parametrize("shape", OPEN)
@pytest.mark.parametrize("mirror", [False, True])
def test_a_capped_surface_is_closed_and_outward(shape, mirror):
    assert_sound(capped(OPEN[shape], mirror=mirror))


def test_generated_limbs_are_closed_over_their_oblique_and_wavy_edges(transtibial_limb, transfemoral_limb):
    for limb in (transtibial_limb, transfemoral_limb):
        assert_sound(capped(limb.mesh))


def test_the_surface_comes_first_and_keeps_its_bits():
    mesh = OPEN["bent tube"]
    model = capped(mesh)
    assert np.array_equal(model.vertices[: len(mesh.vertices)], mesh.vertices)
    assert np.array_equal(model.faces[: len(mesh.faces)], mesh.faces)
    assert (model.faces[len(mesh.faces) :].ravel() >= 0).all()
    assert set(range(len(model.vertices))) == set(model.faces.ravel().tolist())  # every new vertex is used


def test_over_a_flat_edge_the_membrane_is_flat_covers_it_once_and_faces_up():
    mesh = OPEN["capsule"]
    model = capped(mesh)
    lid = model.faces[len(mesh.faces) :]
    n = len(border_loops(mesh)[0])
    assert face_areas(model.vertices, lid).sum() == pytest.approx(n / 2 * 50.0**2 * np.sin(2 * np.pi / n), rel=1e-9)
    assert model.vertices[np.unique(lid), 2] == pytest.approx(60.0, abs=1e-9)
    assert (face_cross(model.vertices, lid)[:, 2] > 0).all()


def test_over_an_oblique_edge_the_membrane_is_the_plane_of_the_edge():
    # harmonic functions keep linear ones: cut obliquely by a plane, the opening is closed by that plane
    mesh = OPEN["capsule"]
    v = mesh.vertices.copy()
    high = v[:, 2] > 0
    v[high, 2] += 0.4 * v[high, 1] * v[high, 2] / 60.0
    model = capped(mesh.with_vertices(v))
    lid = np.unique(model.faces[len(mesh.faces) :])
    assert model.vertices[lid, 2] == pytest.approx(60.0 + 0.4 * model.vertices[lid, 1], abs=1e-7)


def test_the_membrane_stays_between_the_highest_and_lowest_of_its_edge(transfemoral_limb):
    edge, own = transfemoral_limb.edge, transfemoral_limb.cap.points(transfemoral_limb.mesh.vertices)
    assert own[:, 2].min() >= edge[:, 2].min() - 1e-6 and own[:, 2].max() <= edge[:, 2].max() + 1e-6
    assert transfemoral_limb.cap.film.over(np.ones_like(edge)) == pytest.approx(1.0, abs=1e-9)


def test_a_moved_edge_takes_the_membrane_along():
    mesh = OPEN["capped cone"]
    cap = cap_opening(mesh)
    turn = np.array([[0.8, -0.6, 0.0], [0.6, 0.8, 0.0], [0.0, 0.0, 1.0]])
    moved = mesh.vertices @ turn.T + [3.0, -2.0, 7.0]
    assert cap.points(moved) == pytest.approx(cap.points(mesh.vertices) @ turn.T + [3.0, -2.0, 7.0], abs=1e-9)


@pytest.mark.parametrize("name", ["transtibial_limb", "transfemoral_limb"])
def test_a_mirrored_limb_is_closed_by_the_mirrored_membrane(name, request):
    mesh = request.getfixturevalue(name).mesh
    one, two = cap_opening(mesh), cap_opening(mirrored(mesh), mirror=True)
    # the same triples, each the other way round
    assert {tuple(sorted(face)) for face in one.faces.tolist()} == {tuple(sorted(f)) for f in two.faces.tolist()}
    assert np.abs(two.points(mirrored(mesh).vertices) * [-1, 1, 1] - one.points(mesh.vertices)).max() < 1e-9
    model = closed(mirrored(mesh), two)
    assert_sound(model)
    assert volume(model) == pytest.approx(volume(closed(mesh, one)), rel=1e-12)


def test_the_same_edge_gives_the_same_membrane_wherever_its_loop_starts():
    mesh = OPEN["capped cone"]
    loop = border_loops(mesh)[0]
    one, two = cap_opening(mesh, loop=loop), cap_opening(mesh, loop=np.roll(loop, 11))
    assert np.array_equal(one.faces, two.faces)
    assert np.array_equal(one.points(mesh.vertices), two.points(mesh.vertices))


def test_in_another_pose_the_surface_is_closed_as_soundly():
    mesh = OPEN["bent tube"]
    turned = mesh.with_vertices(mesh.vertices[:, [1, 2, 0]] + [300.0, -20.0, 7.0])
    assert_sound(capped(turned))
    assert volume(capped(turned)) == pytest.approx(volume(capped(mesh)), rel=1e-4)  # other triangles over a flat top


def test_without_a_single_opening_there_is_none_to_close_by_itself():
    for mesh, number in ((sphere(edge_mm=8.0), "0"), (tube(end="open", edge_mm=6.0), "2")):
        with pytest.raises(MeshError, match="no single opening") as error:
            cap_opening(mesh)
        assert error.value.found == number


def test_of_two_openings_each_can_be_closed():
    mesh = tube(end="open", edge_mm=5.0)
    for loop in border_loops(mesh):
        mesh = Mesh(*_arrays(closed(mesh, cap_opening(mesh, loop=loop))))
    assert_sound(mesh)


def _arrays(mesh):
    return mesh.vertices, mesh.faces


def test_an_edge_that_crosses_itself_is_refused_with_its_place():
    mesh = OPEN["capsule"]
    loop = border_loops(mesh)[0]
    v = mesh.vertices.copy()
    one, two = loop[0], loop[len(loop) // 2]
    v[[one, two], :2] = v[[two, one], :2]  # flat, it runs over itself
    with pytest.raises(MeshError, match="crosses itself when laid flat") as error:
        cap_opening(mesh.with_vertices(v))
    assert f"{len(loop)} points" in error.value.found
    assert "trim the top" in error.value.hint


def test_a_surface_and_its_membrane_are_surveyed_as_the_whole_is():
    wall = capsule(50.0, 100.0, 8.0, 40.0)
    cap = cap_opening(wall)
    whole = survey(closed(wall, cap))
    assert survey_closed(wall, cap) == (True, 1) == (whole.watertight, whole.body_count)
    # a membrane with a hole, one turned over, one laid twice, one that touches the wall, and a wall with a hole
    border = np.isin(cap.faces, cap.loop).sum(axis=1)
    inner = int(np.flatnonzero(border == 0)[0])
    touching = cap.faces.copy()
    touching[touching == cap.faces[inner, 0]] = int(np.setdiff1d(np.arange(len(wall.vertices)), cap.loop)[0])
    spoilt = [
        (wall, replace(cap, faces=np.delete(cap.faces, inner, axis=0))),
        (wall, replace(cap, faces=cap.faces[:, ::-1])),
        (wall, replace(cap, faces=np.concatenate([cap.faces, cap.faces[inner : inner + 1]]))),
        (wall, replace(cap, faces=touching)),
        (Mesh(wall.vertices, np.delete(wall.faces, 5, axis=0)), cap),
    ]
    for mesh, over in spoilt:
        whole = survey(closed(mesh, over))
        assert survey_closed(mesh, over) == (whole.watertight, whole.body_count)
    assert not survey_closed(*spoilt[0])[0] and not survey_closed(*spoilt[1])[0] and not survey_closed(*spoilt[4])[0]
