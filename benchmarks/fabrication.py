"""A check-socket shell and a model to be carved from a positive model, step by step, in CPU seconds.

Run as `python benchmarks/fabrication.py [triangles] [RESULT ...]`. Without a result's folder the positive is a capsule
of about so many triangles (100,000) with 0.05 mm of noise and a waved trimline; its seed is fixed. Beside each total
stands what trimesh takes in the same run to load and save the same model as STL, and the ratio.
"""

from __future__ import annotations

import io
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from rectify.fabrication import (
    CarvingSpec,
    Fitting,
    Positive,
    SocketSpec,
    Wall,
    make_carving,
    make_socket,
    positive_model,
    read_positive,
    stl_bytes,
)
from rectify.fabrication.narrowing import narrowing
from rectify.fabrication.shell import make_shell
from rectify.fabrication.thickness import thickness
from rectify.geometry.cap import cap_opening, closed
from rectify.geometry.mesh import Mesh
from rectify.geometry.nearest import Tree
from rectify.synthetic.shapes import capsule


def taken(work: Callable[[], Any]) -> tuple[float, Any]:
    """CPU seconds, and what came of it."""
    start = time.process_time()
    made = work()
    return time.process_time() - start, made


def noisy_capsule(triangles: int) -> Positive:
    """A closed capsule of 50 mm with noise, and a trimline that rises and falls by 15 mm."""
    edge = float(np.sqrt(2.0 * 85_000.0 / triangles) * 1.07)  # 85,000 mm² of surface
    body = capsule(50.0, 150.0, edge, 60.0)
    noise = np.random.default_rng(21).normal(scale=0.05, size=body.vertices.shape)
    body = Mesh(body.vertices + noise, body.faces)
    body = closed(body, cap_opening(body))
    turn = np.linspace(0.0, 2 * np.pi, 400, endpoint=False)
    line = np.column_stack([50.0 * np.sin(turn), 50.0 * np.cos(turn), 15.0 * np.cos(2 * turn)])
    on = Tree(body.vertices, body.faces).nearest(line)[2]
    report = {"case": "BENCH-1", "side": "right", "amputation": "none", "status": "draft", "warnings": []}
    return positive_model(report, body, {"points": on.tolist()}, b"")


def measure(name: str, positive: Positive) -> None:
    """Print the lines of one positive."""
    content = stl_bytes(positive.mesh)

    def trip() -> bytes:
        return trimesh.load(io.BytesIO(content), file_type="stl").export(file_type="stl")

    trip()
    plain = min(taken(trip)[0] for _ in range(3))
    spec = SocketSpec(Wall(4.0, 5.0, 6.0), Fitting(hole_mm=8.0, boss_mm=50.0, flexion_deg=5.0))
    shell_s, shell = taken(lambda: make_shell(positive.mesh, positive.trimline, spec.wall))
    wall_s, _ = taken(lambda: thickness(shell))
    up = np.array([0.0, 0.0, 1.0])
    pull_s, _ = taken(lambda: narrowing(positive.mesh, shell.within.mesh, up))
    socket_s, socket = taken(lambda: make_socket(positive, spec))
    carve_s, carve = taken(lambda: make_carving(positive, CarvingSpec(bore_mm=25.0, bore_depth_mm=40.0)))
    print(f"{name}: {len(positive.mesh.faces):,} triangles; trimesh loads and saves it in {plain:.2f} s")  # noqa: T201
    print(f"  shell        {shell_s:6.2f} s   {len(shell.mesh.faces):,} triangles, along {shell.way}")  # noqa: T201
    print(f"  its wall     {wall_s:6.2f} s   measured both ways")  # noqa: T201
    print(f"  one pull     {pull_s:6.2f} s")  # noqa: T201
    print(f"  whole socket {socket_s:6.2f} s   {len(socket.mesh.faces):,} triangles, {socket_s / plain:.1f} trips")  # noqa: T201
    print(f"  to be carved {carve_s:6.2f} s   {len(carve.mesh.faces):,} triangles, {carve_s / plain:.1f} trips")  # noqa: T201


def main() -> None:
    """Print the figures."""
    words = sys.argv[1:]
    count = int(words.pop(0)) if words and words[0].isdigit() else 100_000
    for folder in words:
        measure(folder, read_positive(Path(folder)))
    if not words:
        measure("capsule", noisy_capsule(count))


if __name__ == "__main__":
    main()
