"""The signed distance map against closed forms and against another library's exact distances."""

from __future__ import annotations

import numpy as np
import trimesh

from rectify.geometry.mesh import Mesh
from rectify.geometry.signed import Tree, reach
from rectify.synthetic import sphere
from rectify.synthetic.shapes import tube


def test_a_sphere_about_a_smaller_one_lies_outside_by_the_difference() -> None:
    small, large = sphere(50.0, 2.0), sphere(53.0, 2.0)
    found = reach(small.vertices, large)
    # vertices lie on the spheres; the faces of the larger lie inside it by at most the sagitta of a 2 mm edge and more
    sagitta = 4.0**2 / (8 * 53.0)
    assert (found.outward <= 3.0 + 1e-9).all() and (found.outward >= 3.0 - sagitta).all()
    back = reach(large.vertices, small)
    assert (back.outward <= -3.0 + 1e-9).all() and (back.outward >= -3.0 - sagitta).all()
    assert not found.on_border.any()


def test_a_sphere_beside_itself_is_nearer_on_one_side_and_farther_on_the_other() -> None:
    # the distance from a point p of a sphere about 0 to a sphere about c is |p - c| - r, whatever the triangles
    one = sphere(50.0, 2.0)
    c = np.array([0.0, 2.0, 0.0])
    found = reach(one.vertices, one.with_vertices(one.vertices + c))
    wanted = 50.0 - np.linalg.norm(one.vertices - c, axis=1)
    assert np.abs(found.outward - wanted).max() < 4.0**2 / (8 * 50.0)  # mm, the sagitta of the faces


def solid_angles(points: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    """How often each point is wound round, by Van Oosterom A, Strackee J (1983) IEEE Trans Biomed Eng 30(2):125-126."""
    a, b, c = (triangles[None, :, i] - points[:, None] for i in range(3))
    la, lb, lc = (np.linalg.norm(x, axis=2) for x in (a, b, c))
    top = np.einsum("pti,pti->pt", a, np.cross(b, c))
    dots = [np.einsum("pti,pti->pt", x, y) for x, y in ((a, b), (b, c), (c, a))]
    below = la * lb * lc + dots[0] * lc + dots[1] * la + dots[2] * lb
    return 2.0 * np.arctan2(top, below).sum(axis=1) / (4.0 * np.pi)


def test_distances_agree_with_every_triangle_tried_by_another_library() -> None:
    rng = np.random.default_rng(3)
    mesh = sphere(40.0, 9.0)
    bumpy = mesh.with_vertices(mesh.vertices * (1 + 0.1 * rng.random((len(mesh.vertices), 1))))
    triangles = bumpy.vertices[bumpy.faces]
    points = rng.uniform(-60, 60, (150, 3))
    found = reach(points, bumpy)
    all_pairs = np.tile(triangles, (len(points), 1, 1)), np.repeat(points, len(triangles), axis=0)
    nearest = trimesh.triangles.closest_point(*all_pairs).reshape(len(points), len(triangles), 3)
    least = np.linalg.norm(nearest - points[:, None], axis=2).min(axis=1)
    inside = solid_angles(points, triangles) > 0.5
    assert 0 < inside.sum() < len(points)
    assert np.abs(found.outward - np.where(inside, least, -least)).max() < 1e-9
    near, place, _ = Tree(bumpy).nearest(points)
    assert np.abs(near - least).max() < 1e-9
    assert np.abs(np.linalg.norm(points - place, axis=1) - near).max() < 1e-9


def test_past_an_open_edge_the_nearest_point_is_on_the_border() -> None:
    short, long = tube(50.0, 100.0, 3.0, proximal=30.0), tube(50.0, 100.0, 3.0, proximal=60.0)
    found = reach(long.vertices, short)
    high = short.vertices[:, 2].max()
    beyond = long.vertices[:, 2] > high + 1e-9
    inside = long.vertices[:, 2] < high - 1.0
    assert beyond.any() and inside.any()
    assert found.on_border[beyond].all() and not found.on_border[inside].any()


def test_no_points_give_no_distances() -> None:
    found = reach(np.zeros((0, 3)), Mesh(np.eye(3), np.array([[0, 1, 2]])))
    assert found.outward.shape == (0,) and found.place.shape == (0, 3) and found.on_border.shape == (0,)
