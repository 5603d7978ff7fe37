"""How time and memory grow with the scan: exponents between 50,000 and 1,000,000 triangles.

Run as `python benchmarks/growth.py [--triangles 50000 100000 200000 400000 1000000] [--repeats 3]`.

Each size is one generated limb, rectified by the whole command in a process of its own (STL and JSON out). An exponent
is the slope of a straight line through the logarithms: 1 is linear. Start-up, and what takes as long whatever the scan,
flatter it; so a second exponent p is that of start + rate * triangles ** p, all three fitted to the sizes and to one
small case, relative misses counted. (Taking off what the small case takes would not do: it takes its own work off too,
and makes 1.055 of a cost that is exactly linear.)
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.speed import fine_case, machine, process, rectify, say

SMALLEST = 8_000  # triangles: nearly all that it takes, any scan takes


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


def own_exponent(sizes: list[int], values: list[float]) -> tuple[float, float]:
    """Exponent p and start of start + rate * size ** p, the relative misses least; p to 0.005."""
    n, v = np.array(sizes, dtype=np.float64), np.array(values)
    best = (np.inf, float("nan"), float("nan"))
    for p in np.arange(0.5, 2.0, 0.005):
        rows = np.stack([np.ones(len(n)), (n / n.max()) ** p], axis=1) / v[:, None]
        (start, rate), *_ = np.linalg.lstsq(rows, np.ones(len(n)), rcond=None)
        miss = float(np.linalg.norm(rows @ (start, rate) - 1.0))
        if start >= 0 and rate > 0 and miss < best[0]:
            best = (miss, float(p), float(start))
    return best[1], best[2]


def main(arguments: list[str] | None = None) -> None:
    """Print the table and the exponents."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--triangles", type=int, nargs="+", default=[50_000, 100_000, 200_000, 400_000, 1_000_000])
    parser.add_argument("--repeats", type=int, default=3)
    asked = parser.parse_args(arguments)
    say(f"{machine()}; the least of {asked.repeats} runs")
    least, start = measured(SMALLEST, asked.repeats)
    say(f"{least:12,}   {start[0]:7.2f} s wall   {start[1]:7.2f} s CPU   {start[2]:7.0f} MB")
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
            own, begun = own_exponent([least, *sizes], [start[i], *(row[i] for row in rows)])
            unit = "MB" if what == "memory" else "s"
            say(f"exponent of {what:7s} {whole:5.2f}; of what grows {own:5.2f}, beside {begun:.2f} {unit} for any scan")


if __name__ == "__main__":
    main()
