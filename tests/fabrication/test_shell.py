"""Shells against closed forms: capsule, cone and ball; the model's own vertices inside; folds and refusals."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.errors import InputError, MeshError
from rectify.fabrication.cut_line import within_trimline
from rectify.fabrication.filed import faults_of, filed
from rectify.fabrication.shell import Shell, Wall, make_shell
from rectify.fabrication.stand_off import directions, way_out
from rectify.fabrication.thickness import check_thickness, thickness
from rectify.geometry.mesh import Mesh
from rectify.geometry.nearest import Tree
from rectify.geometry.volume import volume
from tests.fabrication.bodies import circle, closed_capsule, closed_cone, mirrored, sphere

R, T = 50.0, 4.0  # mm


def rim_volume(radius: float, wall: float, lean: float = 0.0) -> float:
    """A half disc of diameter `wall` turned about the axis (Pappus), mm³.

    Its flat side's middle is at `radius`; the half disc points up and inward by `lean` (radians).
    """
    middle = radius - np.sin(lean) * 2.0 * wall / (3.0 * np.pi)  # centroid of a half disc: 4 r / 3 pi, r = wall / 2
    return 2.0 * np.pi * middle * np.pi * wall**2 / 8.0


@pytest.fixture(scope="module")
def capsule_shell() -> Shell:
    return make_shell(closed_capsule(R, 100.0), circle(R, 0.0), Wall(T, T, T))


def test_a_capsule_s_shell_holds_what_the_closed_form_says(capsule_shell: Shell) -> None:
    # half a ball's shell, a tube up to half a wall below the line, half a round above it
    tube = np.pi * ((R + T) ** 2 - R**2) * (100.0 - T / 2)
    end = 2.0 / 3.0 * np.pi * ((R + T) ** 3 - R**3)
    expected = tube + end + rim_volume(R + T / 2, T)
    # chords of 2.5 mm on a radius of 50: (2.5/50)²/24 = 1e-4 of the circumference, twice that of the area
    assert volume(capsule_shell.mesh) == pytest.approx(expected, rel=1e-3)
    assert faults_of(filed(capsule_shell.mesh)) == []


def test_the_crown_of_the_rounded_brim_lies_on_the_trimline(capsule_shell: Shell) -> None:
    assert capsule_shell.mesh.vertices[:, 2].max() == pytest.approx(0.0, abs=0.03)
    assert capsule_shell.rim[:, 2] == pytest.approx(0.0, abs=0.05)
    assert np.hypot(*capsule_shell.rim[:, :2].T) == pytest.approx(R + T / 2, abs=0.05)


def test_the_inside_is_the_model_s_own_vertices_up_to_the_rounded_edge(capsule_shell: Shell) -> None:
    model = closed_capsule(R, 100.0)
    have = {tuple(point) for point in capsule_shell.mesh.vertices.tolist()}
    below = model.vertices[model.vertices[:, 2] < -T / 2 - 0.05]
    assert all(tuple(point) in have for point in below.tolist())
    above = model.vertices[model.vertices[:, 2] > 0.0]
    assert not any(tuple(point) in have for point in above.tolist())


def test_the_wall_of_a_capsule_is_four_millimetres_both_ways(capsule_shell: Shell) -> None:
    for way in thickness(capsule_shell):
        assert way.minimum_mm == pytest.approx(T, abs=0.03) and way.maximum_mm == pytest.approx(T, abs=0.05)
        assert way.lack_mm < 0.03


def test_a_ball_s_shell_is_a_sector_and_a_rounded_edge() -> None:
    z = 20.0
    line = circle(np.sqrt(R**2 - z**2), z)
    shell = make_shell(sphere(R, 2.0), line, Wall(T, T, T))
    polar = np.arccos(-z / R) - T / 2 / R  # from the lowest point; cut back by half a wall along the surface
    sector = 2.0 * np.pi / 3.0 * ((R + T) ** 3 - R**3) * (1.0 - np.cos(polar))
    # the edge stands on the cone of normals: its half disc leans inward by the polar angle past a right angle
    edge = rim_volume((R + T / 2) * np.sin(polar), T, polar - np.pi / 2)
    assert volume(shell.mesh) == pytest.approx(sector + edge, rel=1.5e-3)
    # the crown: half a wall out from the inside, and half a wall up square to that
    out = np.array([np.sin(polar), -np.cos(polar)]) * (R + T / 2) + T / 2 * np.array([np.cos(polar), np.sin(polar)])
    assert np.hypot(*shell.rim[:, :2].T) == pytest.approx(out[0], abs=0.05)
    assert shell.rim[:, 2] == pytest.approx(out[1], abs=0.05)


def test_a_cone_s_shell_has_its_wall_along_the_normal_and_the_volume_of_two_frusta() -> None:
    top, end, long = 60.0, 40.0, 160.0
    shell = make_shell(closed_cone(top, end, 100.0), circle(40.0 + 20.0 * 100.0 / long, 0.0), Wall(3.0, 3.0, 3.0))
    both = thickness(shell)
    assert all(way.minimum_mm > 3.0 - 0.03 and way.maximum_mm < 3.05 for way in both)
    slope = np.arctan2(top - end, long)
    ball, turn = end / np.cos(slope), np.pi / 2 - slope
    cap = 2.0 * np.pi / 3.0 * ((ball + 3.0) ** 3 - ball**3) * (1.0 - np.cos(turn))
    # the wall between two normals' cones: its middle surface's area times the thickness, exact for a cone
    s = 100.0 / np.cos(slope) - 1.5  # slant from the ball to half a wall below the line
    middle_low = (ball + 1.5) * np.sin(turn)
    frustum = np.pi * (2.0 * middle_low + s * np.sin(slope)) * s * 3.0
    edge = rim_volume(middle_low + s * np.sin(slope), 3.0, -slope)
    assert volume(shell.mesh) == pytest.approx(cap + frustum + edge, rel=1.5e-3)


def test_end_and_brim_are_as_thick_as_asked_and_the_wall_between_them_too() -> None:
    shell = make_shell(closed_capsule(R, 150.0, 4.0), circle(R, 0.0), Wall(3.0, 6.0, 8.0, brim_fade_mm=25.0))
    wall, z = shell.outer - shell.within.mesh.vertices, shell.within.mesh.vertices[:, 2]
    thick = np.linalg.norm(wall, axis=1)
    assert thick[(z < -60.0) & (z > -140.0)] == pytest.approx(3.0, abs=0.05)
    assert thick[z > -5.0].min() > 5.85 and thick[z < -199.0] == pytest.approx(8.0, abs=0.1)
    check_thickness(thickness(shell))
    assert shell.rim[:, 2] == pytest.approx(0.0, abs=0.1)


def test_the_mirrored_model_has_the_mirrored_shell() -> None:
    cone = closed_cone(60.0, 40.0, 100.0, 4.0)
    bent = cone.with_vertices(cone.vertices + [6.0, -3.0, 0.0] * np.sin(cone.vertices[:, 2:] / 60.0))
    line = circle(53.0, 0.0)
    line = line[:, :] * [0.98, 1.0, 1.0]
    foot = Tree(bent.vertices, bent.faces).nearest(line)[2]
    one = make_shell(bent, foot, Wall())
    two = make_shell(mirrored(bent), (foot * [-1.0, 1.0, 1.0])[::-1], Wall())
    assert volume(one.mesh) == pytest.approx(volume(two.mesh), rel=1e-4)
    far = Tree(one.mesh.vertices, one.mesh.faces).nearest(two.mesh.vertices * [-1.0, 1.0, 1.0])[0]
    assert far.max() < 0.03  # mm: the line is spaced from its other end; of two faces equally near another one counts


def creased(depth: float, width: float) -> Mesh:
    """A capsule with a sharp groove round it."""
    body = closed_capsule(R, 80.0, 2.5)
    groove = depth * np.exp(-(((body.vertices[:, 2] + 40.0) / width) ** 2))
    out = np.hypot(body.vertices[:, 0], body.vertices[:, 1])
    scale = np.where(out > 1.0, 1.0 - groove / np.maximum(out, 1.0), 1.0)
    return body.with_vertices(body.vertices * np.column_stack([scale, scale, np.ones(len(scale))]))


def test_a_groove_tighter_than_the_wall_is_filled_and_nothing_crosses() -> None:
    # radius at the groove's bottom: width² / (2 depth) = 1.6 mm; a wall of 6 mm cannot follow it
    shell = make_shell(creased(5.0, 4.0), circle(R, 0.0), Wall(6.0, 6.0, 6.0))
    both = thickness(shell)
    check_thickness(both)
    assert both[0].maximum_mm > 7.0  # over the groove
    assert faults_of(filed(shell.mesh)) == []


def test_normals_alone_would_have_folded_there() -> None:
    from rectify.geometry.crossings import crossing_faces
    from rectify.geometry.normals import vertex_normals

    inner = within_trimline(creased(5.0, 4.0), circle(R, 0.0), 3.0).mesh
    straight = Mesh(inner.vertices + 6.0 * vertex_normals(inner), inner.faces)
    assert len(crossing_faces(straight)) > 100


def test_rays_reach_a_wanted_distance_too() -> None:
    inner = within_trimline(closed_capsule(R, 100.0), circle(R, 0.0), 2.0).mesh
    ways = list(directions(inner, inner, T))
    assert ways[-1][0] == "rays of the limb"
    tree = Tree(inner.vertices, inner.faces)
    far = way_out(tree, inner.vertices, ways[-1][1], np.full(len(inner.vertices), T))
    clear = inner.vertices[:, 2] < -10.0
    reached = tree.nearest(inner.vertices + far[:, None] * ways[-1][1])[0]
    assert reached[clear] == pytest.approx(T, abs=0.01)


@pytest.mark.parametrize(
    ("key", "walls"), [("wall", (1.0, 4, 4)), ("brim-wall", (4, 16.0, 4)), ("end-wall", (4, 4, 0.0))]
)
def test_a_wall_that_is_none_is_refused(key: str, walls: tuple[float, float, float]) -> None:
    with pytest.raises(InputError, match="is no thickness of a check socket") as caught:
        Wall(*walls)
    assert caught.value.key == key and caught.value.wanted == "1.5 mm to 15 mm"


def test_a_curve_of_another_model_is_refused() -> None:
    with pytest.raises(MeshError, match="does not lie on this model") as caught:
        make_shell(closed_capsule(R, 100.0), circle(R + 3.0, 0.0), Wall())
    assert caught.value.found is not None and "3.0 mm away" in caught.value.found


def test_a_curve_that_goes_round_nothing_is_refused() -> None:
    body = closed_capsule(R, 100.0)
    half = circle(R, 0.0)
    there_and_back = np.concatenate([half[:100], half[100:0:-1]])
    with pytest.raises(MeshError):
        make_shell(body, there_and_back, Wall())


@pytest.mark.parametrize("points", [np.zeros((0, 3)), np.zeros((9, 2)), np.full((9, 3), np.nan)])
def test_what_is_no_curve_is_refused(points: np.ndarray) -> None:
    with pytest.raises(MeshError, match="is no curve"):
        within_trimline(closed_capsule(R, 100.0, 6.0), points, 2.0)
