"""Reading, joining, surveying and writing a scan of 400,000 triangles, beside a general mesh library in one run.

Run as `python benchmarks/bench_read.py [triangles]`. The scan is a closed tapered capsule with 0.03 mm of noise
whose faces are in random order, which is hard on the cache; its seed is fixed. Each line gives the median and
the least of the repeats, ours and trimesh's taking turns, and the ratio of the medians: under about 1.3 it is
a tie on a busy machine. The first call of each is left out, and given on the last line.
"""

from __future__ import annotations

import itertools
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import trimesh

from rectify.fabrication.threemf import threemf_bytes
from rectify.fabrication.write_stl import write_stl
from rectify.geometry.edges import survey
from rectify.geometry.merge import merge
from rectify.geometry.mesh import Mesh
from rectify.geometry.read import read_mesh

REPEATS = 7


def scan(triangles: int) -> Mesh:
    """About this many triangles, closed, outward, some 300 mm long; faces in random order."""
    sides = max(int(np.sqrt(triangles / 2)) & ~1, 8)
    rings = max(triangles // (2 * sides), 3)
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    rise = np.linspace(-0.5 * np.pi, 0.5 * np.pi, rings + 1)[1:-1, None]
    radius = (50 + 8 * np.sin(rise)) * np.cos(rise) ** 0.4
    wall = np.stack(np.broadcast_arrays(radius * np.cos(angle), radius * np.sin(angle), 150 * np.sin(rise)), axis=-1)
    points = np.concatenate([wall.reshape(-1, 3), [[0, 0, -150.0], [0, 0, 150.0]]])
    here, there = np.arange(sides), (np.arange(sides) + 1) % sides
    row = np.arange(rings - 2)[:, None] * sides
    last, count = (rings - 2) * sides, len(points)
    faces = np.concatenate(
        [
            np.stack([row + here, row + there, row + sides + there], axis=-1).reshape(-1, 3),
            np.stack([row + here, row + sides + there, row + sides + here], axis=-1).reshape(-1, 3),
            np.stack([there, here, np.full(sides, count - 2)], axis=-1),
            np.stack([last + here, last + there, np.full(sides, count - 1)], axis=-1),
        ]
    )
    chance = np.random.default_rng(20)
    points = points + chance.normal(scale=0.03, size=points.shape)
    return Mesh(points, chance.permutation(faces).astype(np.int64))


def compare(name: str, ours: Callable[[], object], theirs: Callable[[], object] | None = None) -> None:
    """Time both in turns, print milliseconds and the ratio."""
    works = [work for work in (ours, theirs) if work is not None]
    times: list[list[float]] = [[] for _ in works]
    for _ in range(REPEATS + 1):
        for work, taken in zip(works, times, strict=True):
            start = time.perf_counter()
            work()
            taken.append(1000 * (time.perf_counter() - start))
    middle = [float(np.median(taken[1:])) for taken in times]
    line = f"{name:34s} ours {middle[0]:8.1f} (least {min(times[0][1:]):7.1f}, first {times[0][0]:7.1f})"
    if theirs is not None:
        line += f"   trimesh {middle[1]:8.1f} (least {min(times[1][1:]):7.1f})   ratio {middle[0] / middle[1]:.3f}"
    print(line + "   ms")  # noqa: T201


def main() -> None:
    """Print the table."""
    mesh = scan(int(sys.argv[1]) if len(sys.argv) > 1 else 400_000)
    found = survey(mesh)
    if not found.watertight or found.body_count != 1:
        raise SystemExit("the benchmark's own scan is not sound")
    print(f"{len(mesh.faces):,} triangles, {len(mesh.vertices):,} vertices, numpy {np.__version__}")  # noqa: T201
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "scan.stl")
        copies = (Path(folder, f"copy{number}.stl") for number in itertools.count())
        write_stl(mesh, path)
        corners = mesh.vertices.astype(np.float32)[mesh.faces]
        other = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
        if len(read_mesh(path).mesh.vertices) != len(trimesh.load_mesh(path).vertices):
            raise SystemExit("the two readers do not agree")

        def write_ours() -> None:
            write_stl(mesh, next(copies))

        def write_theirs() -> None:
            trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).export(next(copies))

        def survey_theirs() -> bool:
            fresh = trimesh.Trimesh(other.vertices, other.faces, process=False)
            return bool(fresh.is_watertight and fresh.is_winding_consistent)

        def trip_ours() -> None:
            read_mesh(path)
            write_ours()

        def trip_theirs() -> None:
            trimesh.load_mesh(path).export(next(copies))

        compare("join corners", lambda: merge(corners))
        compare("read STL and join", lambda: read_mesh(path), lambda: trimesh.load_mesh(path))
        compare("survey: closed, oriented, bodies", lambda: survey(mesh), survey_theirs)
        compare("write STL", write_ours, write_theirs)
        compare("read STL, join, write STL", trip_ours, trip_theirs)
        compare("make 3MF", lambda: threemf_bytes(mesh))
        Path(folder, "scan.3mf").write_bytes(threemf_bytes(mesh))
        compare(
            "read 3MF", lambda: read_mesh(Path(folder, "scan.3mf")), lambda: trimesh.load_mesh(Path(folder, "scan.3mf"))
        )


if __name__ == "__main__":
    main()
