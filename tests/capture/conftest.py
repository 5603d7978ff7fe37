"""Coarse limbs for the intake of raw scans, made once."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rectify.geometry.mesh import Mesh, Points
from rectify.synthetic import CASES


@pytest.fixture(scope="session")
def coarse_limbs() -> list[tuple[Mesh, dict[str, Points]]]:
    """The six demo limbs with 6 mm edges: surface and landmarks, in the limb frame."""
    out = []
    for case in CASES:
        made = replace(case, limb=replace(case.limb, edge_mm=6.0, noise_mm=0.0)).made()
        out.append((made.mesh, made.landmarks))
    return out
