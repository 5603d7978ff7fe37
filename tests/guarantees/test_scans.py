"""One limb scanned finely and coarsely, cleanly and with noise: amounts and volumes agree within stated bounds.

Edges from 0.8 mm (in the long tier; 1.5 mm otherwise) to 6 mm, and scanner noise of 0.2 mm along the normal; 0.5 mm on
a body of a finger's size, where a whole limb would have a million faces and more.

Where faces are large the shape between their corners is flat, and the nearest point of it lies nearer than a corner by
up to the chord's sag e² / 8 R; over bone R is about 10 mm. So amounts are held to 0.05 mm in the median and 0.10 mm at
most for edges up to 3 mm, and for coarser ones to those and the sag of a 10 mm radius (half of it in the median). A
core that lies on the brim's flare is held to the same.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

import rectify
from rectify.data import demo_folder
from rectify.engine import Outcome, rectify_limb
from rectify.limb.limb import Limb
from rectify.limb.spot import Spot
from rectify.rulebook.plan import Brim, End, Oval, RegionPlan, Strip
from rectify.synthetic import Transtibial, transtibial
from tests import made
from tests.guarantees.test_sound import assert_guaranteed
from tests.guarantees.tier import LONG
from tests.made import build_up, overall, plan, reduction

FINEST = 0.8 if LONG else 1.5
EDGES = (FINEST, 3.0, 4.5, 6.0)
NOISE_MM = 0.2
ROUGH_EDGES = (1.2, 3.0, 5.0) if LONG else (1.5, 3.0, 5.0)
BONE_MM = 10.0


@cache
def scanned(edge_mm: float, noise_mm: float = 0.0) -> Limb:
    one = made.limb_from(transtibial(Transtibial(edge_mm=edge_mm)))
    return made.noisy(one, noise_mm, seed=3) if noise_mm else one


def usual(one: Limb) -> tuple[RegionPlan, ...]:
    """Regions over bone and over soft parts, at places that do not depend on the scan."""
    at = {name: mark.spots[0] for name, mark in scanned(3.0).landmarks.items() if mark.spots}
    crest = scanned(3.0).landmarks["tibial-crest"].spots[:3]
    assert one.amputation == "transtibial"
    return (
        build_up("fibular-head", 4.0, at["fibular-head"], Oval(34.0, 30.0), 12.0),
        build_up("distal-fibula", 4.0, at["distal-fibula"], Oval(28.0, 28.0), 12.0),
        build_up("tibial-crest", 3.0, crest[1], Strip(crest, (16.0,) * 3), 10.0),
        reduction("popliteal", 4.0, Spot(5.0, 180.0), Oval(45.0, 48.0), 14.0),
        reduction("calf", 2.0, Spot(72.0, 180.0), Oval(60.0, 60.0), 18.0),
    )


@cache
def rectified(edge_mm: float, noise_mm: float = 0.0) -> Outcome:
    one = scanned(edge_mm, noise_mm)
    rows = overall((-20.0, 3.0), (scanned(3.0).inflection_mm - 30.0, 3.0))
    return rectify_limb(one, plan(*usual(one), overall=rows))


def bounds(edge_mm: float) -> tuple[float, float]:
    """Of what is achieved against asked, in a core's median and at most, mm."""
    sag = edge_mm**2 / (8 * BONE_MM) if edge_mm > 3.0 else 0.0
    return 0.05 + sag / 2, 0.10 + sag


@pytest.mark.parametrize("edge_mm", EDGES)
def test_amounts_are_what_was_asked_whatever_the_edge_length(edge_mm, tell):
    outcome = rectified(edge_mm)
    if edge_mm >= 3.0:
        assert_guaranteed(outcome)
    most_median, most = bounds(edge_mm)
    worst_median, worst = 0.0, 0.0
    for found in outcome.regions:
        assert not found.backed_off
        median, largest = float(np.median(np.abs(found.error_mm))), float(np.abs(found.error_mm).max())
        assert median < most_median and largest < most, found.region.name
        worst_median, worst = max(worst_median, median), max(worst, largest)
    tell(
        f"amounts, {edge_mm:g} mm edges: off by {worst_median:.3f} mm in the worst region's median, {worst:.3f} at most"
    )


def test_at_the_finest_edges_a_scan_may_have_amounts_volumes_and_angles_hold(tell):
    # 0.5 mm: a tube of 40 mm across, with everything that moves a wall, against the same one of 3 mm edges
    line = tuple(Spot(-5.0, angle) for angle in (0.0, 90.0, 180.0, -90.0))
    regions = (
        build_up("out", 3.0, Spot(25.0, 0.0), Oval(20.0, 20.0), 8.0),
        reduction("in", 2.0, Spot(30.0, 180.0), Oval(34.0, 30.0), 8.0),
    )
    done = []
    for edge_mm in (0.5, 3.0):
        one = made.capsule_limb(20.0, 60.0, edge_mm, 25.0)
        what = plan(
            *regions,
            overall=overall((15.0, 3.0), (40.0, 3.0), fade=12.0),
            end=End("pad", 2.0, one.inflection_mm),
            brim=Brim(line, flare_out_mm=3.0, flare_over_mm=10.0, flare_where="all"),
        )
        done.append(rectify_limb(one, what))
    fine, coarse = done
    assert len(fine.limb.mesh.faces) > 100_000 and fine.limb.edge_mm == pytest.approx(0.5, abs=0.01)
    assert fine.guarded.rounds == 0
    assert_guaranteed(fine)
    for one, two in zip(fine.regions, coarse.regions, strict=True):
        assert np.median(np.abs(one.error_mm)) < 0.002 and np.abs(one.error_mm).max() < 0.01  # mm; 0.5² / 8 R = 0.0016
        assert two.volume_ml == pytest.approx(one.volume_ml, rel=0.02)
    # the build-up's feather is the sharpest of it all: 5.77 L a / f² (test_dihedral.py), L up to 0.6 mm here
    sides = fine.limb.mesh.vertices[fine.limb.mesh.faces]
    longest = float(np.linalg.norm(sides - np.roll(sides, 1, axis=1), axis=2).max())
    bound = np.degrees(longest * 10 / np.sqrt(3) * 3.0 / 8.0**2)
    assert 0.5 * bound < fine.checks.added_dihedral_deg < bound
    worst = max(float(np.abs(found.error_mm).max()) for found in fine.regions)
    tell(
        f"0.5 mm edges, {len(fine.limb.mesh.faces)} faces: amounts off by {worst:.4f} mm at most, "
        f"{fine.checks.added_dihedral_deg:.1f} degrees added at most (3 mm: {coarse.checks.added_dihedral_deg:.1f})"
    )


@pytest.mark.parametrize("code", sorted(p.name for p in demo_folder().iterdir() if (p / "case.yaml").exists()))
def test_amounts_of_the_demo_cases_are_what_was_asked(code, tell):
    outcome = rectify.apply(rectify.open_case(demo_folder() / code)).outcome
    edge_mm = outcome.limb.edge_mm
    most_median, most = bounds(edge_mm)
    errors = []
    for i, found in enumerate(outcome.regions):
        core = outcome.asked.core(i, outcome.plan)
        if found.region.forms or found.backed_off or not core.any():
            continue
        errors.append(np.abs(found.error_mm))
        assert np.median(errors[-1]) < most_median and errors[-1].max() < most, found.region.name
    told = any(w.code == "coarse-scan" for w in outcome.warnings)
    assert told == (edge_mm > 3.0)
    tell(
        f"amounts, {code} ({edge_mm:.1f} mm edges): off by {max(map(np.median, errors)):.3f} mm in the worst region's "
        f"median, {max(e.max() for e in errors):.3f} at most, of {len(errors)} regions"
    )


@pytest.mark.parametrize("edge_mm", [edge for edge in EDGES if edge != FINEST])
def test_volumes_agree_with_those_of_the_finest_scan(edge_mm, tell):
    fine, coarse = rectified(FINEST), rectified(edge_mm)
    for one, two in zip(fine.regions, coarse.regions, strict=True):
        assert two.volume_ml == pytest.approx(one.volume_ml, rel=0.02), one.region.name
    assert coarse.volumes.change_ml == pytest.approx(fine.volumes.change_ml, rel=0.003)
    tell(
        f"volume change, {edge_mm:g} mm edges: {coarse.volumes.change_ml:.2f} ml, "
        f"{FINEST:g} mm edges: {fine.volumes.change_ml:.2f} ml"
    )


@pytest.mark.parametrize("edge_mm", ROUGH_EDGES)
def test_noise_changes_amounts_and_volumes_by_no_more_than_the_bounds(edge_mm, tell):
    clean, rough = rectified(edge_mm), rectified(edge_mm, NOISE_MM)
    if edge_mm >= 3.0:
        assert_guaranteed(rough)
    worst = 0.0
    for one, two in zip(clean.regions, rough.regions, strict=True):
        assert not two.backed_off
        median = float(np.median(np.abs(two.error_mm)))
        assert median < 0.20, two.region.name  # mm, the bound with 0.2 mm of noise
        assert two.volume_ml == pytest.approx(one.volume_ml, rel=0.01)
        worst = max(worst, median)
    assert rough.volumes.change_ml == pytest.approx(clean.volumes.change_ml, rel=0.01)
    assert rough.checks.self_intersections == rough.checks.self_intersections_of_capture == 0
    tell(
        f"amounts with {NOISE_MM} mm of noise, {edge_mm:g} mm edges: off by {worst:.3f} mm in the worst region's median"
    )


SHARED = (
    Path(__file__).resolve().parents[2].parent / "shared" / "limbs"
)  # finely scanned bodies, where they are at hand
CAPTURES = [
    demo_folder() / "RB-105",
    *(p for name in ("tt-right-medium", "tf-right-mid") if (p := SHARED / name).exists()),
]


@pytest.mark.parametrize("folder", CAPTURES, ids=lambda folder: folder.name)
def test_a_case_with_noise_turns_no_face_over_and_keeps_its_amounts(folder, tell):
    # the case's own rulebook, laid out on the clean scan and carried out on the noisy one
    clean, what = rectify.open_case(folder).resolved()
    outcome = rectify_limb(made.noisy(clean, NOISE_MM, seed=3), what)
    assert_guaranteed(outcome)
    medians = []
    for i, found in enumerate(outcome.regions):
        core = outcome.asked.core(i, outcome.plan)
        if core.any() and not found.region.forms:
            assert not found.backed_off, found.region.name
            medians.append(float(np.median(np.abs(found.error_mm))))
    assert max(medians) < 0.20
    tell(
        f"amounts with {NOISE_MM} mm of noise, {folder.name}: off by {max(medians):.3f} mm in the worst region's median"
    )


def test_places_on_the_chart_do_not_depend_on_the_scan():
    # the same landmarks lie at the same station and angle within what a chord of the coarsest mesh cuts off
    for name, mark in scanned(FINEST).landmarks.items():
        if mark.source != "marked":
            continue
        for coarse in (scanned(6.0), scanned(3.0, NOISE_MM)):
            for one, two in zip(mark.spots, coarse.landmarks[name].spots, strict=True):
                assert abs(one.station_mm - two.station_mm) < 0.5
                radius = scanned(FINEST).chart.mean_radius(one.station_mm)
                turn = (one.angle_deg - two.angle_deg + 180.0) % 360.0 - 180.0
                assert abs(np.radians(turn)) * radius < 0.5
