"""How far estimated landmarks lie from where they are, beside how far off they say they may be.

Run as `python -m benchmarks.estimate [limbs]` from the project's folder. First on made limbs of varied proportions
(seeds that no strength was set on; 60 of each kind unless asked otherwise), then on the demo limbs and those in
`../shared/limbs` where these are there, limb by limb: from the origin (and what fixes angle 0) alone, and with two
more marks. A star means farther off than was said. The last line is the time of one limb's estimates.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from rectify.case import open_case
from rectify.limb.estimates import all_estimates
from rectify.limb.limb import Limb
from rectify.limb.vocabulary import vocabulary
from tests.limb.varied import ZERO, off_mm, true_on, varied

ROOT = Path(__file__).parent.parent
FIRST_SEED = 1000
MORE = {
    "transtibial": ("tibial-tubercle", "fibular-head"),
    "ankle-disarticulation": ("tibial-tubercle", "fibular-head"),
    "transfemoral": ("greater-trochanter", "adductor-longus"),
}
Pair = tuple[float, float]  # mm off, mm said


def say(text: str) -> None:
    """One line of figures."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def on_made(amputation: str, count: int, more: tuple[str, ...]) -> Iterator[dict[str, Pair]]:
    """One table per made limb: name -> off and said."""
    for seed in range(FIRST_SEED, FIRST_SEED + count):
        made = varied(seed, amputation)
        limb = made.limb(*more)
        true = true_on(limb, made.marks)
        yield {n: (off_mm(n, m, true), m.uncertainty_mm) for n, m in all_estimates(limb).items() if n in true}


def on_case(folder: Path, marked: int) -> tuple[str, dict[str, Pair]]:
    """The same for a case folder, with so many more marks than the origin."""
    case = open_case(folder)
    names = vocabulary(case.amputation)
    zero = next(group for group in names.zero if all(name in case.raw_landmarks for name in group))
    keep = {*names.origin, *zero, *MORE.get(case.amputation, ())[:marked]}
    keep |= {name for name, mark in case.raw_landmarks.items() if mark.absent}
    marks = {name: mark for name, mark in case.raw_landmarks.items() if name in keep}
    limb = Limb.from_capture(case.scan.mesh, side=case.side, amputation=case.amputation, landmarks=marks)
    true = {name: mark for name, mark in true_on(limb, case.raw_landmarks).items() if not mark.absent}
    table = {n: (off_mm(n, m, true), m.uncertainty_mm) for n, m in all_estimates(limb).items() if n in true}
    return f"{folder.parent.name}/{folder.name}", table


def by_name(tables: list[dict[str, Pair]]) -> None:
    """Per landmark: how many, mm off on average and at the 90th percentile, mm said, held."""
    rows: dict[str, list[Pair]] = defaultdict(list)
    for table in tables:
        for name, pair in table.items():
            rows[name].append(pair)
    say(f"  {'landmark':24}{'n':>5}{'mean off':>10}{'90 % off':>10}{'said':>8}{'held':>8}")
    rows["all"] = [pair for table in tables for pair in table.values()]
    for name, pairs in rows.items():
        off, said = np.array(pairs).T
        held = f"{100 * (off <= said).mean():.0f} %"
        say(f"  {name:24}{len(off):5}{off.mean():10.1f}{np.percentile(off, 90):10.1f}{said.mean():8.1f}{held:>8}")


def main(count: int) -> None:
    """Print every table."""
    for amputation in ZERO:
        for more in ((), MORE[amputation]):
            say(f"{count} made limbs, {amputation}, marked: {', '.join((*ZERO[amputation], *more))}")
            by_name(list(on_made(amputation, count, more)))
    groups = {
        "demo limbs": sorted((ROOT / "demo_limbs").glob("RB-*")),
        "other limbs": sorted((ROOT.parent / "shared" / "limbs").glob("t*")),
    }
    for title, folders in groups.items():
        for marked in (0, 2):
            tables = []
            for folder in folders:
                name, table = on_case(folder, marked)
                if not table:
                    say(f"{name}: no proportions of such a limb are known, so nothing is estimated")
                    continue
                tables.append(table)
                say(f"{name}, {marked} more marks; mm off / mm said")
                said = [f"{n} {off:.0f}/{u:.0f}{'*' if off > u else ''}" for n, (off, u) in table.items()]
                say("  " + ", ".join(said))
            if tables:
                say(f"{title}, {marked} more marks")
                by_name(tables)
    limb = varied(FIRST_SEED, edge_mm=1.5).limb()
    limb.chart.surface  # noqa: B018  the chart's own grid is not counted
    start = time.perf_counter()
    all_estimates(limb)
    say(f"{len(limb.mesh.vertices)} vertices: {1000 * (time.perf_counter() - start):.0f} ms")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
