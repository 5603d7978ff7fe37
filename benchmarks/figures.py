"""Figures of merit: what was asked against what came out, distances against exact ones, volumes, mirrors, cost.

Run as `python benchmarks/figures.py [abcdef]`; without letters, all tables:

    a  asked against achieved at each region's core
    b  overall reductions of 1, 3 and 5 %: what a tape reads, every 10 mm
    c  distances on the chart and in a region's plane against closed forms and exact geodesics
    d  the report's volumes against an independent count
    e  the mirrored limb's result, mirrored
    f  the whole command on a scan of 400,000 triangles beside a general mesh library that loads and saves it

The limbs are the demo cases, shapes with closed forms, generated limbs, and any case folders given with `--cases`
(by default those in ../shared/limbs beside the project, where there are any). Everything printed is measured in
this run; the bounds beside it are the ones rectify holds itself to.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import manifold3d
import numpy as np
import pygeodesic.geodesic as geodesic

import rectify
from rectify.data import demo_folder
from rectify.engine import Outcome, rectify_limb
from rectify.engine.layout import layout_at
from rectify.engine.overall import percent_at
from rectify.errors import RectifyError
from rectify.geometry.mesh import Mesh
from rectify.limb.landmarks import RawLandmark, raw_landmarks
from rectify.limb.limb import Limb
from rectify.limb.measure import measure_levels
from rectify.limb.spot import Spot
from rectify.rulebook.plan import Overall, OverallRow, Plan, Spare
from rectify.synthetic import CASES, Transfemoral, Transtibial, case_files, mirrored, transfemoral, transtibial
from rectify.synthetic.shapes import capped_cone, capsule

OTHERS = Path(__file__).resolve().parents[2] / "shared" / "limbs"
BONES = ("tibial-crest", "tibial-tubercle", "fibular-head", "distal-tibia", "distal-fibula", "greater-trochanter")
REACH = 25.0  # mm from an anchor, within which a plane is held to 3 % on the wall and 5 % on the end


def say(text: str = "") -> None:
    """One line of output."""
    sys.stdout.write(text + "\n")


# -- limbs ----------------------------------------------------------------------------------------


def results(folders: list[Path]) -> Iterator[tuple[str, Outcome]]:
    """Each case folder rectified by its own rulebook; a case that cannot be is said and passed over."""
    for folder in folders:
        try:
            yield folder.name, rectify.apply(rectify.open_case(folder)).outcome
        except RectifyError as error:
            say(f"{folder.name}: {str(error).splitlines()[0]}")


def shape_limb(mesh: Mesh, ahead_mm: float) -> Limb:
    """A closed-form shape, its mid-patellar-tendon the anterior point at z = 0."""
    marks = raw_landmarks({"mid-patellar-tendon": np.array([0.0, ahead_mm, 0.0])})
    return Limb.from_capture(mesh, side="right", amputation="transtibial", landmarks=marks)


def cylinder(edge: float = 3.0) -> Limb:
    """Radius 50 mm, wall 150 mm, a hemisphere below."""
    return shape_limb(capsule(50.0, 150.0, edge, 60.0), 50.0)


def cone(top: float, end: float = 40.0, edge: float = 3.0) -> Limb:
    """210 mm of cone and the part of a sphere that meets it smoothly."""
    return shape_limb(capped_cone(top, end, 150.0, edge, 60.0), end + 150.0 * (top - end) / 210.0)


def generated(edge: float = 3.0) -> dict[str, Limb]:
    """One leg and one thigh by formula."""
    made = transtibial(Transtibial(edge_mm=edge)), transfemoral(Transfemoral(edge_mm=edge + 1.0))
    return {
        m.amputation: Limb.from_capture(
            m.mesh, side=m.side, amputation=m.amputation, landmarks=raw_landmarks(m.landmarks)
        )
        for m in made
    }


def opened(folders: list[Path]) -> dict[str, Limb]:
    """The limbs of case folders."""
    found = {}
    for folder in folders:
        try:
            found[folder.name] = rectify.open_case(folder).limb
        except RectifyError as error:
            say(f"{folder.name}: {str(error).splitlines()[0]}")
    return found


# -- a: asked against achieved --------------------------------------------------------------------


def asked_and_achieved(folders: list[Path]) -> None:
    """Nearest distance from core points of the surface an amount is measured from to the rectified surface."""
    say("a  asked against achieved at the core, mm (bounds without back-off: median 0.05, largest 0.10)")
    say(f"   {'case':18}{'region':24}{'from':9}{'asked':>7}{'got':>8}{'median':>8}{'most':>8}{'points':>8}")
    worst = [0.0, 0.0]
    for name, outcome in results(folders):
        for found in outcome.regions:
            region, error = found.region, np.abs(found.error_mm)
            note = "  backed off" if found.backed_off else ""
            note += "" if found.core_vertices else f"  covered by {', '.join(found.overlaps)}"
            say(
                f"   {name:18}{region.name:24}{region.measured_from:9}{region.asked_mm:7.2f}{found.achieved_mm:8.3f}"
                f"{np.median(error):8.3f}{error.max():8.3f}{found.core_vertices:8}{note}"
            )
            if not note:
                worst = [max(worst[0], float(np.median(error))), max(worst[1], float(error.max()))]
    say(f"   worst without back-off: median {worst[0]:.3f}, largest {worst[1]:.3f} mm\n")


# -- b: overall reductions ------------------------------------------------------------------------


def overall_reductions(folders: list[Path]) -> None:
    """The tape before and after, every 10 mm, regions off; with bone spared and without."""
    say("b  overall reduction by circumference, regions off: % off the tape (bound 0.02 points on the wall)")
    limbs = {"cylinder": cylinder(), "cone": cone(60.0), **generated(), **opened(folders)}
    for name, limb in limbs.items():
        bones = tuple(
            Spare(spots=limb.landmarks[n].spots, radius_mm=8.0, landmark=n)
            for n in BONES
            if n in limb.landmarks and limb.landmarks[n].spots
        )
        for spare in ((), bones) if bones else ((),):
            _one_reduction(f"{name}, {len(spare)} places spared" if spare else name, limb, spare)
    say()


def _one_reduction(name: str, limb: Limb, spare: tuple[Spare, ...]) -> None:
    last = limb.inflection_mm - 30.0
    levels = np.arange(np.ceil(limb.chart.top_mm / 10.0) * 10.0, limb.end_level_mm, 10.0)
    before = measure_levels(limb.mesh, levels)
    got, off, told = [], [], []
    for percent in (1.0, 3.0, 5.0):
        rows = (OverallRow(limb.chart.top_mm, percent), OverallRow(last, percent))
        asked = Overall("circumference", "before-regions", rows, 30.0, spare=spare)
        try:
            outcome = rectify_limb(limb, _plan(limb, asked))
        except RectifyError as error:
            say(f"   {name}, {percent:g} %: {str(error).splitlines()[0]}")
            return
        after = measure_levels(outcome.mesh, levels)
        got.append(100.0 * (1.0 - after.circumference / before.circumference))
        wall = np.isfinite(got[-1]) & (levels <= last)
        off.append(float(np.abs(got[-1] - percent_at(asked, levels))[wall].max()))
        told += [w.code for w in outcome.warnings]
    held = f"   ({told[0]})" if told else ""
    say(f"   {name}: edge {limb.edge_mm:.1f} mm, wall to {last:.0f} mm, off by at most "
        + ", ".join(f"{x:.4f}" for x in off) + f" points{held}")  # fmt: skip
    for i, level in enumerate(levels):
        if np.isfinite(got[0][i]):
            say(f"      level {level:5.0f} {'wall' if level <= last else 'fade'}"
                + "".join(f"{column[i]:9.4f}" for column in got))  # fmt: skip


def _plan(limb: Limb, overall: Overall | None) -> Plan:
    return Plan("figures", "figures", "figures", limb.amputation, "usable", 1, "", "", (), overall=overall)


# -- c: distances ---------------------------------------------------------------------------------


def distances() -> None:
    """Coordinates and plane distances against closed forms, and against exact geodesics of a mesh."""
    say("c  distances: largest relative error (bounds: a coordinate 0.5 %; the plane 3 % on the wall, 5 % on the end)")
    limb = cylinder()
    s, a = np.linspace(-55.0, 148.0, 200), np.linspace(-175.0, 175.0, 200)
    along = limb.chart.along(-58.0, s, a) / (s + 58.0) - 1
    around = limb.chart.around(-178.0, s, np.full(200, 100.0)) / (50.0 * np.radians(-82.0)) - 1
    polar = np.radians(np.linspace(0.0, 80.0, 50))
    points = np.stack([50 * np.cos(polar), np.zeros(50), -150.0 - 50 * np.sin(polar)], axis=1)
    pole = limb.chart.to_pole(*limb.chart.locate(points)) / (50.0 * (np.pi / 2 - polar)) - 1
    for what, error in (("cylinder along", along), ("cylinder around", around), ("hemisphere to the pole", pole)):
        say(f"   {what:44}{100 * np.abs(error).max():8.3f} %")
    for top in (50.0, 60.0, 75.0):
        _cone_plane(top)
    _sphere_plane(limb)
    for station in (100.0, 125.0, 140.0, 150.0, 155.0, 160.0, 170.0):
        kind, error = _mesh_plane(limb, station, 40.0)
        what = f"wall into end at level {station:.0f}, mesh, {kind}"
        say(f"   {what:44}{100 * np.abs(error).max():8.3f} %")
    leg = generated(4.0)["transtibial"]
    for what, station, angle in (
        ("calf", 50.0, 180.0), ("popliteal", 5.0, 180.0), ("medial wall", 90.0, -60.0), ("end", 145.0, 30.0),
        ("shin (a ridge)", 60.0, 0.0), ("tubercle (a bump)", 21.0, 5.0), ("fibular head (a bump)", 14.0, 113.0),
    ):  # fmt: skip
        kind, error = _mesh_plane(leg, station, angle)
        say(f"   {f'generated leg, {what}, {kind}':44}{100 * np.abs(error).max():8.3f} %  "
            f"median {100 * np.median(np.abs(error)):.3f} %")  # fmt: skip
    say()


def _cone_plane(top: float) -> None:
    limb, slope = cone(top), np.arctan2(top - 40.0, 210.0)
    rng, worst = np.random.default_rng(0), 0.0
    for station in (0.0, 50.0, 110.0):
        layout = layout_at(limb.chart, Spot(station, 30.0), 0.0)
        s = np.minimum(station + rng.uniform(-REACH, REACH, 2000), 149.0)
        a = 30.0 + np.degrees(rng.uniform(-REACH, REACH, 2000) / 40.0)
        radius, at = 40.0 + (150.0 - s) * np.tan(slope), 40.0 + (150.0 - station) * np.tan(slope)
        if slope == 0:
            true = np.hypot(40.0 * np.radians(a - 30.0), s - station)
        else:  # unrolled: a sector about the apex
            far, mine, turn = radius / np.sin(slope), at / np.sin(slope), np.radians(a - 30.0) * np.sin(slope)
            true = np.sqrt(far**2 + mine**2 - 2 * far * mine * np.cos(turn))
        worst = max(worst, _off(layout.plane(s, a), true))
    half = np.degrees(slope)
    say(f"   {f'plane on a cone of half angle {half:.1f}, unrolled':44}{100 * worst:8.3f} %")


def _sphere_plane(limb: Limb) -> None:
    chart, rng = limb.chart, np.random.default_rng(1)
    polar, a = np.arcsin(rng.uniform(0.05, 1.0, 6000)), rng.uniform(-180, 180, 6000)

    def direction(p: np.ndarray, angle: np.ndarray) -> np.ndarray:
        turn = np.radians(angle)
        return np.stack([np.cos(p) * np.sin(turn), np.cos(p) * np.cos(turn), -np.sin(p) + 0 * turn], axis=-1)

    for degrees in (25.0, 45.0, 65.0, 85.0, 90.0):
        anchor = Spot(chart.centre_mm + chart.centre_radius_mm * np.radians(degrees), 70.0)
        layout = layout_at(chart, anchor, REACH)
        cosine = direction(polar, a) @ direction(np.radians(np.float64(degrees)), np.float64(70.0))
        plane = layout.plane(chart.centre_mm + chart.centre_radius_mm * polar, a)
        worst = _off(plane, 50.0 * np.arccos(np.clip(cosine, -1, 1)))
        say(f"   {f'plane on a sphere, {90 - degrees:.0f} degrees from the pole':44}{100 * worst:8.3f} %")


def _off(plane: np.ndarray, true: np.ndarray) -> float:
    far = (true > 3.0) & (true <= REACH)
    return float(np.abs(np.linalg.norm(plane, axis=1)[far] / true[far] - 1.0).max())


def _mesh_plane(limb: Limb, station: float, angle: float) -> tuple[str, np.ndarray]:
    """Plane distances from a vertex against exact geodesics on the mesh (Mitchell, Mount and Papadimitriou)."""
    v, f = limb.mesh.vertices, limb.mesh.faces
    s, a = limb.chart.locate(v)
    i = int(np.argmin(np.abs(s - station) + np.abs(a - angle)))
    faces = f[(np.linalg.norm(v - v[i], axis=1) < 1.8 * REACH)[f].all(axis=1)]
    used, own = np.unique(faces, return_inverse=True)
    solver = geodesic.PyGeodesicAlgorithmExact(v[used], own.reshape(-1, 3))
    true, _ = solver.geodesicDistances(np.array([int(np.searchsorted(used, i))]), None)
    layout = layout_at(limb.chart, Spot(float(s[i]), float(a[i])), REACH)
    far = (true > 8.0) & (true <= REACH)
    return layout.kind, np.linalg.norm(layout.plane(s[used], a[used]), axis=1)[far] / true[far] - 1.0


# -- d: volumes -----------------------------------------------------------------------------------


def volumes(folders: list[Path]) -> None:
    """The report's volumes beside those of another program's solids."""
    say("d  volumes, ml: the report and manifold3d (bound 0.1 %)")
    say(f"   {'case':18}{'':22}{'report':>12}{'counted':>12}{'off, %':>12}")
    for name, outcome in results(folders):
        v = outcome.volumes
        bodies = {"before": (outcome.limb.closed, v.before_ml, v.model_before_ml),
                  "after": (outcome.closed, v.after_ml, v.model_after_ml)}  # fmt: skip
        for when, (mesh, below_ml, model_ml) in bodies.items():
            faces = np.ascontiguousarray(mesh.faces, dtype=np.uint64)
            body = manifold3d.Manifold(manifold3d.Mesh64(np.ascontiguousarray(mesh.vertices), faces))
            below = body.trim_by_plane([0.0, 0.0, -1.0], v.plane_level_mm).volume() / 1000.0
            whole = body.volume() / 1000.0
            for what, ours, theirs in (("below the plane", below_ml, below), ("whole", model_ml, whole)):
                off = 100.0 * (ours / theirs - 1.0)
                say(f"   {name:18}{when + ', ' + what:22}{ours:12.3f}{theirs:12.3f}{off:12.6f}")
    say()


# -- e: mirrors -----------------------------------------------------------------------------------


def mirrors(folders: list[Path]) -> None:
    """The same plan on a limb and on its mirror image, both laid out from scratch."""
    say("e  the mirrored limb's result, mirrored: largest difference, mm (bound 1e-6)")
    flip = np.array([-1.0, 1.0, 1.0])
    for name, outcome in results(folders):
        limb = outcome.limb
        marks = {n: RawLandmark(m.points, m.absent, m.beyond_capture) for n, m in limb.landmarks.items()
                 if m.source in ("marked", "mark")}  # fmt: skip
        other = {n: replace(m, points=m.points * flip) for n, m in marks.items()}
        sides = {"right": "left", "left": "right"}
        one, two = (
            rectify_limb(
                Limb.from_capture(mesh, side=side, amputation=limb.amputation, landmarks=given), outcome.plan
            ).closed.vertices
            for mesh, side, given in ((limb.mesh, limb.side, marks), (mirrored(limb.mesh), sides[limb.side], other))
        )
        say(f"   {name:18}{np.abs(one - two * flip).max():12.2e}")
    say()


# -- f: the whole command -------------------------------------------------------------------------


def whole_command(triangles: int, repeats: int) -> None:
    """Seconds and memory of `rectify apply` beside a process that only loads and saves the same file."""
    base = next(case for case in CASES if case.scan.endswith(".stl"))
    edge = base.limb.edge_mm * np.sqrt(len(base.made().mesh.faces) / triangles)
    case = replace(base, limb=replace(base.limb, edge_mm=float(edge)))
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place, case.code)
        folder.mkdir()
        for name, content in case_files(case).items():
            (folder / name).write_bytes(content)
        scan = folder / case.scan
        count = int.from_bytes(scan.read_bytes()[80:84], "little")
        size = scan.stat().st_size / 1e6
        say(f"f  {case.code} with {count:,} triangles, {size:.0f} MB of STL: medians of {repeats} runs in turns")
        command = [sys.executable, "-c", "import sys; from rectify.cli.main import main; sys.exit(main(sys.argv[1:]))"]
        plain = "import sys, trimesh; trimesh.load(sys.argv[1]).export(sys.argv[2])"
        taken: dict[str, list[tuple[float, float, float]]] = {"whole": [], "without": [], "plain": []}
        for run in range(repeats):
            out = [str(Path(place, f"{run}-{kind}")) for kind in ("whole", "without", "plain.stl")]
            lean = ["--without", "page", "--without", "3mf"]
            taken["whole"].append(_spent([*command, "apply", str(folder), "--out", out[0]], (0, 4)))
            taken["without"].append(_spent([*command, "apply", str(folder), "--out", out[1], *lean], (0, 4)))
            taken["plain"].append(_spent([sys.executable, "-c", plain, str(scan), out[2]], (0,)))
    middle = {kind: np.median(np.array(runs), axis=0) for kind, runs in taken.items()}
    labels = {
        "whole": "rectify apply, everything",
        "without": "rectify apply, STL, plan and JSON",
        "plain": "trimesh, load and save",
    }
    for kind, (wall, cpu, memory) in middle.items():
        ratio = middle[kind] / middle["plain"]
        say(f"   {labels[kind]:36}{wall:8.2f} s {cpu:8.2f} s of processor {memory:8.0f} MB at most"
            + ("" if kind == "plain" else f"   ratios {ratio[0]:.2f}, {ratio[1]:.2f}, {ratio[2]:.2f}"))  # fmt: skip
    say()


def _spent(words: list[str], good: tuple[int, ...]) -> tuple[float, float, float]:
    """Seconds, processor seconds and peak memory (MB) of one process."""
    start = time.perf_counter()
    child = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in good:
        raise SystemExit(f"exit code {child.returncode} from {' '.join(words)}")
    per = 1e6 if sys.platform == "darwin" else 1e3  # ru_maxrss is bytes there and kilobytes elsewhere
    return time.perf_counter() - start, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / per


def main() -> None:
    """Print the tables asked for."""
    parser = argparse.ArgumentParser(description="Figures of merit, measured in this run.")
    parser.add_argument("tables", nargs="?", default="abcdef", help="letters of the tables, such as abd")
    parser.add_argument("--cases", type=Path, default=OTHERS, help="a folder of further case folders")
    parser.add_argument("--triangles", type=int, default=400_000, help="of the scan in table f")
    parser.add_argument("--runs", type=int, default=3, help="of each command in table f")
    options = parser.parse_args()
    further = [options.cases / name for name in ("tt-right-medium", "tf-right-mid")]
    further = [folder for folder in further if (folder / "case.yaml").is_file()]
    folders = [*sorted(p.parent for p in demo_folder().glob("*/case.yaml")), *further]
    tables = {
        "a": lambda: asked_and_achieved(folders),
        "b": lambda: overall_reductions(further),
        "c": distances,
        "d": lambda: volumes(folders),
        "e": lambda: mirrors(folders),
        "f": lambda: whole_command(options.triangles, options.runs),
    }
    for letter in options.tables:
        if letter not in tables:
            raise SystemExit(f"no table {letter}; there are {', '.join(tables)}")
    for letter in options.tables:
        tables[letter]()


if __name__ == "__main__":
    main()
