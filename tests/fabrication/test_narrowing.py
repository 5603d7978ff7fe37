"""What is in the limb's way, against bodies whose narrowing is known."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.fabrication.cut_line import within_trimline
from rectify.fabrication.narrowing import best_pull, narrowing, pull_direction
from rectify.geometry.mesh import Mesh
from rectify.geometry.nearest import Tree
from rectify.geometry.ring import evenly
from tests.fabrication.bodies import circle, closed_capsule, closed_cone

UP = np.array([0.0, 0.0, 1.0])


def scaled(body: Mesh, scale_at: object) -> Mesh:
    s = scale_at(body.vertices[:, 2])  # type: ignore[operator]
    return body.with_vertices(body.vertices * np.column_stack([s, s, np.ones(len(s))]))


def inside_of(body: Mesh, radius: float, z: float) -> Mesh:
    return within_trimline(body, circle(radius, z), 1.0).mesh


def test_a_cone_that_widens_upward_comes_out_freely() -> None:
    cone = closed_cone(60.0, 40.0, 100.0, 4.0)
    found = narrowing(cone, inside_of(cone, 52.5, 0.0), UP)
    assert found.narrower_mm == 0.0 and found.at is None
    assert found.girth_level_mm is None and found.girth_percent == 0.0


def test_a_waist_is_in_the_way_by_its_depth() -> None:
    # 50 mm, at level 20 a waist of 45 mm
    body = scaled(closed_capsule(50.0, 100.0, 2.5), lambda z: 1.0 - 0.1 * np.exp(-(((z + 20.0) / 12.0) ** 2)))
    found = narrowing(body, inside_of(body, 50.0 * (1 - 0.1 * np.exp(-((30 / 12) ** 2))), 10.0), UP)
    assert found.narrower_mm == pytest.approx(5.0, abs=0.1)
    assert found.at is not None and found.at[2] == pytest.approx(-20.0, abs=2.0)
    assert np.hypot(*found.at[:2]) == pytest.approx(45.0, abs=0.2)
    assert found.girth_percent == pytest.approx(10.0, abs=0.2)
    assert found.girth_level_mm == pytest.approx(20.0, abs=2.0)
    assert found.girth_mm == pytest.approx(2 * np.pi * 45.0, rel=3e-3)


def test_a_dent_on_one_side_counts_there_and_hardly_in_the_circumference() -> None:
    body = closed_capsule(50.0, 100.0, 2.5)
    v = body.vertices
    dent = 6.0 * np.exp(-((np.degrees(np.arctan2(v[:, 0], v[:, 1])) / 15.0) ** 2) - ((v[:, 2] + 30.0) / 10.0) ** 2)
    out = np.column_stack([v[:, :2] / np.maximum(np.hypot(v[:, 0], v[:, 1]), 1e-9)[:, None], np.zeros(len(v))])
    body = body.with_vertices(v - dent[:, None] * out)
    found = narrowing(body, inside_of(body, 50.0, 10.0), UP)
    assert found.narrower_mm == pytest.approx(6.0, abs=0.3)
    assert found.at is not None and found.at[1] > 40.0 and abs(found.at[0]) < 5.0  # anterior
    assert 0.0 < found.girth_percent < 3.0


def test_what_lies_above_the_trimline_is_in_nobody_s_way() -> None:
    # narrower above z = 20 only; the line lies at 10
    body = scaled(closed_capsule(50.0, 100.0, 2.5), lambda z: 1.0 - 0.2 / (1.0 + np.exp(-(z - 40.0) / 3.0)))
    assert narrowing(body, inside_of(body, 50.0, 10.0), UP).narrower_mm < 0.1


def test_only_wall_counts_where_the_trimline_is_cut_down_on_one_side() -> None:
    # narrower above z = 0 all round; the line stands at +20 in front and at -20 behind: only the front holds
    body = scaled(closed_capsule(50.0, 100.0, 2.5), lambda z: 1.0 - 0.1 / (1.0 + np.exp(-(z - 5.0) / 2.0)))
    turn = np.linspace(0.0, 2 * np.pi, 400, endpoint=False)
    line = np.column_stack([50 * np.sin(turn), 50 * np.cos(turn), 20.0 * np.cos(turn)])
    line = evenly(Tree(body.vertices, body.faces).nearest(line)[2], 1.0)
    found = narrowing(body, within_trimline(body, line, 1.0).mesh, UP)
    assert found.narrower_mm == pytest.approx(5.0, abs=0.2)
    assert found.at is not None and found.at[1] > 0.0 and found.at[2] > 0.0
    assert found.girth_level_mm is None  # no closed section of the wall is narrower than one below


def test_the_easiest_pull_of_a_leaning_limb_is_along_its_lean() -> None:
    cone = closed_cone(52.0, 48.0, 100.0, 3.0)
    lean = np.tan(np.radians(8.0))
    leaning = cone.with_vertices(cone.vertices + cone.vertices[:, 2:] * [0.0, -lean, 0.0])
    line = circle(50.5, 0.0)
    inside = within_trimline(leaning, Tree(leaning.vertices, leaning.faces).nearest(line)[2], 1.0).mesh
    flexion, adduction = best_pull(inside, "right")
    # free as long as the lean is met within the cone's own half angle of 0.7 degrees
    assert flexion == pytest.approx(8.0, abs=1.0) and abs(adduction) <= 1.0
    straight = narrowing(leaning, inside, UP)
    along = narrowing(leaning, inside, pull_direction(flexion, adduction, "right"))
    assert straight.narrower_mm > 5.0 and along.narrower_mm < 1.0


def test_the_pull_leans_medially_in_adduction_on_either_side() -> None:
    assert pull_direction(0.0, 10.0, "right")[0] == pytest.approx(-np.sin(np.radians(10.0)))
    assert pull_direction(0.0, 10.0, "left")[0] == pytest.approx(np.sin(np.radians(10.0)))
    assert pull_direction(10.0, 0.0, "left")[1] == pytest.approx(-np.sin(np.radians(10.0)))
