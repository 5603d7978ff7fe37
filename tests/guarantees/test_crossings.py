"""The shortcut of the crossing test never misses: on folded walls it finds what the test of every face finds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline

from rectify.geometry.cap import cap_opening, closed
from rectify.geometry.crossings import Spine, crossing_faces, crossing_near
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Mesh
from rectify.synthetic import capsule
from tests.guarantees.folds import BODIES, FOLDS, UP, Wall, wall
from tests.guarantees.tier import examples, often

SPINE = Spine(np.array([0.0, 0.0, -150.0]), UP)


def both_ways(body: Wall, mesh: Mesh) -> tuple[list[int], list[int]]:
    """Crossing faces by the shortcut, and by looking at every face."""
    return crossing_faces(mesh, body.spine, body.edges).tolist(), crossing_faces(mesh).tolist()


@pytest.mark.parametrize("kind", FOLDS)
def test_a_planted_fold_is_found_whatever_its_kind(kind, tell):
    walls, crossed = 0, 0
    for name in BODIES:
        body = wall(name)
        for seed in range(often(5)):
            rng = np.random.default_rng([seed, list(FOLDS).index(kind), list(BODIES).index(name)])
            mesh = body.mesh.with_vertices(FOLDS[kind](body, body.mesh.vertices.copy(), rng))
            few, all_of_them = both_ways(body, mesh)
            assert few == all_of_them, f"{kind} on {name}, seed {seed}"
            walls, crossed = walls + 1, crossed + bool(all_of_them)
    assert crossed >= 2  # otherwise nothing was planted
    tell(f"crossings, {kind}: {walls} walls, {crossed} of them folded, none missed")


@examples(60)
@given(
    st.sampled_from(list(BODIES)), st.lists(st.sampled_from(list(FOLDS)), min_size=2, max_size=4), st.integers(0, 2**32)
)
def test_several_folds_at_once_are_all_found(name, kinds, seed):
    body, rng = wall(name), np.random.default_rng(seed)
    v = body.mesh.vertices.copy()
    for kind in kinds:
        v = FOLDS[kind](body, v, rng)
    few, all_of_them = both_ways(body, body.mesh.with_vertices(v))
    assert few == all_of_them


@pytest.mark.parametrize("edge_mm", [6.0, 9.0, 14.0])
def test_a_pinch_at_the_pole_of_a_coarse_wall_is_found(edge_mm):
    # a face about the pole, and a long one beside the end, lie deeper in their middle than at their corners
    mesh, found = capsule(50.0, 150.0, edge_mm, 60.0), 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        v = mesh.vertices.copy()
        low = np.argsort(v[:, 2])[: rng.integers(6, 40)]
        middle = v[low].mean(axis=0)
        v[low] = middle + (v[low] - middle) * rng.uniform(-1.2, 0.6, 3) + rng.normal(size=3) * rng.uniform(0.0, 25.0)
        pinched = mesh.with_vertices(v)
        expected = crossing_faces(pinched).tolist()
        assert crossing_faces(pinched, SPINE).tolist() == expected, seed
        found += bool(expected)
    assert found > 10


def finger(edge_mm: float) -> Mesh:
    """A capsule from whose front a hollow finger grows, bends round, comes back in through the wall and ends about
    the spine, thicker there than where it passes the wall."""
    mesh = capsule(50.0, 150.0, edge_mm, 60.0)
    v, at, reach = mesh.vertices.copy(), np.array([0.0, 50.0, -60.0]), 12.0
    away = np.linalg.norm(v - at, axis=1)
    own = away < reach
    s, turn = 1.0 - away[own] / reach, np.arctan2(v[own, 0], v[own, 2] + 60.0)
    way = [[0, 50], [0, 62], [3, 76], [18, 90], [36, 84], [42, 66], [34, 44], [17, 22], [0, 0], [-6, -8]]
    middle = CubicSpline(np.linspace(0.0, 1.0, len(way)), np.array(way, dtype=float))
    along = middle(s, 1)
    along /= np.linalg.norm(along, axis=1)[:, None]
    thick = np.interp(s, [0.0, 0.1, 0.3, 0.55, 0.7, 0.86, 0.97, 1.0], [reach, 5.0, 3.0, 3.0, 16.0, 22.0, 22.0, 0.0])
    side = np.column_stack([along[:, 1], -along[:, 0]])
    v[own, :2] = middle(s) + side * (thick * np.sin(turn))[:, None]
    v[own, 2] = -60.0 + thick * np.cos(turn)
    return mesh.with_vertices(v)


def test_a_finger_that_comes_back_in_and_passes_the_spine_is_found():
    # about the spine the surface then lies twice round, and rays that leave it meet outward faces only
    mesh = finger(1.5)
    expected = crossing_faces(mesh).tolist()
    assert len(expected) > 100
    assert crossing_faces(mesh, SPINE).tolist() == expected


def test_a_wall_that_winds_twice_is_looked_at_whole():
    # every face looks outward, and yet each ray is covered twice
    mesh = capsule(50.0, 150.0, 9.0, 60.0)
    x, y, z = mesh.vertices.T
    turn = np.arctan2(x, y)
    far = np.hypot(x, y) * (1.0 + 0.08 * np.sin(turn) * np.clip((z + 190.0) / 60.0, 0.0, 1.0))
    twice = mesh.with_vertices(np.column_stack([far * np.sin(2 * turn), far * np.cos(2 * turn), z]))
    expected = crossing_faces(twice).tolist()
    assert len(expected) > 100
    assert crossing_faces(twice, SPINE).tolist() == expected


@pytest.mark.parametrize("back_mm", [2.0, 8.0, 30.0])
@pytest.mark.parametrize("through", [False, True])
def test_an_edge_that_doubles_back_is_looked_at_whole(back_mm, through):
    # a tongue of the upper edge laid aside over its neighbour, outside of it or through it
    mesh = capsule(50.0, 150.0, 5.0, 60.0)
    v = mesh.vertices.copy()
    turn, high = np.arctan2(v[:, 0], v[:, 1]), np.clip((v[:, 2] - 30.0) / 30.0, 0.0, 1.0)
    tongue = high * np.exp(-((turn / 0.25) ** 2))
    far = 1.0 + (0.0 if through else 0.12) * tongue + 0.03 * tongue * np.sin(3 * turn) * through
    turned = turn + tongue * back_mm / 10.0
    v[:, 0], v[:, 1] = 50.0 * far * np.sin(turned), 50.0 * far * np.cos(turned)
    low = mesh.vertices[:, 2] < 30.0
    v[low] = mesh.vertices[low]
    laid = mesh.with_vertices(v)
    expected = crossing_faces(laid).tolist()
    assert crossing_faces(laid, SPINE).tolist() == expected
    assert bool(expected) == (back_mm > 5.0 and (through or back_mm > 20.0))


@examples(20)
@given(st.sampled_from(["capsule, 6 mm", "transtibial"]), st.sampled_from(list(FOLDS)), st.integers(0, 2**32))
def test_with_the_membrane_what_is_left_out_never_crosses_either(name, kind, seed):
    body, rng = wall(name), np.random.default_rng(seed)
    cap = cap_opening(body.mesh)
    mesh = body.mesh.with_vertices(FOLDS[kind](body, body.mesh.vertices.copy(), rng))
    model = closed(mesh, cap)
    found = np.union1d(crossing_faces(mesh, body.spine, [cap.loop]), crossing_near(model, len(mesh.faces)))
    assert found.tolist() == crossing_faces(model).tolist()


def test_sound_walls_are_not_looked_at_at_all(monkeypatch):
    # else the shortcut would be none
    from rectify.geometry import crossings

    looked = []

    def count(mesh, suspects):
        looked.append(len(suspects) / len(mesh.faces))
        return suspects[:0]

    monkeypatch.setattr(crossings, "_exact", count)
    for name in ("capsule, 6 mm", "transtibial"):
        body = wall(name)
        assert len(border_loops(body.mesh)) == 1
        crossing_faces(body.mesh, body.spine, body.edges)
        assert looked.pop() < 0.1, name


# two faces of a wall that was made flat: exactly in one plane, beside each other, with one corner in common
TOUCHING = [
    ["0x1.8928e0d127c7ep+4", "0x1.89446c56d89bfp+5", "0x1.ac176566b3a56p+2"],
    ["0x1.cf5859c23f24dp+4", "0x1.7d99fa5e4a97ap+5", "0x1.b2d7fddfaf30fp+2"],
    ["0x1.b2329ecc09daap+4", "0x1.84c4a05e11728p+5", "0x1.381e61ca121bfp+1"],
    ["0x1.43a09287f5b1cp+4", "0x1.92884765f4106p+5", "0x1.5aed368a936cdp+3"],
    ["0x1.8c7bdc969c7b7p+4", "0x1.866d290d33756p+5", "0x1.5e33c5b064ea7p+3"],
]


def test_flat_neighbours_that_touch_at_a_corner_do_not_cross_and_folded_ones_do():
    v = np.array([[float.fromhex(x) for x in row] for row in TOUCHING])
    faces = np.array([[0, 1, 2], [3, 4, 0]])
    assert crossing_faces(Mesh(v, faces)).tolist() == []
    for of in ([2, 1], [1, 2]):  # the second laid over the first, in their plane, either way up
        over = v.copy()
        over[[3, 4]] = v[0] + 0.9 * (v[of] - v[0]) + 0.05 * (v[of[::-1]] - v[0])
        assert crossing_faces(Mesh(over, faces)).tolist() == [0, 1]
    pierced = v.copy()
    pierced[[3, 4]] = (v[0] + v[1] + v[2]) / 3 + np.array([[0.0, 5.0, 0.0], [0.0, -5.0, 0.0]])
    assert crossing_faces(Mesh(pierced, faces)).tolist() == [0, 1]
