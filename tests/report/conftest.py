"""Cases for reports: the demo cases through the front door, and closed forms written as case folders."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from typing import Any

import pytest

import rectify
from rectify.api import Result
from rectify.case import Case, Standing, open_case
from rectify.data import demo_folder
from rectify.engine import Outcome, rectify_limb
from rectify.geometry.mesh import Mesh
from rectify.limb.spot import Spot
from rectify.report import change_facts
from rectify.rulebook.plan import End, Plan
from rectify.synthetic import capsule
from rectify.synthetic.files import stl_bytes
from tests import made

ANTERIOR, LATERAL, POSTERIOR = 0.0, 90.0, 180.0
Write = Callable[..., Case]


@cache
def demo(code: str) -> Result:
    """A demo case, rectified once for all tests."""
    return rectify.apply(open_case(demo_folder() / code))


def write_case(place: Path, *says: str, mesh: Mesh | None = None, side: str = "right", marks: str = "") -> Case:
    """Write a capsule of radius 50 mm, its wall 150 mm below the origin, as a case; `says` are lines of case.yaml."""
    folder = place / f"case-{len(list(place.iterdir()))}"
    folder.mkdir()
    (folder / "scan.stl").write_bytes(stl_bytes(capsule(edge_mm=4.0) if mesh is None else mesh))
    (folder / "landmarks.yaml").write_text(f"mid-patellar-tendon: [0, 50, 0]\n{marks}")
    scan = () if any(line.startswith("scan:") for line in says) else ("scan: {file: scan.stl, units: mm}",)
    head = ("format: 1", "case: RB-900", f"side: {side}", "amputation: transtibial", "landmarks: landmarks.yaml")
    (folder / "case.yaml").write_text("\n".join((*head, *scan, *says)) + "\n")
    return open_case(folder)


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """`write_case` into the test's own folder."""
    return partial(write_case, tmp_path)


def draft(*reasons: Any) -> Standing:
    """Nobody released it."""
    return Standing("draft", None, None, "0" * 64, tuple(reasons))


def released() -> Standing:
    """Somebody did."""
    return Standing("released", "JT-cpo", "2026-11-21", "0" * 64, ())


def reported(case: Case, plan: Plan, standing: Standing | None = None) -> tuple[dict[str, Any], Outcome]:
    """Facts and outcome of a plan carried out on a case's limb."""
    outcome = rectify_limb(case.limb, with_digests(plan))
    return change_facts(case, outcome, standing or draft()), outcome


def with_digests(plan: Plan) -> Plan:
    """A plan written by hand has no digest of its rulebook; the schema wants one."""
    return replace(plan, rulebook_sha256="1" * 64, scan_sha256="2" * 64)


def patches() -> Plan:
    """One build-up in front, one reduction on the outside, an overall reduction and a longer end."""
    return made.plan(
        made.build_up("front", 4.0, Spot(40.0, ANTERIOR), why="bone", evidence="from memory, unverified"),
        made.reduction("outside", 3.0, Spot(70.0, LATERAL), feather=10.0, why="muscle"),
        overall=made.overall((20.0, 3.0), (100.0, 3.0)),
        end=End("lengthen", 5.0, 150.0, 5.0),
    )
