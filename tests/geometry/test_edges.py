"""Edge topology against solids whose edges are known, and against a slow count in plain Python."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rectify.errors import MeshError
from rectify.geometry import edges
from rectify.geometry.fans import lesser_fans
from rectify.geometry.mesh import Faces, Mesh

TETRAHEDRON = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])  # outward for the corners below
CORNERS = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])


def tetrahedron() -> Mesh:
    return Mesh(CORNERS, TETRAHEDRON.astype(np.int64))


def tube(sides: int = 12, rings: int = 5) -> Mesh:
    """A wall open at both ends, outward, standing on z = 0, radius 50 mm, 100 mm high."""
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    level = np.linspace(0, 100, rings)
    points = np.stack(
        [np.tile(50 * np.cos(angle), rings), np.tile(50 * np.sin(angle), rings), np.repeat(level, sides)],
        axis=1,
    )
    here, there = np.arange(sides), (np.arange(sides) + 1) % sides
    row = np.arange(rings - 1)[:, None] * sides
    lower = np.stack([row + here, row + there, row + sides + there], axis=-1).reshape(-1, 3)
    upper = np.stack([row + here, row + sides + there, row + sides + here], axis=-1).reshape(-1, 3)
    return Mesh(points, np.concatenate([lower, upper]).astype(np.int64))


def without(mesh: Mesh, *faces: int) -> Mesh:
    return Mesh(mesh.vertices, np.delete(mesh.faces, faces, axis=0))


def beside(*meshes: Mesh) -> Mesh:
    offset = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes])
    faces = [mesh.faces + start for mesh, start in zip(meshes, offset, strict=False)]
    return Mesh(np.concatenate([mesh.vertices for mesh in meshes]), np.concatenate(faces))


def counted_slowly(faces: Faces) -> Counter[tuple[int, int]]:
    """How often each directed edge occurs, one face after the other."""
    tally: Counter[tuple[int, int]] = Counter()
    for a, b, c in faces.tolist():
        if len({a, b, c}) == 3:
            tally.update([(a, b), (b, c), (c, a)])
    return tally


def test_a_tetrahedron_is_watertight_with_six_edges():
    found = edges.survey(tetrahedron())
    assert found.watertight
    assert (found.edge_count, found.euler, found.body_count) == (6, 2, 1)
    assert edges.is_closed(tetrahedron())
    assert edges.border_loops(tetrahedron()) == []


def test_a_missing_face_leaves_its_own_three_edges_as_the_border():
    mesh = without(tetrahedron(), 0)
    found = edges.survey(mesh)
    assert not found.closed and found.oriented and found.manifold
    # the lost face was 0 2 1; its neighbours run the edges the other way
    assert sorted(map(tuple, found.border.tolist())) == [(0, 1), (1, 2), (2, 0)]
    assert [ring.tolist() for ring in edges.border_loops(mesh)] == [[0, 1, 2]]
    assert not edges.is_closed(mesh)


def test_a_face_that_closes_the_hole_runs_the_ring_backwards():
    mesh = without(tetrahedron(), 0)
    (ring,) = edges.border_loops(mesh)
    closed = Mesh(mesh.vertices, np.concatenate([mesh.faces, ring[::-1][None, :]]))
    assert edges.survey(closed).watertight


def test_a_tube_has_two_rings_the_longer_first_and_the_surface_to_the_left():
    sides = 12
    mesh = tube(sides)
    wider = mesh.vertices.copy()
    wider[wider[:, 2] == 100.0, :2] *= 1.5
    top, bottom = edges.border_loops(mesh.with_vertices(wider))
    assert set(wider[top][:, 2]) == {100.0} and set(wider[bottom][:, 2]) == {0.0}
    assert len(top) == len(bottom) == sides
    assert top[0] == top.min() and bottom[0] == bottom.min()

    def turning(ring):  # twice the signed area seen from +z
        x, y = wider[ring, 0], wider[ring, 1]
        return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())

    # outside the tube, the wall is to the left of the lower rim when walking anticlockwise seen from above
    assert turning(bottom) > 0 > turning(top)


def test_rings_that_touch_in_a_vertex_are_told_apart():
    # two triangles removed from a plane sheet, sharing one vertex only
    n = 5
    x, y = np.meshgrid(np.arange(n), np.arange(n))
    points = np.stack([x.ravel(), y.ravel(), np.zeros(n * n)], axis=1).astype(float)
    faces = []
    for row in range(n - 1):
        for column in range(n - 1):
            a = row * n + column
            faces += [(a, a + 1, a + n + 1), (a, a + n + 1, a + n)]
    sheet = Mesh(points, np.array(faces))
    first, second = faces.index((6, 7, 12)), faces.index((12, 18, 17))
    rings = edges.border_loops(without(sheet, first, second))
    assert sorted(len(ring) for ring in rings) == [3, 3, 4 * (n - 1)]
    assert all(len(set(ring.tolist())) == len(ring) for ring in rings)
    assert {frozenset(ring.tolist()) for ring in rings if len(ring) == 3} == {
        frozenset({6, 7, 12}),
        frozenset({12, 17, 18}),
    }


def test_an_inside_out_face_is_found_by_its_edges():
    faces = tetrahedron().faces.copy()
    faces[1] = faces[1][::-1]
    found = edges.survey(Mesh(CORNERS, faces))
    assert found.closed and not found.oriented and not found.watertight
    assert sorted(map(tuple, found.inconsistent.tolist())) == [(0, 1), (0, 3), (1, 3)]


def test_a_border_that_does_not_close_names_the_place_and_the_reason():
    mesh = tube(rings=3)
    faces = mesh.faces.copy()
    faces[0] = faces[0][::-1]  # a face at the rim
    with pytest.raises(MeshError, match=r"border does not close at 2 vertices.*\n.*faces that disagree"):
        edges.border_loops(Mesh(mesh.vertices, faces))


def test_a_third_face_at_an_edge_is_crowded():
    fin = np.array([[0, 1, 4]])
    mesh = Mesh(np.vstack([CORNERS, [0.5, -1.0, 0.0]]), np.concatenate([TETRAHEDRON, fin]))
    found = edges.survey(mesh)
    assert not found.manifold and not found.closed
    assert found.crowded.tolist() == [[0, 1]]
    assert len(found.border) == 2


def test_faces_without_area_are_counted_and_passed_over():
    mesh = Mesh(CORNERS, np.concatenate([[[1, 1, 2]], TETRAHEDRON, [[3, 0, 3]]]))
    found = edges.survey(mesh)
    assert found.degenerate.tolist() == [0, 5]
    assert found.closed and not found.watertight and found.body_count == 1
    assert found.euler == 2
    assert edges.bodies(mesh).tolist() == [-1, 0, 0, 0, 0, -1]


def test_a_face_there_twice_is_a_duplicate_whichever_way_round():
    mesh = Mesh(CORNERS, np.concatenate([TETRAHEDRON, [[1, 0, 2]], [[3, 0, 1]], [[1, 1, 2]], [[2, 1, 1]]]))
    found = edges.survey(mesh)
    assert found.duplicate.tolist() == [4, 5]
    assert not found.watertight


def test_duplicates_are_found_where_three_indices_do_not_fit_one_word():
    points = np.zeros((2**21 + 1, 3))
    last = len(points) - 1
    faces = np.array([[0, 1, last], [1, 2, last], [last, 0, 1], [2, 1, last], [3, 4, 5]])
    assert edges._duplicates(faces, len(points)).tolist() == [2, 3]


def test_bodies_are_numbered_by_size():
    mesh = beside(tetrahedron(), tube(), tetrahedron())
    label = edges.bodies(mesh)
    assert edges.survey(mesh).body_count == 3
    assert set(label[:4]) == {1} and set(label[4:-4]) == {0} and set(label[-4:]) == {2}


def test_bodies_that_touch_in_a_vertex_only_stay_two():
    second = TETRAHEDRON + 3  # its corner 0 is the first one's corner 3
    mesh = Mesh(np.concatenate([CORNERS, CORNERS[1:] + CORNERS[3]]), np.concatenate([TETRAHEDRON, second]))
    assert edges.survey(mesh).body_count == 2


def test_a_vertex_without_faces_is_unused():
    mesh = Mesh(np.vstack([CORNERS, [9.0, 9.0, 9.0]]), tetrahedron().faces)
    found = edges.survey(mesh)
    assert found.unused.tolist() == [4]
    assert found.euler == 2


def test_a_mesh_without_faces_is_open_and_has_no_bodies():
    for points in (np.empty((0, 3)), CORNERS):
        empty = Mesh(points, np.empty((0, 3), dtype=np.int64))
        found = edges.survey(empty)
        assert (found.closed, found.watertight, found.edge_count, found.body_count) == (False, False, 0, 0)
        assert len(found.unused) == len(points)
        assert edges.border_loops(empty) == [] and len(edges.bodies(empty)) == 0
        assert not edges.is_closed(empty)


@pytest.mark.parametrize("corner", [-1, 4])
def test_a_face_out_of_range_is_named(corner):
    faces = np.concatenate([TETRAHEDRON, [[0, 1, corner]]])
    text = r"face 4 names a vertex that does not exist\n.*0 to 3.*found: 0 1 " + str(corner)
    with pytest.raises(MeshError, match=text):
        edges.survey(Mesh(CORNERS, faces))


def test_the_last_vertex_is_just_inside_the_range():
    assert edges.survey(Mesh(CORNERS, np.array([[0, 1, 3]]))).edge_count == 3


def test_packed_and_unpacked_sorts_agree():
    mesh = without(tube(), 3, 17)
    faces = np.concatenate([mesh.faces, mesh.faces[5:9], mesh.faces[5:9, ::-1]])  # and some faces several times
    small = edges._sorted_edges(*faces.T, 16)
    large = edges._sorted_edges(*faces.T, 30)  # forces the slow way: 61 bits and the face's number do not fit
    assert np.array_equal(small[1], large[1])
    assert np.array_equal(small[0] >> np.uint64(17), large[0] >> np.uint64(31))


@pytest.mark.parametrize("seed", range(40))
def test_a_disc_has_one_opening_no_handle_and_no_vertex_that_pieces_hang_in(seed):
    # holes punched at random, some of which meet in a vertex, some of which cut pieces off
    rng = np.random.default_rng(seed)
    mesh = tube()
    mesh = Mesh(mesh.vertices, mesh.faces[rng.random(len(mesh.faces)) > rng.choice([0.0, 0.01, 0.3, 0.9])])
    if len(mesh.faces) > 3 and seed % 2:
        start = mesh.vertices[rng.integers(len(mesh.vertices))]
        near = np.linalg.norm(mesh.vertices[mesh.faces].mean(axis=1) - start, axis=1) < rng.uniform(20.0, 60.0)
        mesh = Mesh(mesh.vertices, mesh.faces[near])
    found = edges.survey(mesh)
    one_sheet = found.body_count == 1 and len(edges.border_loops(mesh)) == 1 and not len(lesser_fans(mesh.faces)[0])
    assert found.disc == (one_sheet and found.euler == 1)
    if found.disc:
        assert sorted(edges.border_loops(mesh)[0].tolist()) == np.unique(found.border).tolist()


def test_discs_and_what_are_none():
    rim = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 4]])
    assert edges.survey(Mesh(np.arange(15.0).reshape(5, 3), rim)).disc
    bow = np.array([[0, 1, 2], [0, 3, 4]])  # two triangles that hang together in a vertex
    assert not edges.survey(Mesh(np.arange(15.0).reshape(5, 3), bow)).disc
    assert not edges.survey(Mesh(CORNERS, TETRAHEDRON)).disc
    assert not edges.survey(Mesh(CORNERS, np.zeros((0, 3), dtype=np.int64))).disc
    # open once, but pinched in the vertex 0: a ring of faces whose two ends share it
    ring = np.array([[0, 1, 2], [2, 1, 3], [2, 3, 4], [4, 3, 0]])
    assert not edges.survey(Mesh(np.arange(15.0).reshape(5, 3), ring)).disc


@given(st.lists(st.tuples(*[st.integers(0, 7)] * 3), max_size=25))
def test_any_heap_of_faces_is_counted_as_by_hand(triples):
    faces = np.array(triples, dtype=np.int64).reshape(-1, 3)
    found = edges.survey(Mesh(np.arange(24.0).reshape(8, 3), faces))
    directed = counted_slowly(faces)
    together = Counter({(a, b): directed[a, b] + directed[b, a] for a, b in directed})
    undirected = {tuple(sorted(edge)): count for edge, count in together.items()}
    assert found.edge_count == len(undirected)
    assert sorted(map(tuple, found.border.tolist())) == sorted(e for e in directed if together[e] == 1)
    assert sorted(map(tuple, found.crowded.tolist())) == sorted(e for e, c in undirected.items() if c > 2)
    same_way = [e for e, c in undirected.items() if c == 2 and directed[e] != 1]
    assert sorted(map(tuple, found.inconsistent.tolist())) == sorted(same_way)
    assert found.closed == (bool(undirected) and all(c == 2 for c in undirected.values()))
    # pieces by plain search over shared edges
    corners = {i: set(map(frozenset, [(a, b), (b, c), (c, a)])) for i, (a, b, c) in enumerate(triples)}
    todo = {i for i, (a, b, c) in enumerate(triples) if len({a, b, c}) == 3}
    pieces = 0
    while todo:
        pieces += 1
        reach = [todo.pop()]
        while reach:
            near = {j for j in todo if corners[j] & corners[reach[-1]]}
            reach.pop()
            todo -= near
            reach.extend(near)
    assert found.body_count == pieces
