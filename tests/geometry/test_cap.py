"""Closing an open edge: no vertex added, outward, the same on a mirrored surface."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.errors import MeshError
from rectify.geometry.cap import cap_faces, cap_loop
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Mesh
from rectify.geometry.normals import face_areas
from rectify.geometry.volume import volume
from rectify.synthetic import bent_tube, capped_cone, capsule, mirrored, sphere, tube
from tests.made import assert_sound

OPEN = {
    "capsule": capsule(edge_mm=5.0),
    "capped cone": capped_cone(edge_mm=5.0),
    "bent tube": bent_tube(edge_mm=5.0),
    "two-ended tube": tube(end="open", edge_mm=5.0),
}


def closed(mesh, **options):
    return Mesh(mesh.vertices, np.concatenate([mesh.faces, cap_faces(mesh, **options)]))


@pytest.mark.parametrize("shape", OPEN)
@pytest.mark.parametrize("mirror", [False, True])
def test_a_capped_surface_is_closed_and_outward(shape, mirror):
    assert_sound(closed(OPEN[shape], mirror=mirror))


def test_generated_limbs_are_closed_over_their_oblique_and_wavy_edges(transtibial_limb, transfemoral_limb):
    for limb in (transtibial_limb, transfemoral_limb):
        assert_sound(closed(limb.mesh))


def test_a_cap_lies_on_its_edge_and_covers_it_once():
    mesh = OPEN["capsule"]
    cap = cap_faces(mesh)
    loop = border_loops(mesh)[0]
    assert set(cap.ravel()) == set(loop.tolist())  # no vertex but the edge's
    assert len(cap) == len(loop) - 2  # any triangulation of a polygon
    n = len(loop)
    assert face_areas(mesh.vertices, cap).sum() == pytest.approx(n / 2 * 50.0**2 * np.sin(2 * np.pi / n), rel=1e-9)
    cross = np.cross(
        mesh.vertices[cap[:, 1]] - mesh.vertices[cap[:, 0]], mesh.vertices[cap[:, 2]] - mesh.vertices[cap[:, 0]]
    )
    assert (cross[:, 2] > 0).all()  # the top faces up


@pytest.mark.parametrize("name", ["transtibial_limb", "transfemoral_limb"])
def test_a_mirrored_limb_is_closed_by_the_mirrored_faces(name, request):
    mesh = request.getfixturevalue(name).mesh
    one, two = cap_faces(mesh), cap_faces(mirrored(mesh), mirror=True)
    # the same triples, each the other way round
    assert {tuple(sorted(face)) for face in one.tolist()} == {tuple(sorted(face)) for face in two.tolist()}
    assert_sound(closed(mirrored(mesh), mirror=True))
    other = closed(mirrored(mesh), mirror=True)
    assert volume(other.vertices, other.faces) == pytest.approx(
        volume(mesh.vertices, np.concatenate([mesh.faces, one])), rel=1e-12
    )


def test_the_same_edge_gives_the_same_faces_wherever_the_loop_starts():
    mesh = OPEN["capped cone"]
    loop = border_loops(mesh)[0]
    assert np.array_equal(cap_loop(mesh, loop), cap_loop(mesh, np.roll(loop, 11)))


def test_the_same_edge_gives_the_same_faces_in_another_pose():
    mesh = OPEN["bent tube"]
    turned = mesh.with_vertices(mesh.vertices[:, [1, 2, 0]] + [300.0, -20.0, 7.0])  # a proper turn, exact in floats
    one, two = (
        {tuple(sorted(face)) for face in cap_faces(m).tolist()} for m in (mesh, turned)
    )
    assert len(one) == len(two)
    assert_sound(closed(turned))


def test_a_closed_surface_needs_no_cap():
    assert cap_faces(sphere(edge_mm=8.0)).shape == (0, 3)


def test_an_edge_that_crosses_itself_is_refused_with_its_place():
    # a strip whose upper edge is pulled into a loop: flat, it runs over itself
    mesh = OPEN["capsule"]
    loop = border_loops(mesh)[0]
    v = mesh.vertices.copy()
    one, two = loop[0], loop[len(loop) // 2]
    v[[one, two], :2] = v[[two, one], :2]
    with pytest.raises(MeshError, match="crosses itself when laid flat") as error:
        cap_faces(mesh.with_vertices(v))
    assert f"{len(loop)} points" in error.value.found
    assert "trim the top" in error.value.hint
