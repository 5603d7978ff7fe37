"""AP, ML and circumference before and after, counted by trimesh and shapely, against what the rulebook's limits judged.

The sections are trimesh's (`mesh_plane`), put together and measured by shapely: extents along the limb frame's x and y,
and the perimeter of the convex hull, for a tape bridges hollows. A section that does not close counts for nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely
import trimesh

import rectify
from rectify.data import demo_folder
from rectify.engine import Outcome, rectify_limb
from rectify.geometry.mesh import Mesh
from rectify.limb.limb import Limb
from rectify.rulebook.plan import Limits, Plan
from tests import made

MEASURES = ("ap", "ml", "circumference")
SAME_MM = 1e-6  # two ways of cutting the same clean triangles
QUIET_MM = 0.25  # where steep feathers make an outline of 4.6 mm edges count as rough it is freed of some of that first
NEAR_POINTS = 0.1  # percentage points that this comes to
EVERY_MM = 2.0  # of level: where limits are judged


def outline(mesh: Mesh, level_mm: float) -> shapely.Geometry | None:
    """What a level plane cuts: its rings; None where one of them does not close, or nothing is cut."""
    body = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    lines = trimesh.intersections.mesh_plane(body, [0.0, 0.0, 1.0], [0.0, 0.0, -level_mm])
    if not len(lines):
        return None
    pieces = shapely.linestrings(np.round(lines[:, :, :2], 9))
    rings, cuts, dangles, invalid = shapely.polygonize_full(pieces[shapely.length(pieces) > 0])
    whole = rings if all(shapely.is_empty(part) for part in (cuts, dangles, invalid)) else None
    return None if whole is None or shapely.is_empty(whole) else whole


def sizes(mesh: Mesh, levels: np.ndarray) -> dict[str, np.ndarray]:
    """AP, ML and circumference at levels, mm each; NaN where a section is open."""
    found = []
    for level in levels:
        rings = outline(mesh, float(level))
        if rings is None:
            found.append([np.nan] * 3)
            continue
        x0, y0, x1, y1 = shapely.bounds(rings)
        found.append([y1 - y0, x1 - x0, shapely.length(shapely.convex_hull(rings))])
    return dict(zip(MEASURES, np.array(found).T, strict=True))


@cache
def captured(code: str) -> tuple[Limb, Plan, np.ndarray, dict[str, np.ndarray]]:
    """A demo limb, its plan, the levels of its wall, and what the capture measures there."""
    outcome = rectify.apply(rectify.open_case(demo_folder() / code)).outcome
    limb = outcome.limb
    top = float(-limb.mesh.vertices[:, 2].max())
    levels = np.arange(np.ceil(top / EVERY_MM) * EVERY_MM, limb.inflection_mm + 1e-9, EVERY_MM)
    return limb, outcome.plan, levels, sizes(limb.mesh, levels)


def all_of_it(plan: Plan) -> Plan:
    """Every amount at the most that the rulebook allows."""
    most = [r.allow_mm[1] if r.allow_mm else r.asked_mm for r in plan.regions]
    return replace(plan, regions=tuple(replace(r, asked_mm=mm) for r, mm in zip(plan.regions, most, strict=True)))


def next_to_nothing(plan: Plan) -> Plan:
    """Every amount at the least, and no overall reduction."""
    least = [r.allow_mm[0] if r.allow_mm else 0.0 for r in plan.regions]
    regions = tuple(replace(r, asked_mm=mm) for r, mm in zip(plan.regions, least, strict=True))
    return replace(plan, regions=regions, overall=None)


def much_slimmer(plan: Plan) -> Plan:
    """An overall reduction that no limit of the rulebook lets pass."""
    assert plan.overall is not None
    rows = tuple(replace(row, percent=row.percent + 14.0) for row in plan.overall.rows)
    return replace(plan, overall=replace(plan.overall, rows=rows))


TUNINGS: dict[str, Callable[[Plan], Plan]] = {
    "as it is": lambda plan: plan,
    "all it allows": all_of_it,
    "next to nothing": next_to_nothing,
    "much slimmer": much_slimmer,
}
TRIED = [
    ("RB-101", "as it is"), ("RB-101", "all it allows"), ("RB-104", "as it is"), ("RB-104", "much slimmer"),
    ("RB-105", "next to nothing"), ("RB-105", "much slimmer"), ("RB-107", "as it is"), ("RB-107", "all it allows"),
]  # fmt: skip


def judged(outcome: Outcome) -> set[str]:
    """The measures of which the outcome says that a limit does not hold."""
    return {w.code.removeprefix("limit-") for w in outcome.breaches} & set(MEASURES)


def limits_of(plan: Plan, measure: str) -> tuple[float, float] | None:
    return getattr(plan.limits, f"{measure}_percent")


@pytest.mark.parametrize(("code", "tuning"), TRIED, ids=[f"{code}, {tuning}" for code, tuning in TRIED])
def test_what_limits_judge_is_what_trimesh_and_shapely_count(code, tuning):
    limb, plan, levels, before = captured(code)
    plan = TUNINGS[tuning](plan)
    outcome = rectify_limb(limb, plan)
    after = sizes(outcome.unbrimmed, levels)  # what forms the brim is no part of a limb's girth
    percent = {m: 100.0 * (after[m] / before[m] - 1.0) for m in MEASURES}

    ends = {m: (float(np.nanmin(percent[m])), float(np.nanmax(percent[m]))) for m in MEASURES}

    # the table of the report, which has the tens
    tens = outcome.levels_before.levels
    there = (tens <= levels[-1]) & (tens >= levels[0])
    at = np.searchsorted(levels, tens[there])
    for m in MEASURES:
        for of, mine, within in ((outcome.levels_before, before, SAME_MM), (outcome.levels_after, after, QUIET_MM)):
            theirs = getattr(of, m)[there]
            assert np.array_equal(np.isnan(theirs), np.isnan(mine[m][at])), m  # open for both, or for neither
            assert np.nanmax(np.abs(theirs - mine[m][at])) < within, m

    # the rulebook's own limits
    own = {m: limits_of(plan, m) for m in MEASURES if limits_of(plan, m) is not None}
    assert set(own) == set(MEASURES)
    apart = min(abs(end - bound) for m in MEASURES for end, bound in zip(ends[m], own[m], strict=True))
    assert apart > NEAR_POINTS, "too near a limit to say"
    broken = {m for m in MEASURES if not own[m][0] <= ends[m][0] <= ends[m][1] <= own[m][1]}
    assert judged(outcome) == broken
    assert not broken or tuning != "as it is"
    assert broken or tuning != "much slimmer"

    # limits that just hold, and limits that just do not: each end of each measure, with its figure
    for by, said in ((NEAR_POINTS, 0), (-NEAR_POINTS, 2)):
        limits = Limits(**{f"{m}_percent": (low - by, high + by) for m, (low, high) in ends.items()})
        found = rectify_limb(limb, replace(plan, limits=limits)).breaches
        assert [w.code for w in found] == [f"limit-{m}" for m in MEASURES for _ in range(said)]
        for warning, end in zip(found, [e for m in MEASURES for e in ends[m]] if said else [], strict=True):
            changed = float(warning.message.split("changes by ")[1].split(" %")[0])
            assert changed == pytest.approx(end, abs=0.05 + NEAR_POINTS), warning.message  # it is told to a tenth


def test_a_width_past_its_limit_between_two_tens_is_a_breach():
    # 2 mm from where the wall turns in a lengthened end has begun to widen it, and at the tens it has not
    limb, plan, levels, before = captured("RB-104")
    outcome = rectify_limb(limb, plan)
    percent = 100.0 * (sizes(outcome.unbrimmed, levels)["ap"] / before["ap"] - 1.0)
    worst, tens = int(np.nanargmax(percent)), levels % 10.0 == 0.0
    assert not tens[worst] and percent[worst] > np.nanmax(percent[tens]) + 0.3
    limits = Limits(ap_percent=(-20.0, float(percent[worst]) - 0.1))
    found = rectify_limb(limb, replace(plan, limits=limits)).breaches
    assert [w.code for w in found] == ["limit-ap"] and f"level {levels[worst]:.0f} mm" in found[0].message


def test_the_recount_knows_a_circle_an_ellipse_and_an_open_section():
    limb = made.elliptic_limb(120.0, 100.0, 2.0)
    found = sizes(limb.mesh, np.array([40.0]))
    assert found["ap"][0] == pytest.approx(120.0, abs=0.02) and found["ml"][0] == pytest.approx(100.0, abs=0.02)
    half = Mesh(limb.mesh.vertices, limb.mesh.faces[limb.mesh.vertices[limb.mesh.faces][:, :, 0].max(axis=1) < 20.0])
    assert np.isnan(sizes(half, np.array([40.0]))["circumference"][0])
