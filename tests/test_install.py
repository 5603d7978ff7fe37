"""The wheel: built, installed where only the declared dependencies are, and used from another folder."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
import trimesh

import rectify
from rectify.data import demo_folder, rules_folder
from rectify.synthetic import capsule
from rectify.viewer import static_folder

ROOT = Path(__file__).resolve().parents[1]
SCRIPTS = "Scripts" if os.name == "nt" else "bin"
SETTINGS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
FORMATS = ("stl", "stl_ascii", "ply", "obj", "off", "glb", "3mf")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from the checkout with what the checks have installed."""
    folder = tmp_path_factory.mktemp("wheel")
    options = ["--no-build-isolation", "--no-deps", "-q", "-w", str(folder)]
    subprocess.run([sys.executable, "-m", "pip", "wheel", *options, str(ROOT)], check=True, timeout=120)
    (made,) = folder.glob("*.whl")
    return made


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new virtual environment with the wheel and what it declares, and nothing else. Its folder of programs."""
    place = tmp_path_factory.mktemp("venv")
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(place)], check=True, timeout=60)
    programs = place / SCRIPTS
    options = ["-q", "--no-compile", "-c", str(ROOT / "constraints.txt"), str(wheel)]
    pip = [sys.executable, "-m", "pip", "--python", str(programs / "python"), "install"]
    subprocess.run([*pip, *options], check=True, timeout=300)
    return programs


Program = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def program(installed: Path, tmp_path: Path) -> Program:
    """Run an installed program in an empty folder."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "COV", "RECTIFY"))}

    def running(name: str, *words: str) -> subprocess.CompletedProcess[str]:
        command = [str(installed / name), *words]
        return subprocess.run(command, cwd=tmp_path, env=kept, capture_output=True, text=True, timeout=120)

    return running


def test_the_wheel_holds_the_package_its_rulebooks_and_its_demo_cases(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
        for folder, name in ((rules_folder(), "rules"), (demo_folder(), "demo_limbs")):
            for file in (p for p in folder.rglob("*") if p.is_file()):
                inside = f"rectify/_data/{name}/{file.relative_to(folder).as_posix()}"
                assert archive.read(inside) == file.read_bytes()
        text = archive.read(next(name for name in names if name.endswith("METADATA"))).decode()
    assert {"rectify/py.typed", "rectify/rulebook/LANGUAGE.md"} <= names
    shown = {f"rectify/viewer/static/{file.name}" for file in static_folder().iterdir()}
    assert shown <= names and any(name.endswith("three.LICENSE.txt") for name in shown)
    assert any(name.endswith("licenses/LICENSE") for name in names)
    assert not [
        name for name in names if name.split("/")[0] not in ("rectify", f"rectify-{rectify.__version__}.dist-info")
    ]
    assert f"Version: {rectify.__version__}" in text and "License-Expression: MIT" in text


def test_nothing_is_installed_beyond_what_is_declared_and_needed(program: Program) -> None:
    code = (
        "import importlib.metadata as m, json;print(json.dumps({d.name: d.requires or [] for d in m.distributions()}))"
    )
    there = {_plain(name): wants for name, wants in json.loads(program("python", "-c", code).stdout).items()}
    declared = {_plain(_name(text)) for text in SETTINGS["project"]["dependencies"]}
    reached, todo = set(), ["rectify"]
    while todo:
        name = todo.pop()
        if name in there and name not in reached:
            reached.add(name)
            todo += [_plain(_name(text)) for text in there[name] if "extra ==" not in text]
    assert set(there) == reached and declared <= set(there)
    assert not {"pytest", "hypothesis", "opencamlib", "mypy", "ruff"} & set(there)


def _name(requirement: str) -> str:
    found = re.match(r"[A-Za-z0-9._-]+", requirement)
    assert found is not None
    return found[0]


def _plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def test_installed_it_finds_its_rulebooks_from_any_folder(program: Program, installed: Path) -> None:
    where = program("python", "-c", "from rectify.data import *; print(rules_folder()); print(demo_folder())")
    home = installed.parent
    assert all(Path(line).is_relative_to(home) for line in where.stdout.splitlines())
    listed = program("rectify", "rules", "list")
    assert listed.returncode == 0 and "transtibial-patellar-tendon-bearing" in listed.stdout
    assert program("rectify", "--version").stdout == f"rectify, version {rectify.__version__}\n"


def test_installed_it_writes_the_demo_cases_and_rectifies_one(program: Program, tmp_path: Path) -> None:
    assert program("rectify", "demo").returncode == 0
    done = program("rectify", "apply", "rectify-demo/RB-101")
    assert done.returncode == 4, done.stderr  # made; nobody has released it
    made = sorted(path.name for path in (tmp_path / "RB-101-rectified").iterdir())
    assert {"RB-101-rectified.stl", "RB-101-rectified.3mf", "change-report.json", "change-report.html"} <= set(made)
    solid = trimesh.load_mesh(tmp_path / "RB-101-rectified" / "RB-101-rectified.stl")
    assert solid.is_watertight and solid.volume > 0


@pytest.mark.parametrize("kind", FORMATS)
def test_installed_it_reads_every_format(program: Program, tmp_path: Path, kind: str) -> None:
    limb = capsule(50.0, 100.0, 6.0, 40.0)
    solid = trimesh.Trimesh(limb.vertices, limb.faces, process=False)
    name = f"scan.{kind.split('_')[0]}"
    solid.export(tmp_path / name, file_type=kind)
    code = (
        "from rectify.geometry.read import read_mesh;"
        f"r = read_mesh({name!r}); print(len(r.mesh.vertices), len(r.mesh.faces), r.mesh.vertices.max())"
    )
    done = program("python", "-c", code)
    assert done.returncode == 0, done.stderr
    vertices, faces, largest = done.stdout.split()
    assert (int(vertices), int(faces)) == (len(limb.vertices), len(limb.faces))
    assert float(largest) == pytest.approx(limb.vertices.max(), abs=1e-4)  # float32, or text with 6 digits


def test_from_a_checkout_the_rulebooks_are_those_of_the_checkout() -> None:
    assert rules_folder() == ROOT / "rules" and demo_folder() == ROOT / "demo_limbs"
