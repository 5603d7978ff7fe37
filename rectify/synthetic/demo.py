"""Writes the demo cases as case folders: the same bytes every time.

Positions are stored as float32, in a scanner's pose and not in the limb frame. Nothing outside the case
folders is touched, and a folder that exists is refused unless replacing is asked for; then its scan,
landmarks and case.yaml are written anew and other files are left.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from rectify.errors import OutputError
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.synthetic.cases import CASES, DemoCase, Tape
from rectify.synthetic.files import ply_bytes, stl_bytes
from rectify.synthetic.limb import SyntheticLimb

__all__ = ["case_files", "write_demo"]

PER_MM = {"mm": 1.0, "cm": 0.1}
HAND_MM = 1.4  # a tape read to the whole mm then errs by less than 2 mm


def write_demo(folder: str | Path, *, replace: bool = False) -> list[Path]:
    """Write every demo case into a folder, which is made where it is missing.

    Returns
    -------
    list of Path
        The case folders, in the order of their codes.

    Raises
    ------
    OutputError
        If one of the case folders exists and `replace` is not set, or a file cannot be written.
    """
    target = Path(folder)
    there = [target / case.code for case in CASES if (target / case.code).exists()]
    if there and not replace:
        raise OutputError("the case folder exists", path=there[0], hint="name an empty folder, or ask to replace")
    written = []
    for case in CASES:
        place = target / case.code
        try:
            place.mkdir(parents=True, exist_ok=True)
            for name, content in case_files(case).items():
                (place / name).write_bytes(content)
        except OSError as error:
            raise OutputError(f"the case cannot be written: {error.strerror}", path=place) from error
        written.append(place)
    return written


def case_files(case: DemoCase) -> dict[str, bytes]:
    """The files of one case folder: name -> content."""
    limb = case.made()
    mesh = _captured(case, limb.mesh)
    encode = stl_bytes if case.scan.endswith(".stl") else ply_bytes
    return {
        "case.yaml": _case_text(case, limb).encode(),
        "landmarks.yaml": _landmarks_text(case, limb).encode(),
        case.scan: encode(mesh),
    }


def posed(case: DemoCase, points: Points) -> Points:
    """Points of the limb frame in the scan's own axes and units, shape (…, 3)."""
    turn = Rotation.from_euler("xyz", case.turn_deg, degrees=True).as_matrix()
    return np.asarray((points @ turn.T + np.array(case.shift_mm)) * PER_MM[case.units])


def _captured(case: DemoCase, mesh: Mesh) -> Mesh:
    """The limb's surface as the capture has it: posed, and seen from inside for an impression."""
    faces = mesh.faces[:, ::-1] if case.surface == "impression-inside" else mesh.faces
    return Mesh(posed(case, mesh.vertices), np.ascontiguousarray(faces))


def _case_text(case: DemoCase, limb: SyntheticLimb) -> str:
    lines = [
        f"# An invented limb, made by formula: {case.says}.",
        "format: 1",
        f"case: {case.code}",
        f"side: {limb.side}",
        f"amputation: {limb.amputation}",
        "scan:",
        f"  file: {case.scan}",
        f"  units: {case.units}",
        f"  surface: {case.surface}",
        f"  shaping: {case.shaping}",
        f"  layers: {case.layers}",
        f"limb: {case.facts}",
    ]
    if case.wear:
        lines.append(f"wear: {case.wear}")
    lines += [f"suspension: {case.suspension}", "landmarks: landmarks.yaml", "tape:"]
    over = "liner" if case.surface == "liner" else "skin"
    errors = np.random.default_rng(int(case.code[3:])).uniform(-HAND_MM, HAND_MM, len(case.tape))
    lines += [_tape_line(tape, limb, over, error) for tape, error in zip(case.tape, errors, strict=True)]
    lines.append(f"rulebook: {case.rulebook}")
    if case.tune:
        lines += ["tune:", *(f"  - {entry}" for entry in case.tune)]
    return "\n".join(lines) + "\n"


def _tape_line(tape: Tape, limb: SyntheticLimb, over: str, error: float) -> str:
    """One hand measurement of the limb, off by what a hand is off."""
    level = -float(limb.landmarks[tape.at][2]) + tape.distal
    ap, ml = limb.widths(level)
    value = round({"ap": ap, "ml": ml}.get(tape.measure, limb.circumference(level)) + error - tape.pressed)
    further = f", distal: {tape.distal:g} mm" if tape.distal else ""
    tension = ", tension: snug" if tape.measure == "circumference" else ", tension: tight" if tape.pressed else ""
    return f"  - {{measure: {tape.measure}, at: {tape.at}{further}, value: {value} mm{tension}, over: {over}}}"


def _landmarks_text(case: DemoCase, limb: SyntheticLimb) -> str:
    lines = [f"# {case.units}, in the scan's own axes"]
    for name in case.marked or tuple(limb.landmarks):
        points = posed(case, limb.landmarks[name])
        if points.ndim == 1:
            lines.append(f"{name}: {_numbers(points)}")
        else:
            lines += [f"{name}:", *(f"  - {_numbers(point)}" for point in points)]
    lines += [f"{name}: absent" for name in case.absent]
    return "\n".join(lines) + "\n"


def _numbers(point: Floats) -> str:
    return "[" + ", ".join(f"{value:.3f}" for value in point + 0.0) + "]"
