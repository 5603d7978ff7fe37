"""Boss and hole: where the flat lies, against trigonometry; volumes against closed forms; what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.errors import InputError, MeshError
from rectify.fabrication.filed import faults_of, filed
from rectify.fabrication.fitting import Fitting, seat_of, with_fitting
from rectify.fabrication.shell import Shell, Wall, make_shell
from rectify.geometry.edges import survey
from rectify.geometry.mesh import Mesh
from rectify.geometry.volume import volume
from tests.fabrication.bodies import circle, closed_capsule

R, T, LOW = 50.0, 4.0, -154.0  # mm; LOW is the shell's lowest point


@pytest.fixture(scope="module")
def shell() -> Shell:
    return make_shell(closed_capsule(R, 100.0, 4.0), circle(R, 0.0), Wall(T, T, T))


def made(shell: Shell, **asked: float) -> Mesh:
    fitting = Fitting(**asked)
    return filed(with_fitting(shell, fitting, seat_of(shell, fitting, "right")))


def test_without_angles_the_flat_is_level_and_lies_its_height_below_the_end(shell: Shell) -> None:
    seat = seat_of(shell, Fitting(boss_mm=50.0, height_mm=7.0), "right")
    assert seat.up.tolist() == [0.0, 0.0, 1.0]
    assert seat.centre == pytest.approx([0.0, 0.0, LOW - 7.0], abs=0.05)


@pytest.mark.parametrize(("side", "lateral"), [("right", 1.0), ("left", -1.0)])
def test_flexion_leans_the_line_back_and_adduction_inward_on_either_side(
    shell: Shell, side: str, lateral: float
) -> None:
    fitting = Fitting(boss_mm=50.0, flexion_deg=6.0, adduction_deg=4.0, anterior_mm=3.0, lateral_mm=-5.0)
    seat = seat_of(shell, fitting, side)
    # seen square to the sagittal plane the line leans by the flexion, seen from the front by the adduction
    assert np.degrees(np.arctan2(-seat.up[1], seat.up[2])) == pytest.approx(6.0)
    assert np.degrees(np.arctan2(-lateral * seat.up[0], seat.up[2])) == pytest.approx(4.0)
    # at the end's level the line passes where the offsets say, and at level 0 it has gone on by tan(angle)
    assert seat.at_level(-LOW) == pytest.approx([lateral * -5.0, 3.0], abs=0.01)
    rise = -LOW
    expected = [lateral * (-5.0 - rise * np.tan(np.radians(4.0))), 3.0 - rise * np.tan(np.radians(6.0))]
    assert seat.at_level(0.0) == pytest.approx(expected, abs=0.02)


def test_nothing_of_the_shell_lies_below_the_flat_but_the_boss(shell: Shell) -> None:
    fitting = Fitting(boss_mm=60.0, height_mm=5.0, flexion_deg=8.0, adduction_deg=-5.0, anterior_mm=-8.0)
    seat = seat_of(shell, fitting, "left")
    assert ((shell.outer - seat.centre) @ seat.up).min() == pytest.approx(5.0)
    body = with_fitting(shell, fitting, seat)
    height = (body.vertices - seat.centre) @ seat.up
    assert height.min() == pytest.approx(0.0, abs=1e-9)
    flat = body.vertices[height < 1e-6]
    across = np.linalg.norm(flat - seat.centre, axis=1)
    assert across.max() == pytest.approx(30.0, abs=1e-6)


def test_a_hole_takes_a_cylinder_out_of_the_end_and_leaves_one_handle(shell: Shell) -> None:
    whole, bored = made(shell), made(shell, hole_mm=10.0)
    assert survey(bored).euler == 0 and survey(whole).euler == 2
    assert faults_of(bored) == []
    # between two spheres of 50 and 54 mm a bore of 5 mm: integral of sqrt(54² - r²) - sqrt(50² - r²) over the disc
    spheres = [2.0 / 3.0 * np.pi * (r**3 - (r**2 - 25.0) ** 1.5) for r in (R + T, R)]
    polygon = 96 * np.sin(2 * np.pi / 96) / (2 * np.pi)  # a circle of 96 sides
    assert volume(whole) - volume(bored) == pytest.approx((spheres[0] - spheres[1]) * polygon, rel=0.02)


def test_a_boss_stands_under_the_end_with_its_height_and_leaves_the_inside_alone(shell: Shell) -> None:
    body = made(shell, boss_mm=40.0, height_mm=10.0)
    assert faults_of(body) == [] and survey(body).euler == 2
    assert body.vertices[:, 2].min() == pytest.approx(LOW - 10.0, abs=0.05)
    added = volume(body) - volume(made(shell))
    # turned about the axis: from the flat's edge a straight flank to where the wall's share of the ball is 15 mm high
    share = R + 0.7 * T
    ring = np.array([np.sqrt(share**2 - (share - 15.0) ** 2), -100.0 - share + 15.0])
    r = np.linspace(0.0, ring[0], 20001)
    under = np.where(r < 20.0, LOW - 10.0, LOW - 10.0 + (r - 20.0) / (ring[0] - 20.0) * (ring[1] - LOW + 10.0))
    depth = np.maximum(-100.0 - np.sqrt((R + T) ** 2 - r**2) - under, 0.0)
    assert added == pytest.approx(float(np.trapezoid(2 * np.pi * r * depth, r)), rel=0.02)  # facets of 4 mm
    have = {tuple(point) for point in body.vertices.tolist()}
    inside = filed(shell.within.mesh)
    assert all(tuple(point) in have for point in inside.vertices.tolist())


def test_a_bored_boss_is_one_sound_body(shell: Shell) -> None:
    body = made(shell, boss_mm=55.0, hole_mm=12.0, flexion_deg=5.0, adduction_deg=5.0, lateral_mm=6.0)
    assert faults_of(body) == [] and survey(body).euler == 0


def test_nothing_asked_is_the_shell_itself(shell: Shell) -> None:
    assert with_fitting(shell, Fitting(), seat_of(shell, Fitting(), "right")) is shell.mesh


@pytest.mark.parametrize("lateral", [48.0, 60.0])
def test_a_hole_that_would_come_out_at_the_side_is_refused(shell: Shell, lateral: float) -> None:
    with pytest.raises(MeshError, match="does not go through the end of the socket") as caught:
        made(shell, hole_mm=8.0, lateral_mm=lateral)
    assert caught.value.key == "hole" and f"{lateral:g} mm lateral" in str(caught.value.found)


@pytest.mark.parametrize(
    ("key", "asked"),
    [
        ("hole", {"hole_mm": 1.0}),
        ("hole", {"hole_mm": 90.0}),
        ("boss", {"boss_mm": 5.0}),
        ("boss-height", {"boss_mm": 50.0, "height_mm": 100.0}),
        ("flexion", {"flexion_deg": 30.0}),
        ("adduction", {"adduction_deg": -26.0}),
        ("anterior", {"anterior_mm": 61.0}),
        ("lateral", {"lateral_mm": -61.0}),
        ("hole", {"boss_mm": 30.0, "hole_mm": 25.0}),
    ],
)
def test_measures_that_cannot_be_are_refused(key: str, asked: dict[str, float]) -> None:
    with pytest.raises(InputError) as caught:
        Fitting(**asked)
    assert caught.value.key == key and caught.value.wanted and caught.value.found
