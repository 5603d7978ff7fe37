"""Two results of one demo case, made once, and models in any pose."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import rectify
from rectify.data import demo_folder
from rectify.fabrication import write_stl
from rectify.geometry.mesh import Mesh
from rectify.geometry.rigid import carried

CODE = "RB-101"


@dataclass(frozen=True)
class Results:
    """The case and two results of it: as its rulebook has it, and with 1 mm more over the fibular head and 1 mm less of
    the hollow behind."""

    case: Path
    first: Path
    second: Path
    mesh: Mesh
    wall: Mesh
    captured: Mesh


@pytest.fixture(scope="session")
def results(tmp_path_factory: pytest.TempPathFactory) -> Results:
    here = tmp_path_factory.mktemp("results")
    case = Path(shutil.copytree(demo_folder() / CODE, here / CODE))
    opened = rectify.open_case(case)
    first = rectify.apply(opened)
    first.save(here / "first")
    tuned = rectify.apply(
        opened, sets=["fibular-head.change=+1mm", "popliteal.change=-1mm"], by="KW-cpo", why="redness"
    )
    tuned.save(here / "second")
    outcome = first.outcome
    return Results(case, here / "first", here / "second", first.mesh, outcome.mesh, outcome.limb.mesh)


def motion(seed: int) -> np.ndarray:
    """Any turn, and up to 300 mm away."""
    frame = np.eye(4)
    frame[:3, :3] = Rotation.random(random_state=seed).as_matrix()
    frame[:3, 3] = np.random.default_rng(seed).uniform(-300, 300, 3)
    return frame


def moved(mesh: Mesh, frame: np.ndarray) -> Mesh:
    return mesh.with_vertices(carried(mesh.vertices, frame))


@pytest.fixture
def write(tmp_path: Path) -> Callable[[Mesh, str], Path]:
    """Write a mesh as STL into the test's own folder."""

    def written(mesh: Mesh, name: str = "model.stl") -> Path:
        write_stl(mesh, tmp_path / name)
        return tmp_path / name

    return written
