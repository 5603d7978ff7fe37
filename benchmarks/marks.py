"""How many pencil marks are found, how far off, and how many names are right.

Run as `python -m benchmarks.marks [limbs]` from the project's folder. First painted limbs (30 unless asked otherwise)
of varied shape and hand, with patchy pencil, grain, shading and warm light, at three sizes of mesh; then names alone,
on limbs whose proportions differ, with and without the landmarks that fix the frame; then any case in
`../shared/limbs` whose scan carries marks, its landmarks held back. Everything printed is measured in this run.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from pathlib import Path

import numpy as np

from rectify.case import open_case
from rectify.geometry.mesh import Floats, Points
from rectify.marks import SURE, MarkReading, Proposal, find_marks, propose_names
from tests.limb.varied import ZERO, varied
from tests.marks.matching import matched
from tests.marks.paint import Look, as_marks, hand, paint, usual_limb, usual_marks

ROOT = Path(__file__).parent.parent
EDGES_MM = (1.2, 1.6, 2.2)
BANDS = ((0.0, 0.5), (0.5, 0.8), (0.8, 0.9), (0.9, 1.001))


def say(text: str) -> None:
    """One line of figures."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def painted(count: int, edge_mm: float) -> None:
    """Marks found on painted limbs, by kind, and how often a confidence is right."""
    off: dict[str, list[float]] = defaultdict(list)
    kinds: dict[str, list[bool]] = defaultdict(list)
    drawn_count: dict[str, int] = defaultdict(int)
    sure: list[tuple[float, bool]] = []
    spent = 0.0
    for seed in range(count):
        limb = usual_limb(seed, edge_mm)
        drawn = usual_marks(limb, seed)
        scan = paint(limb.mesh, drawn, Look(seed=seed))
        start = time.perf_counter()
        marks = find_marks(scan)
        spent += time.perf_counter() - start
        pairs, left = matched(marks, drawn)
        for mark in drawn:
            drawn_count[mark.kind] += 1
        for mark, found, gap in pairs:
            off[mark.kind].append(gap)
            kinds[mark.kind].append(found.kind == mark.kind)
            sure.append((found.confidence, found.kind == mark.kind))
        sure += [(mark.confidence, False) for mark in left]
    say(f"\nfound on {count} painted limbs, edges {edge_mm} mm, {spent / count:.1f} s each")
    say("  kind      drawn  found %  kind right %   mm off: median    90 %     most")
    for kind, n in drawn_count.items():
        gaps = np.array(off[kind])
        at = np.percentile(gaps, [50, 90, 100])
        say(
            f"  {kind:8} {n:6} {100 * len(gaps) / n:8.1f} {100 * np.mean(kinds[kind]):13.1f} "
            f"{at[0]:17.2f} {at[1]:7.2f} {at[2]:8.2f}"
        )
    banded("a mark of this kind", sure)


def banded(what: str, sure: list[tuple[float, bool]]) -> None:
    """How often what was said with some confidence is so."""
    parts = []
    for low, high in BANDS:
        held = [right for value, right in sure if low <= value < high]
        parts.append(f"{low:.1f}-{min(high, 1.0):.1f}: " + (f"{np.mean(held):.3f} of {len(held)}" if held else "none"))
    say(f"  {what}, by confidence   " + "   ".join(parts))


def names(amputation: str, count: int, given: bool) -> None:
    """Names on limbs of varied proportions, every mark found."""
    total = right = wrong = taken = 0
    sure: list[tuple[float, bool]] = []
    for seed in range(5000, 5000 + count):
        limb = varied(seed, amputation)
        drawn = hand(limb.made, seed)
        landmarks = {name: limb.marks[name] for name in ZERO[amputation]} if given else {}
        mesh = limb.made.mesh
        reading = propose_names(
            as_marks(mesh, drawn), mesh, side=limb.made.side, amputation=amputation, landmarks=landmarks
        )
        for proposal in (p for p in reading.proposals if not p.given):
            good = proposal.name == drawn[proposal.mark].name
            total, right = total + 1, right + good
            if proposal.name is not None:
                sure.append((proposal.confidence, good))
                taken += proposal.confidence >= SURE
                wrong += proposal.confidence >= SURE and not good
    frame = "frame given" if given else "no landmark at all"
    say(f"\nnames on {count} {amputation} limbs, {frame}: {100 * right / total:.1f} % right of {total}")
    say(f"  taken as sure {100 * taken / total:.1f} %, of these wrong {wrong}")
    banded("the name is right", sure)


def on_case(folder: Path) -> None:
    """A case whose true landmarks are known."""
    case = open_case(folder)
    if case.says.scan.marks is None:
        return
    say(f"\n{folder.name}")
    start = time.perf_counter()
    marks = find_marks(case.scan.mesh, case.says.scan.marks.colour)
    say(f"  {len(marks)} marks in {time.perf_counter() - start:.1f} s")
    truth = {name: raw.points for name, raw in case.raw_landmarks.items() if not raw.absent}
    zero = {name: case.raw_landmarks[name] for name in ZERO[case.amputation]}
    for what, landmarks in (("frame given", zero), ("no landmark at all", {})):
        reading = propose_names(marks, case.scan.mesh, side=case.side, amputation=case.amputation, landmarks=landmarks)
        table(what, reading, truth)


def table(what: str, reading: MarkReading, truth: dict[str, Points]) -> None:
    """Each place with its nearest true landmark, and what is missed."""
    say(f"  {what}; {'; '.join(reading.notes) or 'no notes'}")
    gaps, right, sure, wrong, seen, false = [], 0, 0, 0, set(), 0
    for proposal in reading.proposals:
        name, gap = _nearest(reading, proposal, truth)
        mark = reading.marks[proposal.mark]
        if gap > 10.0:
            false += 1
        else:
            seen.add(name)
            gaps.append(gap)
        good = proposal.name == name
        right += good
        sure += proposal.confidence >= SURE and proposal.name is not None
        wrong += proposal.confidence >= SURE and proposal.name is not None and not good
        say(
            f"    {mark.kind:6} {mark.size_mm:5.1f} mm  level {mark.level_mm:7.1f}  angle {mark.angle_deg:5.1f}  "
            f"{name:22} {gap:5.2f} mm off   named {proposal.name or '-':22} {proposal.confidence:.2f}"
            f"{'' if good else '   WRONG'}{'   given' if proposal.given else ''}"
        )
    count = len(reading.proposals)
    say(
        f"    places {count}, falsely found {false}, median {np.median(gaps):.2f} mm, most {max(gaps):.2f} mm; "
        f"names right {right} of {count}, taken as sure {sure}, of these wrong {wrong}"
    )
    say(f"    landmarks of the case without a mark found: {', '.join(sorted(set(truth) - seen)) or 'none'}")


def _nearest(reading: MarkReading, proposal: Proposal, truth: dict[str, Points]) -> tuple[str, float]:
    """The true landmark nearest to a place: a point to a point, a line to a line's points."""
    mark = reading.marks[proposal.mark]

    def gap(points: Points) -> float:
        at = np.atleast_2d(points)
        if (len(at) > 1) != (mark.kind == "line"):
            return np.inf
        to: Floats = np.linalg.norm((mark.curve if len(at) > 1 else mark.place[None])[:, None] - at[None], axis=2)
        return float(to.min(axis=0).max())

    name = min(truth, key=lambda n: gap(truth[n]))
    return name, gap(truth[name])


def main() -> None:
    """All tables."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    for edge in EDGES_MM:
        painted(count, edge)
    for amputation in ("transtibial", "transfemoral"):
        for given in (True, False):
            names(amputation, count, given)
    for folder in sorted((ROOT.parent / "shared" / "limbs").glob("*/case.yaml")):
        on_case(folder.parent)


if __name__ == "__main__":
    main()
