"""Files damaged by a seeded generator: read or refused in words, never worse. The long run: benchmarks/fuzz.py."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from benchmarks.fuzz import SLOW_S, TARGETS, Reached, Target, Tried, damaged, fuzz, glb_from, glb_of, once
from rectify.errors import RectifyError
from rectify.geometry.read import read_mesh
from rectify.synthetic import capsule
from tests.guarantees.tier import often

# inputs per target and guide: one to three seconds each
COUNTS = {
    "stl": 250, "ply": 200, "obj": 150, "off": 150, "glb": 180, "3mf": 200, "yaml": 700, "rulebook": 100, "case": 60,
    "carried": 20, "scan": 12,
}  # fmt: skip


@pytest.mark.parametrize("guide", ["none", "trace"])
@pytest.mark.parametrize("name", TARGETS)
def test_damaged_files_are_read_or_refused_in_words(name, guide, tell):
    tried = fuzz(name, seed=20, inputs=often(COUNTS[name]), guide=guide)
    assert not tried.findings, tried.findings[0][0]
    assert tried.refused > tried.inputs / 4  # otherwise nothing was damaged
    assert tried.slowest_s < SLOW_S
    kept = f", {tried.kept} for new lines" if guide == "trace" else ""
    tell(f"damaged files, {name}: {tried.inputs}{kept}, {tried.read} read, {tried.refused} refused, no finding")


@pytest.mark.parametrize("name", TARGETS)
def test_the_sound_files_are_read(name, tmp_path):
    tried = Tried(name)
    for data in TARGETS[name].seeds():
        once(TARGETS[name], data, tmp_path, tried)
    assert tried.read == tried.inputs > 0 and not tried.findings


def test_a_run_is_the_same_every_time():
    one, two = (fuzz("off", seed=3, inputs=40, guide="none") for _ in range(2))
    assert (one.read, one.refused) == (two.read, two.refused)
    rng = np.random.default_rng(1)
    data = TARGETS["stl"].seeds()[0]
    assert len({damaged(data, rng) for _ in range(20)}) > 15


def test_a_fault_would_be_found(tmp_path):
    def broken(data: bytes, place: Path) -> None:  # noqa: ARG001
        if b"7" in data:
            raise KeyError("7")

    tried = Tried("broken")
    once(Target("broken", lambda: [b"1"], broken), b"1", tmp_path, tried)
    assert tried.read == 1 and not tried.findings
    once(Target("broken", lambda: [b"1"], broken), b"17", tmp_path, tried)
    assert len(tried.findings) == 1 and "KeyError" in tried.findings[0][0]


def test_the_trace_sees_which_lines_an_input_reaches(tmp_path):
    reached, before = Reached(), sys.gettrace()
    (tmp_path / "scan.off").write_bytes(TARGETS["off"].seeds()[0])
    with reached.watching():
        read_mesh(tmp_path / "scan.off")
    assert reached.new() and not reached.new()
    assert sys.gettrace() is before
    assert {Path(file).name for file, _ in reached.lines} >= {"read.py", "guards.py"}


def test_the_glb_made_here_is_one(tmp_path):
    mesh = capsule(50.0, 120.0, 18.0, 50.0)
    (tmp_path / "scan.glb").write_bytes(glb_of(mesh))
    assert len(read_mesh(tmp_path / "scan.glb").mesh.faces) == len(mesh.faces)
    (tmp_path / "scan.glb").write_bytes(glb_from(b"{}", b""))
    with pytest.raises(RectifyError):
        read_mesh(tmp_path / "scan.glb")
