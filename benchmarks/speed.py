"""What the whole costs, as ratios to a general mesh library or to doing nothing, taken in one run on one machine.

Run as `python benchmarks/speed.py [abcde] [--triangles 400000] [--repeats 5]`:

    a  read, join and write a binary STL, beside trimesh, in one process
    b  `rectify apply` of that STL, STL and JSON out, beside a process that only loads and saves it with trimesh:
       wall and CPU seconds and the most memory; start-up counts on both sides, compiled bytecode is there on both
    c  `rectify --help`, beside `python -c pass`
    d  one amount changed on a limb of half as many vertices: its new positions
    e  the same with every guarantee, everything measured anew; and the guard alone

Runs of the two sides take turns; a line gives the median and the least of each, and both ratios. The scan is a
generated limb with a fine edge, kept in the folder for temporary files, since making it takes longer than reading it.
On a busy machine wall times of one side wander by a third: the least CPU seconds tell most.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command has it, before numpy is loaded

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from rectify.case import open_case  # noqa: E402
from rectify.cli.process import settle_process  # noqa: E402
from rectify.engine import prepare  # noqa: E402
from rectify.engine.guard import guard  # noqa: E402
from rectify.fabrication.write_stl import write_stl  # noqa: E402
from rectify.geometry.read import read_mesh  # noqa: E402
from rectify.synthetic import CASES, case_files  # noqa: E402

THEIRS = "import sys, trimesh; trimesh.load_mesh(sys.argv[1]).export(sys.argv[2])"
# wall and CPU seconds, MB and exit code of a child; in a process of its own, for a fork counts its parent's memory too
MEASURE = """
import json, resource, subprocess, sys, time
began = time.perf_counter()
code = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode
wall, used = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps([wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, code]))
"""


def say(text: str = "") -> None:
    """One line of output."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def machine() -> str:
    """What the figures depend on."""
    return (
        f"{platform.machine()}, {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}, "
        f"Python {platform.python_version()}, numpy {np.__version__}"
    )


# -- the scan -------------------------------------------------------------------------------------


def edge_for(triangles: int) -> float:
    """The edge length at which the first demo limb has about so many triangles, mm: 8,286 of them at 4.4 mm."""
    return float(4.4 * np.sqrt(8_000 / triangles))


def fine_case(triangles: int, *, liner: bool = False) -> Path:
    """A case folder whose scan has about so many triangles, made once; with a liner to be made up for, or nothing."""
    place = Path(tempfile.gettempdir(), f"rectify-benchmark-{triangles}{'-liner' if liner else ''}", CASES[0].code)
    done = place.parent / "done"
    if not done.exists():
        place.mkdir(parents=True, exist_ok=True)
        case = replace(CASES[0], limb=replace(CASES[0].limb, edge_mm=edge_for(triangles)))
        for name, content in case_files(case).items():
            (place / name).write_bytes(content if liner else content.replace(b"wear: [{liner: 3 mm}]\n", b""))
        done.touch()
    return place


# -- measuring ------------------------------------------------------------------------------------


def in_turns(works: list[Callable[[], object]], repeats: int) -> list[list[float]]:
    """Milliseconds of processor time of each work, taking turns; the first turn is left out."""
    times: list[list[float]] = [[] for _ in works]
    for turn in range(repeats + 1):
        for work, taken in zip(works, times, strict=True):
            began = time.process_time()
            work()
            if turn:
                taken.append(1000 * (time.process_time() - began))
    return times


def environment() -> dict[str, str]:
    """As an installed program finds it: its bytecode compiled once and kept (here aside), nothing else settled."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    bytecode = str(Path(tempfile.gettempdir(), "rectify-benchmark-bytecode"))
    return {**kept, "PYTHONPYCACHEPREFIX": bytecode, "PYTHONPATH": str(ROOT)}


def rectify(*words: str) -> list[str]:
    """The command in this checkout, as a process's words."""
    return [sys.executable, "-m", "rectify", *words]


def process(words: list[str]) -> list[float]:
    """Wall s, CPU s, most MB and exit code of a process."""
    ended = subprocess.run(
        [sys.executable, "-c", MEASURE, *words],
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    return [float(x) for x in json.loads(ended.stdout)]


def compare(name: str, ours: list[float], theirs: list[float], unit: str) -> None:
    """One line: medians, least ones, ratios."""
    a, b = float(np.median(ours)), float(np.median(theirs))
    say(
        f"{name:52s} ours {a:9.2f} (least {min(ours):8.2f})   other {b:9.2f} (least {min(theirs):8.2f})   "
        f"ratio {a / b:5.2f} ({min(ours) / min(theirs):5.2f})   {unit}"
    )


# -- what is measured -----------------------------------------------------------------------------


def reading(case: Path, repeats: int) -> None:
    """a: read, join, write."""
    import trimesh

    path = case / "scan.stl"
    with tempfile.TemporaryDirectory() as folder:
        number = iter(range(10**6))

        def ours() -> None:
            write_stl(read_mesh(path).mesh, Path(folder, f"{next(number)}.stl"))

        def theirs() -> None:
            trimesh.load_mesh(path).export(Path(folder, f"{next(number)}.stl"))

        one, two = in_turns([ours, theirs], repeats)
    compare("a  read, join, write STL, beside trimesh", one, two, "ms")


def whole_command(case: Path, repeats: int, *, liner: bool) -> None:
    """b: the whole command, beside loading and saving."""
    name = "b  rectify apply" + (" with a liner" if liner else "") + ", beside load and save: "
    rows: list[list[list[float]]] = [[], []]
    with tempfile.TemporaryDirectory() as folder:
        for turn in range(repeats + 1):
            out = Path(folder, f"out{turn}")
            ours = process(rectify("apply", str(case), "--out", str(out), "--without", "page", "--without", "3mf"))
            theirs = process([sys.executable, "-c", THEIRS, str(case / "scan.stl"), str(Path(folder, f"{turn}.stl"))])
            if ours[3] not in (0, 4) or theirs[3] != 0:
                raise SystemExit(f"ended with {ours[3]:.0f} and {theirs[3]:.0f}")
            if turn:
                rows[0].append(ours)
                rows[1].append(theirs)
    for i, (what, unit) in enumerate((("wall", "s"), ("CPU", "s"), ("most memory", "MB"))):
        compare(name + what, *([r[i] for r in side] for side in rows), unit)


def help_text(repeats: int) -> None:
    """c: help."""
    rows: list[list[float]] = [[], []]
    for turn in range(repeats + 1):
        ours, theirs = process(rectify("--help")), process([sys.executable, "-c", "pass"])
        if turn:
            rows[0].append(1000 * ours[0])
            rows[1].append(1000 * theirs[0])
    compare("c  rectify --help, beside python -c pass", rows[0], rows[1], "ms")


def one_amount(case: Path, repeats: int) -> None:
    """d and e: an amount changed: positions, every guarantee, the guard alone."""
    opened = open_case(case)
    prepared = prepare(*opened.resolved())
    name, start = next((r.name, r.asked_mm) for r in prepared.plan.regions if not r.forms)
    limb, asked = prepared.limb, prepared.asked
    steepest = float(np.tan(np.radians(prepared.plan.limits.slope_deg)))
    changed = iter(start + 0.01 * i for i in range(10**6))  # never the same amount twice
    works: list[tuple[str, Callable[[], object]]] = [
        ("d  one amount changed: new positions", lambda: prepared.retuned({name: next(changed)})),
        ("e  one amount changed: every guarantee", lambda: prepared.guaranteed({name: next(changed)})),
        (
            "e  of that the guard alone",
            lambda: guard(limb, asked.places, asked.base, asked.normals, asked.step, steepest, asked.form),
        ),
    ]
    for (text, _), times in zip(works, in_turns([work for _, work in works], repeats), strict=True):
        say(
            f"{text}, {len(limb.mesh.vertices):,} vertices, {len(prepared.plan.regions)} regions: "
            f"{np.median(times):.1f} ms (least {min(times):.1f})"
        )


def main(arguments: list[str] | None = None) -> None:
    """Print the tables asked for."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("tables", nargs="?", default="abcde")
    parser.add_argument("--triangles", type=int, default=400_000)
    parser.add_argument("--amount-vertices", type=int, default=100_000, help="of d and e")
    parser.add_argument("--repeats", type=int, default=5)
    asked = parser.parse_args(arguments)
    case = fine_case(asked.triangles)
    count = (case / "scan.stl").stat().st_size // 50
    settle_process()  # as the command does
    say(f"{count:,} triangles; {machine()}")
    if "a" in asked.tables:
        reading(case, asked.repeats)
    if "b" in asked.tables:
        whole_command(case, asked.repeats, liner=False)
        whole_command(fine_case(asked.triangles, liner=True), asked.repeats, liner=True)
    if "c" in asked.tables:
        help_text(asked.repeats)
    if set("de") & set(asked.tables):
        one_amount(fine_case(2 * asked.amount_vertices), asked.repeats)


if __name__ == "__main__":
    main()
