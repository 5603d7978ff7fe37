"""Tape, calliper, inflection and shape class against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.geometry.hulls import hull_perimeters
from rectify.geometry.sections import cut
from rectify.limb.measure import inflection_level, measure_levels, shape_class
from rectify.synthetic import Transtibial, capped_cone, capsule, elliptic_capsule, transtibial
from tests import made

LEVELS = np.array([-40.0, 0.0, 33.3, 120.0])


def profile_of(mesh, step=2.0):
    return measure_levels(mesh, np.arange(-58.0, -mesh.vertices[:, 2].min(), step))


# -- closed forms ---------------------------------------------------------------------------------


def test_an_elliptic_limb_measures_as_its_ellipse():
    # semi-axes 60 (AP) and 50 (ML): perimeter 346.289559790 mm, Ramanujan S (1914) Q J Math 45:350-372, second formula
    found = measure_levels(elliptic_capsule(120.0, 100.0, 150.0, 2.0), LEVELS)
    assert found.closed.all()
    # chords of 2 mm: (2/50)²/24 = 7e-5 of a length, twice that of an area, (2/50)²/8 of a width
    assert found.circumference == pytest.approx(346.289559790, rel=2e-4)
    assert found.perimeter == pytest.approx(346.289559790, rel=2e-4)
    assert found.area == pytest.approx(np.pi * 60.0 * 50.0, rel=4e-4)
    assert found.ap == pytest.approx(120.0, abs=0.05)
    assert found.ml == pytest.approx(100.0, abs=0.05)


def test_a_cone_narrows_level_by_level():
    found = measure_levels(capped_cone(60.0, 40.0, 150.0, 2.0, 60.0), LEVELS)
    radius = 40.0 + (150.0 - LEVELS) * 20.0 / 210.0
    assert found.circumference == pytest.approx(2 * np.pi * radius, rel=3e-4)
    assert found.area == pytest.approx(np.pi * radius**2, rel=6e-4)
    assert found.ap == pytest.approx(2 * radius, abs=0.05)


def test_circumferences_and_widths_of_a_generated_limb_are_its_formulas():
    limb = transtibial(Transtibial(edge_mm=2.5))
    found = measure_levels(limb.mesh, LEVELS[:3])
    for i, level in enumerate(LEVELS[:3]):
        assert found.circumference[i] == pytest.approx(limb.circumference(level), rel=6e-4)  # chords of 2.5 mm
        ap, ml = limb.widths(level)
        assert (found.ap[i], found.ml[i]) == pytest.approx((ap, ml), abs=0.1)


def test_a_tape_is_never_longer_than_the_outline(transtibial_limb):
    profile = transtibial_limb.profile
    there = profile.closed
    assert (profile.circumference[there] <= profile.perimeter[there] + 1e-9).all()
    assert (profile.perimeter[there] - profile.circumference[there]).max() > 0.2  # it has hollows


# -- open sections --------------------------------------------------------------------------------


def test_a_clean_section_is_measured_to_the_bit(transtibial_limb):
    levels = np.arange(-40.0, 120.0, 10.0)
    cuts = cut(transtibial_limb.mesh, -transtibial_limb.mesh.vertices[:, 2], levels)
    profile = measure_levels(transtibial_limb.mesh, levels)
    hull = hull_perimeters(cuts.starts[:, :2], cuts.level_of, len(levels))
    assert np.array_equal(profile.circumference[profile.closed], hull[profile.closed])
    assert profile.rough_mm[profile.closed].max() < 0.03  # mm; 4 mm edges about a crest and a tubercle


@pytest.mark.parametrize("sigma", [0.1, 0.2, 0.3])
def test_a_tape_does_not_ride_on_the_noise(fine_limb, sigma):
    rough = made.noisy(fine_limb, sigma)
    levels = np.arange(-40.0, 110.0, 10.0)
    clean, found = measure_levels(fine_limb.mesh, levels), measure_levels(rough.mesh, levels)
    there = clean.closed & found.closed
    cuts = cut(rough.mesh, -rough.mesh.vertices[:, 2], levels)
    hull = hull_perimeters(cuts.starts[:, :2], cuts.level_of, len(levels)) - clean.circumference
    off = found.circumference - clean.circumference
    # mm: some 1 mm too much becomes at most 0.7, on average less than 0.6 of it
    assert hull[there].mean() > 2.5 * sigma and np.abs(off[there]).max() < 0.7
    assert abs(off[there].mean()) < 0.6 * hull[there].mean()
    for name in ("ap", "ml"):
        assert np.abs(getattr(found, name) - getattr(clean, name))[there].max() < 3.0 * sigma + 0.1
    assert np.abs(found.perimeter - clean.perimeter)[there].max() < 1.0
    # the area of a noisy section is right as it is
    assert np.abs(found.area / clean.area - 1.0)[there].max() < 0.004


@pytest.mark.parametrize("sigma", [0.15, 0.2, 0.4])
def test_how_rough_a_scan_is_can_be_told(fine_limb, sigma):
    assert made.noisy(fine_limb, sigma).profile.noise_mm == pytest.approx(sigma, rel=0.25)
    assert fine_limb.profile.noise_mm == 0.0 and measure_levels(fine_limb.mesh, np.array([900.0])).noise_mm == 0.0


def test_a_little_noise_is_taken_out_by_degrees(fine_limb):
    levels = np.array([20.0, 60.0])
    girths = [measure_levels(made.noisy(fine_limb, s).mesh, levels).circumference for s in np.linspace(0.0, 0.2, 21)]
    # mm from one hundredth of noise to the next: nowhere a jump
    assert np.abs(np.diff(np.array(girths), axis=0)).max() < 0.12


def test_an_open_section_has_no_circumference(transfemoral_limb):
    lowest = -float(transfemoral_limb.edge[:, 2].min())
    levels = np.arange(transfemoral_limb.chart.top_mm + 4.0, 60.0, 6.0)
    found = measure_levels(transfemoral_limb.mesh, levels)
    assert np.array_equal(found.closed, levels > lowest)
    assert 0 < found.closed.sum() < len(levels)
    for values in (found.circumference, found.perimeter, found.area, found.ap, found.ml):
        assert np.array_equal(np.isnan(values), ~found.closed)


def test_between_levels_measures_are_interpolated_and_outside_there_are_none():
    found = measure_levels(capped_cone(60.0, 40.0, 150.0, 3.0, 60.0), LEVELS)
    assert found.at(60.0, found.ap) == pytest.approx(2 * (40.0 + 90.0 * 20.0 / 210.0), abs=0.1)
    assert np.isnan(found.at(-41.0, found.ap)) and np.isnan(found.at(121.0, found.ap))
    beyond = measure_levels(capsule(edge_mm=8.0), np.array([500.0]))
    assert np.isnan(beyond.at(500.0, beyond.ap))


def test_no_levels_give_no_measures():
    assert measure_levels(capsule(edge_mm=8.0), np.zeros(0)).circumference.shape == (0,)


# -- inflection -----------------------------------------------------------------------------------


@pytest.mark.parametrize("radius", [35.0, 50.0, 65.0])
def test_a_capsule_turns_in_where_its_hemisphere_reaches_the_slope(radius):
    # the radius sqrt(R² - s²) falls by s / sqrt(R² - s²) per mm: 0.35 at s = 0.35 R / sqrt(1 + 0.35²)
    true = 150.0 + radius * 0.35 / np.hypot(1.0, 0.35)
    assert inflection_level(profile_of(capsule(radius, 150.0, 3.0))) == pytest.approx(true, abs=2.5)  # 2 mm steps


def test_a_capped_cone_turns_in_on_its_ball():
    slope = np.arctan2(20.0, 210.0)
    ball, centre = 40.0 / np.cos(slope), 150.0 - 40.0 * np.tan(slope)
    true = centre + ball * 0.35 / np.hypot(1.0, 0.35)
    assert inflection_level(profile_of(capped_cone(60.0, 40.0, 150.0, 3.0, 60.0))) == pytest.approx(true, abs=2.5)


def test_noise_does_not_move_the_inflection(transtibial_limb):
    rough = made.noisy(transtibial_limb, 0.2)
    assert rough.inflection_mm == pytest.approx(transtibial_limb.inflection_mm, abs=4.0)  # two steps of 2 mm


def test_two_levels_are_too_few_to_say():
    found = measure_levels(capsule(edge_mm=8.0), np.array([0.0, 10.0]))
    assert inflection_level(found) == 10.0
    assert np.isnan(inflection_level(measure_levels(capsule(edge_mm=8.0), np.array([900.0]))))


# -- shape class ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("top", "end", "says"),
    [(60.0, 40.0, "conical"), (52.0, 50.0, "cylindrical"), (50.0, 50.0, "cylindrical"), (44.0, 56.0, "bulbous")],
)
def test_a_shape_is_called_what_it_is(top, end, says):
    limb = made.limb_of(capped_cone(top, end, 150.0, 4.0, 60.0), end + 150.0 * (top - end) / 210.0)
    name, ratio = limb.shape_class()
    assert name == says
    # closed form: where the ball's slope passes 0.15 the wall turns in, at a radius of ball / hypot(1, 0.15); over the
    # radius a quarter of the way from the origin to the inflection
    proximal = end + (150.0 - limb.inflection_mm / 4) * (top - end) / 210.0
    ball = end / np.cos(np.arctan2(top - end, 210.0))
    assert ratio == pytest.approx(ball / np.hypot(1.0, 0.15) / proximal, abs=0.008)  # steps of 2 mm at a slope of 0.15


def test_the_cut_offs_belong_to_the_cylinder():
    levels = np.arange(0.0, 101.0, 5.0)
    template = measure_levels(capsule(edge_mm=8.0), levels)

    def of(ratio):
        return type(template)(
            levels,
            np.interp(levels, [25.0, 100.0], [300.0, 300.0 * ratio]),
            *[template.area] * 4,
            template.closed,
            template.area,
        )

    for ratio, says in ((0.899, "conical"), (0.901, "cylindrical"), (1.049, "cylindrical"), (1.051, "bulbous")):
        name, found = shape_class(of(ratio), 0.0, 100.0)
        assert name == says and found == pytest.approx(ratio)


def test_generated_limbs_are_what_they_were_made_to_be():
    for taper, end, says in ((0.75, "conical", "conical"), (1.2, "bulbous", "bulbous")):
        limb = made.limb_from(transtibial(Transtibial(edge_mm=5.0, taper=taper, end=end)))
        assert limb.shape_class()[0] == says
