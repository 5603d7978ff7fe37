"""Cuts against closed forms, against shapely and manifold3d, and where cutting is delicate."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from rectify.geometry.hulls import hull_extents, hull_perimeters
from rectify.geometry.mesh import Mesh
from rectify.geometry.sections import cut
from rectify.synthetic import capsule, sphere, tube


def prism(ring, heights):
    """A closed polygon (n, 2) drawn up through heights: walls only, outward for a counter-clockwise ring."""
    n = len(ring)
    v = np.concatenate([np.column_stack([ring, np.full(n, z)]) for z in heights])
    i = np.arange(n)
    quads = [np.stack([k * n + i, k * n + (i + 1) % n, (k + 1) * n + (i + 1) % n, (k + 1) * n + i], axis=1)
             for k in range(len(heights) - 1)]
    q = np.concatenate(quads)
    return Mesh(v, np.concatenate([q[:, [0, 1, 2]], q[:, [0, 2, 3]]]).astype(np.int64))


def ellipse(a, b, n=4000):
    turn = np.arange(n) * 2 * np.pi / n
    return np.stack([a * np.cos(turn), b * np.sin(turn)], axis=1)


def levels_of(mesh, *levels):
    return cut(mesh, mesh.vertices[:, 2], np.array(levels, dtype=float))


def star(points=5, outer=50.0, inner=22.0):
    turn = np.arange(2 * points) * np.pi / points
    r = np.where(np.arange(2 * points) % 2 == 0, outer, inner)
    return np.stack([r * np.cos(turn), r * np.sin(turn)], axis=1)


# -- closed forms ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("a", "b", "perimeter"),
    # Ramanujan S (1914) Modular equations and approximations to pi, Q J Math 45:350-372, second formula, checked by
    # numerical integration
    [(60, 50, 346.289559790), (55, 45, 314.945155628), (70, 40, 352.031621973), (100, 25, 428.921088758)],
)
def test_an_ellipse_has_the_published_perimeter(a, b, perimeter):
    found = levels_of(prism(ellipse(a, b), [0.0, 10.0]), 3.3)
    # 4000 chords: short by about (2 pi / 4000)^2 / 24 = 1e-7 of a circle, a few times that at a sharp end
    assert found.perimeters()[0] == pytest.approx(perimeter, rel=1e-6)
    assert hull_perimeters(found.starts[:, :2], found.level_of, 1)[0] == pytest.approx(perimeter, rel=1e-6)


def test_a_polygon_in_a_circle_has_its_own_perimeter_area_and_middle():
    n, r = 36, 50.0
    ring = ellipse(r, r, n) + np.array([7.0, -3.0])
    found = levels_of(prism(ring, [0.0, 4.0, 8.0, 12.0]), 1.7, 6.1, 11.3)
    assert found.perimeters() == pytest.approx(2 * n * r * np.sin(np.pi / n), abs=1e-9)  # mm, rounding only
    area, centroid = found.areas_and_centroids()
    assert area == pytest.approx(n / 2 * r**2 * np.sin(2 * np.pi / n), abs=1e-8)  # mm²
    assert centroid == pytest.approx(np.tile([7.0, -3.0], (3, 1)), abs=1e-10)


def test_an_ellipse_polygon_has_the_affine_area():
    n, a, b = 48, 60.0, 50.0  # an affine image of the regular polygon
    area, _ = levels_of(prism(ellipse(a, b, n), [0.0, 10.0]), 5.5).areas_and_centroids()
    assert area[0] == pytest.approx(n / 2 * a * b * np.sin(2 * np.pi / n), abs=1e-8)


def test_a_tape_bridges_the_hollows_that_the_outline_follows():
    found = levels_of(prism(star(), [0.0, 10.0]), 4.0)
    side = np.hypot(50.0 - 22.0 * np.cos(np.pi / 5), 22.0 * np.sin(np.pi / 5))
    assert found.perimeters()[0] == pytest.approx(10 * side, abs=1e-9)
    hull = hull_perimeters(found.starts[:, :2], found.level_of, 1)[0]
    assert hull == pytest.approx(5 * 2 * 50.0 * np.sin(np.pi / 5), abs=1e-9)  # the pentagon through the tips
    assert hull_extents(found.starts[:, :2], found.level_of, 1)[0] == pytest.approx(
        np.ptp(star(), axis=0), abs=1e-9
    )


def test_two_legs_at_one_level_add_up_and_their_hull_goes_round_both():
    one = prism(ellipse(20.0, 20.0, 90) - np.array([40.0, 0.0]), [0.0, 10.0])
    two = prism(ellipse(20.0, 20.0, 90) + np.array([40.0, 0.0]), [0.0, 10.0])
    both = Mesh(np.concatenate([one.vertices, two.vertices]), np.concatenate([one.faces, two.faces + 180]))
    found = levels_of(both, 5.0)
    assert found.closed.all()
    circle = 2 * 90 * 20.0 * np.sin(np.pi / 90)
    assert found.perimeters()[0] == pytest.approx(2 * circle, abs=1e-9)
    # the belt round two pulleys: one circle and twice the distance; 90 is even, so both ends lie on vertices of the
    # tangents but for half a chord
    hull = hull_perimeters(found.starts[:, :2], found.level_of, 1)[0]
    assert hull == pytest.approx(circle + 160.0, abs=0.1)
    area, centroid = found.areas_and_centroids()
    assert area[0] == pytest.approx(90 * 20.0**2 * np.sin(2 * np.pi / 90), abs=1e-8)
    assert centroid[0] == pytest.approx([0.0, 0.0], abs=1e-10)


# -- open sections --------------------------------------------------------------------------------


def test_a_section_through_a_hole_is_open_and_only_that_one():
    mesh = prism(ellipse(50.0, 50.0, 60), np.arange(0.0, 50.0, 10.0))
    middle = mesh.vertices[mesh.faces].mean(axis=1)
    gone = (middle[:, 2] > 10) & (middle[:, 2] < 20) & (middle[:, 0] > 45)
    found = levels_of(Mesh(mesh.vertices, mesh.faces[~gone]), 5.0, 12.0, 18.0, 25.0, 38.0)
    assert found.closed.tolist() == [True, False, False, True, True]


def test_a_level_that_misses_the_surface_is_not_closed_and_has_nothing():
    found = levels_of(tube(edge_mm=6.0), -400.0, 10.0, 400.0)
    assert found.counts[[0, 2]].tolist() == [0, 0] and found.counts[1] > 0
    assert found.closed.tolist() == [False, True, False]
    assert found.perimeters()[[0, 2]].tolist() == [0.0, 0.0]
    hull = hull_perimeters(found.starts[:, :2], found.level_of, 3)
    assert np.isnan(hull).tolist() == [True, False, True]
    assert np.isnan(hull_extents(found.starts[:, :2], found.level_of, 3)[:, 0]).tolist() == [True, False, True]


def test_a_mesh_without_faces_cuts_to_nothing():
    empty = Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
    found = cut(empty, np.zeros(0), np.array([1.0, 2.0]))
    assert found.counts.tolist() == [0, 0] and not found.closed.any()
    assert found.perimeters().tolist() == [0.0, 0.0]


# -- vertices on a level --------------------------------------------------------------------------


def test_a_level_through_vertices_is_like_any_other():
    n, r = 40, 50.0
    mesh = prism(ellipse(r, r, n), [0.0, 10.0, 20.0, 30.0])
    on = levels_of(mesh, 10.0, 20.0)  # exactly on rings
    assert on.closed.all()
    assert on.perimeters() == pytest.approx(2 * n * r * np.sin(np.pi / n), abs=1e-9)
    area, _ = on.areas_and_centroids()
    assert area == pytest.approx(n / 2 * r**2 * np.sin(2 * np.pi / n), abs=1e-8)


def test_at_the_top_ring_the_section_is_there_and_at_the_lowest_it_is_not():
    mesh = prism(ellipse(50.0, 50.0, 40), [0.0, 10.0])  # a vertex on a level counts as above it
    found = levels_of(mesh, 0.0, 10.0)
    assert found.counts.tolist() == [0, 80]
    assert found.closed.tolist() == [False, True]


@pytest.mark.parametrize("edge", [4.0, 7.0])
def test_levels_through_every_vertex_of_a_capsule_stay_closed(edge):
    mesh = capsule(edge_mm=edge)
    heights = np.unique(mesh.vertices[:, 2])
    found = cut(mesh, mesh.vertices[:, 2], heights)
    assert found.closed[1:].all() and not found.closed[0]
    assert np.isfinite(found.starts).all() and np.isfinite(found.ends).all()


# -- cone sections --------------------------------------------------------------------------------


def polar(p):
    return np.arctan2(-p[:, 2], np.hypot(p[:, 0], p[:, 1]))


def test_cone_sections_of_a_sphere_lie_on_their_cone_when_refined():
    mesh = sphere(50.0, 8.0)  # coarse on purpose: an edge spans nine degrees
    levels = np.radians([20.0, 45.0, 70.0])
    fine = cut(mesh, polar(mesh.vertices), levels, refine=polar)
    plain = cut(mesh, polar(mesh.vertices), levels)
    off_fine = np.abs(polar(fine.starts) - levels[fine.level_of])
    off_plain = np.abs(polar(plain.starts) - levels[plain.level_of])
    # radians; two secant steps on edges of 9 degrees: under 0.0025 mm at this radius, on 8 mm edges
    assert off_fine.max() < 5e-5
    assert off_plain.max() > 30 * off_fine.max()
    # circles of radius 50 cos(level), but for chords of 8 mm: at most (8/50)^2 / 2 inside
    assert fine.closed.all()
    short = fine.perimeters() / (2 * np.pi * 50.0 * np.cos(levels))
    assert (short < 1.0).all() and (short > 1.0 - (8.0 / 50.0) ** 2 / 2).all()


def test_cone_sections_of_a_cylinder_are_its_circles():
    ring = ellipse(50.0, 50.0, 720)
    mesh = prism(ring, np.linspace(-100.0, 0.0, 12))
    levels = np.radians([10.0, 30.0, 50.0])
    found = cut(mesh, polar(mesh.vertices), levels, refine=polar)
    # at polar angle t the cylinder lies 50 tan t below the centre; a chord of 0.4 mm cuts 5e-4 mm inside
    assert found.starts[:, 2] == pytest.approx(-50.0 * np.tan(levels[found.level_of]), abs=2e-3)
    assert found.perimeters() == pytest.approx(2 * np.pi * 50.0, rel=5e-5)


# -- independent counts ---------------------------------------------------------------------------


def test_areas_lengths_and_middles_agree_with_shapely(transtibial_limb):
    mesh = transtibial_limb.mesh
    levels = np.arange(-60.3, 140.0, 25.0)
    found = cut(mesh, mesh.vertices[:, 2], -levels[::-1])
    area, centroid = found.areas_and_centroids()
    for i in range(len(levels)):
        mine = found.level_of == i
        lines = shapely.linestrings(np.stack([found.starts[mine, :2], found.ends[mine, :2]], axis=1))
        ring = shapely.get_parts(shapely.polygonize(list(lines)))
        assert len(ring) == 1
        assert area[i] == pytest.approx(ring[0].area, rel=1e-9)
        assert found.perimeters()[i] == pytest.approx(ring[0].length, rel=1e-9)
        assert centroid[i] == pytest.approx([ring[0].centroid.x, ring[0].centroid.y], abs=1e-8)
        hull = hull_perimeters(found.starts[:, :2], found.level_of, len(levels))[i]
        assert hull == pytest.approx(ring[0].convex_hull.length, rel=1e-9)


def test_areas_and_lengths_agree_with_manifold3d(transtibial_limb):
    mesh, model = transtibial_limb.mesh, transtibial_limb.closed
    body = manifold3d.Manifold(
        manifold3d.Mesh64(np.ascontiguousarray(model.vertices), np.ascontiguousarray(model.faces, dtype=np.uint64))
    )
    levels = np.array([-120.7, -80.3, -41.9, -0.4, 33.3])
    found = cut(mesh, mesh.vertices[:, 2], levels)
    area, _ = found.areas_and_centroids()
    for i, z in enumerate(levels):
        section = body.slice(float(z))
        assert area[i] == pytest.approx(section.area(), rel=1e-6)  # manifold3d joins points closer than its tolerance
        length = sum(
            np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).sum() for ring in section.to_polygons()
        )
        assert found.perimeters()[i] == pytest.approx(length, rel=1e-5)


# -- properties -----------------------------------------------------------------------------------


def test_pieces_chain_and_run_counter_clockwise_seen_from_above():
    mesh = capsule(edge_mm=5.0)
    found = levels_of(mesh, -170.2, -33.3, 20.1)
    for i in range(3):
        mine = found.level_of == i
        assert sorted(map(tuple, found.starts[mine])) == sorted(map(tuple, found.ends[mine]))
        assert sorted(found.start_edges[mine]) == sorted(found.end_edges[mine])
    assert (found.areas_and_centroids()[0] > 0).all()
    turned = cut(mesh, -mesh.vertices[:, 2], np.array([-20.1, 33.3, 170.2]))
    assert turned.areas_and_centroids()[0] == pytest.approx(-found.areas_and_centroids()[0][::-1], rel=1e-12)


def test_pieces_lie_on_the_faces_they_name():
    mesh = capsule(edge_mm=5.0)
    found = levels_of(mesh, -180.0, 3.0)
    corner = mesh.vertices[mesh.faces[found.faces_of]]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    for point in (found.starts, found.ends):
        off = np.einsum("ij,ij->i", point - corner[:, 0], normal) / np.linalg.norm(normal, axis=1)
        assert np.abs(off).max() < 1e-10  # mm


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(-199.0, 59.0), min_size=1, max_size=6, unique=True))
def test_many_levels_at_once_are_the_same_as_one_at_a_time(levels):
    mesh = capsule(edge_mm=9.0)
    levels = np.sort(np.array(levels))
    together = cut(mesh, mesh.vertices[:, 2], levels)
    alone = [levels_of(mesh, z) for z in levels]
    assert np.array_equal(together.counts, [c.counts[0] for c in alone])
    assert np.array_equal(together.closed, [c.closed[0] for c in alone])
    assert together.perimeters() == pytest.approx([c.perimeters()[0] for c in alone], abs=1e-9)


def test_chained_lines_hold_every_piece_once_and_close_where_the_section_does(transtibial_limb):
    mesh = transtibial_limb.mesh
    levels = np.array([-40.0, 0.0, 60.0])
    cuts = cut(mesh, -mesh.vertices[:, 2], levels)
    for i, perimeter in enumerate(cuts.perimeters()):
        (line,) = cuts.lines(i)
        assert len(line) == cuts.counts[i] + 1 and np.array_equal(line[0], line[-1])
        assert np.linalg.norm(np.diff(line, axis=0), axis=1).sum() == pytest.approx(perimeter, abs=1e-9)  # mm
    open_mesh = Mesh(mesh.vertices, np.delete(mesh.faces, cuts.faces_of[cuts.level_of == 1][:4], axis=0))
    opened = cut(open_mesh, -mesh.vertices[:, 2], levels)
    lines = opened.lines(1)
    assert not np.allclose(lines[0][0], lines[0][-1]) and sum(len(x) - 1 for x in lines) == opened.counts[1]
