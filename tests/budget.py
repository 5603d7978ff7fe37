"""What the tests took and reach, room by room, from pytest's and coverage's own files.

    python tests/budget.py tests.xml coverage.json

Seconds are the sum over a room's tests, whichever process ran them; a room over its budget is marked, no more: times
depend on the machine. A skipped test, a room below its least coverage, and a room without a budget end with exit
code 1.
"""

from __future__ import annotations

import json
import sys
from collections import defaultdict
from pathlib import Path
from xml.etree import ElementTree

# room: (seconds of test time on one core of the machine they were last set on, least percent of lines and branches)
BUDGETS = {
    "geometry": (30, 90),
    "synthetic": (90, 90),
    "limb": (40, 90),
    "capture": (60, 90),
    "marks": (60, 90),
    "rulebook": (60, 90),
    "engine": (180, 90),
    "case": (60, 90),
    "fabrication": (90, 90),
    "report": (150, 90),
    "viewer": (90, 90),
    "studies": (60, 90),
    "workbench": (150, 90),
    "cli": (80, 90),
    "external": (150, 0),
    "guarantees": (480, 0),
    "house": (90, 0),  # tests directly under tests/: installation, bad input, documents, the house itself
    "top": (10, 90),  # modules directly under rectify/
}


def main(arguments: list[str]) -> int:
    """Print the table; returns the exit code."""
    tests, coverage = (Path(name) for name in arguments)
    seconds, counts, skipped = read_tests(tests)
    covered = read_coverage(coverage)
    faults = [f"skipped: {name}" for name in skipped]
    lines = [f"{'room':<12}{'tests':>6}{'seconds':>9}{'budget':>8}{'covered':>9}{'least':>7}"]
    for room in sorted(set(counts) | set(covered)):
        if room not in BUDGETS:
            faults.append(f"room {room} has no budget in tests/budget.py")
            continue
        budget, least = BUDGETS[room]
        over = "  over budget" if seconds[room] > budget else ""
        share = covered.get(room)
        shown = "-" if share is None else f"{share:.0f} %"
        lines.append(f"{room:<12}{counts[room]:>6}{seconds[room]:>9.1f}{budget:>8}{shown:>9}{f'{least} %':>7}{over}")
        if share is not None and share < least:
            faults.append(f"room {room}: {share:.1f} % covered, wanted {least} % or more")
    lines.append(f"{'all':<12}{sum(counts.values()):>6}{sum(seconds.values()):>9.1f}")
    sys.stdout.write("\n".join([*lines, *read_tried(tests), *faults]) + "\n")
    return 1 if faults else 0


def read_tests(path: Path) -> tuple[dict[str, float], dict[str, int], list[str]]:
    """Seconds and number of tests per room, and the names of skipped tests, from a JUnit file."""
    seconds: dict[str, float] = defaultdict(float)
    counts: dict[str, int] = defaultdict(int)
    skipped = []
    for case in ElementTree.parse(path).getroot().iter("testcase"):
        where = case.get("classname", "")
        room = room_of(where.split("."))
        seconds[room] += float(case.get("time", "0"))
        counts[room] += 1
        if case.find("skipped") is not None:
            skipped.append(f"{where}.{case.get('name')}")
    return seconds, counts, skipped


def read_tried(path: Path) -> list[str]:
    """What tests say they tried and measured, a line each."""
    properties = ElementTree.parse(path).getroot().iter("property")
    return [found.get("value", "") for found in properties if found.get("name") == "tried"]


def read_coverage(path: Path) -> dict[str, float]:
    """Percent of lines and branches that ran, per room, from coverage's JSON file."""
    done: dict[str, int] = defaultdict(int)
    wanted: dict[str, int] = defaultdict(int)
    for name, facts in json.loads(path.read_text(encoding="utf-8"))["files"].items():
        parts = Path(name).parts
        room, total = (parts[1] if len(parts) > 2 else "top"), facts["summary"]
        done[room] += total["covered_lines"] + total.get("covered_branches", 0)
        wanted[room] += total["num_statements"] + total.get("num_branches", 0)
    return {room: 100 * done[room] / count for room, count in wanted.items() if count}


def room_of(parts: list[str]) -> str:
    """The room a test belongs to, of its dotted place: tests.engine.test_blend, rectify.limb.chart."""
    if parts[0] == "rectify":
        return parts[1] if len(parts) > 2 else "top"
    return parts[1] if len(parts) > 2 and not parts[1].startswith("test_") else "house"


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
