"""How far the intake of raw scans can be trusted: scans damaged on purpose, and raw test limbs beside clean ones.

    python benchmarks/raw.py [COUNT] [FIRST SEED]

First COUNT (200) combinations of faults over coarse limbs, each mended, refused, or mended wrongly; a table by kind of
fault. Then, where the folder ../shared/limbs is, each limb there whose raw scan has a clean twin: volume below one
plane, circumferences, and how far apart the two rectified shapes are, by the same rulebook. Seeds are fixed.
"""

from __future__ import annotations

import sys
import time
from collections import Counter, defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

import rectify  # noqa: E402
from rectify.capture.smooth import smoothed  # noqa: E402
from rectify.geometry.mesh import Mesh, Points  # noqa: E402
from rectify.geometry.nearest import nearest  # noqa: E402
from rectify.geometry.volume import volume_below  # noqa: E402
from rectify.limb.limb import Limb  # noqa: E402
from rectify.limb.measure import measure_levels  # noqa: E402
from rectify.synthetic import CASES  # noqa: E402
from rectify.synthetic.damage import KINDS, combination, damage  # noqa: E402
from tests.capture.verdict import Verdict, judge  # noqa: E402

TWINS = (("tt-right-medium", "tt-right-medium-raw"), ("tf-right-mid", "tf-right-mid-raw"))
LIMBS = ROOT.parent / "shared" / "limbs"
SMOOTH_MM = 2.0
EDGE_FREE_MM = 25.0
EDGE_MM = 5.0  # coarse: a fault is as large against the mesh as it can be


def say(text: str = "") -> None:
    """One line."""
    print(text)  # noqa: T201


def damages(count: int, first: int) -> int:
    """Judge combinations of faults, print the table; how many were mended wrongly."""
    limbs = []
    for case in CASES:
        made = replace(case, limb=replace(case.limb, edge_mm=EDGE_MM)).made()
        limbs.append((made.mesh, made.landmarks))
    table: dict[str, Counter[str]] = defaultdict(Counter)
    worst: dict[str, float] = defaultdict(float)
    spent, bad = 0.0, []
    for seed in range(first, first + count):
        scan = damage(*limbs[seed % len(limbs)], combination(seed), seed)
        start = time.perf_counter()
        verdict = judge(scan)
        spent += time.perf_counter() - start
        outcome = verdict.outcome
        if outcome == "refused" and scan.mendable:
            outcome = "refused, mendable"
        for kind in {done.kind for done in scan.done}:
            table[kind][outcome] += 1
        table["all"][outcome] += 1
        for name, value in verdict.measured.items():
            worst[name] = max(worst[name], abs(value))
        if outcome in ("wrong", "refused, mendable"):
            bad.append(f"  seed {seed}: {', '.join(combination(seed))}: {outcome}: {verdict.why}")
    say(f"{count} scans, seeds {first} to {first + count - 1}, {spent:.0f} s to mend and judge")
    say(f"{'fault':18s}{'scans':>6}{'repaired':>10}{'refused':>9}{'refused, mendable':>19}{'wrong':>7}")
    for kind in (*KINDS, "all"):
        row = table[kind]
        cells = row["repaired"], row["refused"], row["refused, mendable"], row["wrong"]
        say(f"{kind:18s}{sum(row.values()):>6}{cells[0]:>10}{cells[1]:>9}{cells[2]:>19}{cells[3]:>7}")
    say("\n".join(bad))
    say(
        f"worst of the mended: wall {worst['mean_mm']:.3f} mm in the mean and {worst['max_mm']:.2f} mm at most (noise "
        f"up to 0.4 mm), filled places {worst['invented_max_mm']:.2f} mm, volume {worst['volume']:.3%}, "
        f"skin trimmed {worst['lost']:.1%}"
    )
    return table["all"]["wrong"]


def twins() -> None:
    """Raw limbs against clean ones, each in its own limb frame."""
    for clean_name, raw_name in TWINS:
        clean, raw = (rectify.open_case(LIMBS / name) for name in (clean_name, raw_name))
        say()
        say(f"{raw_name} against {clean_name}")
        for step in raw.scan.steps:
            say(f"  {step.message}")
        compare("  in their own frames", clean.captured, raw.captured, np.eye(4))
        start = time.perf_counter()
        smooth, _ = smoothed(raw.captured.mesh, SMOOTH_MM)
        took = time.perf_counter() - start
        compare(
            f"  smoothed over {SMOOTH_MM:g} mm ({took:.1f} s)",
            clean.captured,
            replace(raw.captured, mesh=smooth),
            np.eye(4),
        )
        say(f"  smoothed surfaces apart: {distances(smooth, clean.captured.mesh)}")
        compare("  laid on by landmarks", clean.captured, raw.captured, landmark_fit(clean.captured, raw.captured))
        before = distances(raw.captured.mesh, clean.captured.mesh)
        say(f"  captured surfaces apart: {before}")
        shapes = [rectify.apply(case) for case in (clean, raw)]
        walls = [shape.outcome.mesh for shape in shapes]
        say(f"  rectified surfaces apart: {distances(walls[1], walls[0])}")
        # a flare follows the captured edge where that lies below the trimline, and a ragged edge was trimmed
        low = Mesh(walls[1].vertices[_below_edge(raw.captured, raw.captured.mesh.vertices)], walls[1].faces[:0])
        say(f"  the same, {EDGE_FREE_MM:g} mm and more from the open edge: {distances(low, walls[0])}")
        fit = landmark_fit(clean.captured, raw.captured)
        say(f"  the same, laid on by landmarks: {distances(carried(walls[1], fit), walls[0])}")


def _below_edge(limb: Limb, points: Points) -> Points:
    """Which points lie farther than so many mm from the open edge."""
    from scipy.spatial import cKDTree

    return np.flatnonzero(cKDTree(limb.edge).query(points)[0] > EDGE_FREE_MM)


def landmark_fit(clean: Limb, raw: Limb) -> Points:
    """(4, 4): the turn and shift that bring the raw limb's marked landmarks nearest to the clean one's."""
    names = [n for n, mark in clean.landmarks.items() if mark.source == "marked" and n in raw.landmarks]
    a = np.concatenate([raw.landmarks[n].points for n in names])
    b = np.concatenate([clean.landmarks[n].points for n in names])
    u, _, v = np.linalg.svd((a - a.mean(axis=0)).T @ (b - b.mean(axis=0)))
    turn = (u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ v))]) @ v).T
    out = np.eye(4)
    out[:3, :3], out[:3, 3] = turn, b.mean(axis=0) - turn @ a.mean(axis=0)
    return out


def carried(mesh: Mesh, by: Points) -> Mesh:
    """The mesh moved by a (4, 4)."""
    return mesh.with_vertices(mesh.vertices @ by[:3, :3].T + by[:3, 3])


def compare(title: str, clean: Limb, raw: Limb, by: Points) -> None:
    """Volume below one plane, and circumferences every 25 mm."""
    other = carried(raw.mesh, by)
    plane = max(clean.plane_level(), raw.plane_level())
    volumes = [volume_below(mesh, -plane) / 1000.0 for mesh in (clean.mesh, other)]
    levels = np.arange(np.ceil(plane / 25.0) * 25.0, clean.end_level_mm - 5.0, 25.0)
    tapes = [measure_levels(mesh, levels).circumference for mesh in (clean.mesh, other)]
    off = tapes[1] - tapes[0]
    say(f"{title}: volume {volumes[0]:.1f} and {volumes[1]:.1f} ml, {volumes[1] / volumes[0] - 1:+.3%}")
    say("    level mm        " + "".join(f"{level:>8.0f}" for level in levels))
    say("    circumference mm" + "".join(f"{value:>8.1f}" for value in tapes[0]))
    say("    raw - clean mm  " + "".join(f"{value:>+8.2f}" for value in off))


def distances(mesh: Mesh, truth: Mesh) -> str:
    """Nearest distances from one surface to another where both are: mean, 95 %, most."""
    edge = truth.vertices[:, 2].max()
    distance, face, place = nearest(mesh.vertices, truth.vertices, truth.faces)
    inside = place[:, 2] < edge - 3.0  # a point beyond the other's edge has no counterpart
    d = distance[inside & (face >= 0)]
    return f"mean {d.mean():.3f}, 95 % {np.quantile(d, 0.95):.3f}, most {d.max():.2f} mm"


def main(arguments: list[str]) -> int:
    """Both parts; the exit code is 1 where a scan was mended wrongly."""
    count, first = (int(arguments[i]) if len(arguments) > i else default for i, default in enumerate((200, 0)))
    wrong = damages(count, first)
    if LIMBS.is_dir():
        twins()
    return 1 if wrong else 0


__all__ = ["Verdict", "main"]

if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
