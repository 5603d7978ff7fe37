"""How time and memory grow with the scan: exponents between 50,000 and 1,000,000 triangles.

Run as `python benchmarks/growth.py [--triangles 50000 100000 200000 400000 1000000] [--repeats 3]`.

Each size is one generated limb, rectified by the whole command in a process of its own (STL and JSON out). An exponent
is the slope of a straight line through the logarithms: 1 is linear. What a process needs before it has seen a scan is
measured with the smallest case and taken off first, since it would flatter the exponent.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.speed import fine_case, machine, process, rectify, say

SMALLEST = 8_000  # triangles: what it takes is start-up


def measured(triangles: int, repeats: int) -> tuple[int, list[float]]:
    """Triangles of the scan, and the least wall s, CPU s and MB of some runs: the least is what the work takes."""
    case = fine_case(triangles)
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for turn in range(repeats):
            out = Path(folder, str(turn))
            row = process(rectify("apply", str(case), "--out", str(out), "--without", "page", "--without", "3mf"))
            if row[3] not in (0, 4):
                raise SystemExit(f"{triangles:,} triangles: ended with {row[3]:.0f}")
            rows.append(row[:3])
    return (case / "scan.stl").stat().st_size // 50, np.min(rows, axis=0).tolist()


def exponent(sizes: list[int], values: list[float]) -> float:
    """Slope of log value over log size."""
    return float(np.polyfit(np.log(sizes), np.log(np.maximum(values, 1e-9)), 1)[0])


def main(arguments: list[str] | None = None) -> None:
    """Print the table and the exponents."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--triangles", type=int, nargs="+", default=[50_000, 100_000, 200_000, 400_000, 1_000_000])
    parser.add_argument("--repeats", type=int, default=3)
    asked = parser.parse_args(arguments)
    say(f"{machine()}; the least of {asked.repeats} runs")
    _, start = measured(SMALLEST, asked.repeats)
    say(f"{'start-up':>12}   {start[0]:7.2f} s wall   {start[1]:7.2f} s CPU   {start[2]:7.0f} MB")
    sizes, rows = [], []
    for triangles in asked.triangles:
        count, row = measured(triangles, asked.repeats)
        sizes.append(count)
        rows.append(row)
        times = row[2] * 1e6 / (84 + 50 * count)
        say(f"{count:12,}   {row[0]:7.2f} s wall   {row[1]:7.2f} s CPU   {row[2]:7.0f} MB, {times:4.1f} times the STL")
    if len(sizes) > 1:
        for i, what in enumerate(("wall", "CPU", "memory")):
            whole = exponent(sizes, [row[i] for row in rows])
            own = exponent(sizes, [row[i] - start[i] for row in rows])
            say(f"exponent of {what:7s} {whole:5.2f}; without start-up {own:5.2f}")


if __name__ == "__main__":
    main()
