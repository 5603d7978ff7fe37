"""One of the two things that are compared: opened, in mm, with what is known of where it lies.

    a result folder (change-report.json in it)   the rectified model in the limb frame, its plan, its report
    a case folder (case.yaml)                    the limb as captured, in the limb frame, its landmarks
    a mesh file                                  a model in axes of its own; landmarks may be given for it
    a change report (.json)                      facts and no shape

Opening reads and never writes. What stands beside a mesh file is looked at only where it is a result of this program.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import numpy as np

from rectify.case import Case, open_case
from rectify.case.case import CASE_FILE
from rectify.case.files import sha256_of
from rectify.errors import FileError, InputError
from rectify.geometry.mesh import Floats, Mesh
from rectify.geometry.read import FORMATS, TO_MM, in_mm, read_mesh
from rectify.limb.landmarks import Landmark, RawLandmark, on_chart
from rectify.limb.limb import Limb
from rectify.rulebook.plan import Plan, Warn
from rectify.rulebook.write import read_plan
from rectify.studies.reports import read_report
from rectify.studies.wall import limb_of_wall, wall_of_model, wall_of_result

__all__ = ["REPORT_FILE", "Version", "open_version", "with_landmarks"]

REPORT_FILE, PLAN_FILE = "change-report.json", "plan.yaml"
_MARKED = ("marked", "mark")


@dataclass(frozen=True, eq=False)
class Version:
    """One of the two.

    Parameters
    ----------
    kind : result, case, model or report
    path : as given
    code : the case's, where there is one
    side, amputation : where known
    wall : Mesh, optional
        In mm; open at the top where the top could be told. None: a report without a shape.
    framed : bool
        The wall lies in the limb frame.
    scan_sha256 : of the scan it was made from
    scan_frame : (4, 4), optional
        From that scan's axes (mm) to the wall's.
    marks : name -> (3,)
        Landmarks that a person marked, single points, in the wall's axes.
    report : change-report.json
    files : what was read: names and digests
    """

    kind: Literal["result", "case", "model", "report"]
    path: str
    code: str | None = None
    side: str | None = None
    amputation: str | None = None
    wall: Mesh | None = None
    framed: bool = False
    scan_sha256: str | None = None
    scan_frame: Floats | None = None
    marks: Mapping[str, Floats] = field(default_factory=dict)
    report: dict[str, Any] | None = None
    files: tuple[tuple[str, str], ...] = ()
    notes: tuple[Warn, ...] = ()
    case: Case | None = None
    plan_path: Path | None = None

    @cached_property
    def plan(self) -> Plan | None:
        """What it was made by, or would be: a result's plan, or the rulebook that a case names, resolved; None where
        there is none, or it cannot be."""
        if self.plan_path is not None:
            return read_plan(self.plan_path)
        if self.case is None or self.case.says.rulebook is None:
            return None
        try:
            return self.case.plan()
        except InputError:
            return None  # a capture may be compared before its rulebook fits it

    def made_up(self) -> Version:
        """A case as what a result starts from: made up by the difference between what lay over the skin and what will
        be worn over it, as the change report measures from."""
        if self.case is None or self.case.limb is self.case.captured:
            return self
        text = "the capture is compared as it was made up for what is worn, as its result was"
        return replace(self, wall=self.case.limb.mesh, notes=(*self.notes, Warn("made-up", "note", text, "")))

    def limb_in(self, frame: Floats, side: str, amputation: str) -> Limb | None:
        """This shape as a limb in a frame that a 4 x 4 transform takes it to; None where its top cannot be told."""
        assert self.wall is not None
        limb = limb_of_wall(self.wall, frame, side=side, amputation=amputation)
        if limb is None:
            return None
        if self.case is not None:
            rows = {name: mark for name, mark in self.case.captured.landmarks.items() if len(mark.points)}
            known = {name: (mark.points, mark.source, mark.uncertainty_mm) for name, mark in rows.items()}
        elif self.report is not None:
            known = {
                name: (np.array(row["points"] or [row["xyz"]], dtype=np.float64), row["source"], row["uncertainty_mm"])
                for name, row in self.report["landmarks"].items()
                if row["xyz"] is not None
            }
        else:
            known = {name: (xyz[None], "marked", 0.0) for name, xyz in self.marks.items()}
        placed: dict[str, Landmark] = {}
        for name, (points, source, unsure) in known.items():
            mark = on_chart(name, RawLandmark(points), limb.chart, frame)
            placed[name] = replace(mark, source=source, uncertainty_mm=unsure)
        return replace(limb, landmarks=placed)


def open_version(given: str | Path, *, units: str | None = None) -> Version:
    """Open one of the two.

    Parameters
    ----------
    units : a key of TO_MM, optional
        Of a mesh file that carries none; mm by default.

    Raises
    ------
    FileError, CaseError, MeshError, Faults
    """
    path = Path(given)
    if not path.exists():
        raise FileError(
            "there is nothing of this name", path=path, wanted="a result, a case, a mesh or a change report"
        )
    if path.is_dir():
        if (path / REPORT_FILE).is_file():
            return _refuse_units(_result(path), units)
        if (path / CASE_FILE).is_file():
            return _refuse_units(_case(path), units)
        raise FileError(
            "is neither a result nor a case", path=path, wanted=f"a folder with {REPORT_FILE} or {CASE_FILE} in it"
        )
    if path.suffix in (".yaml", ".yml"):
        return _refuse_units(_case(path), units)
    if path.suffix == ".json":
        return _refuse_units(_report(path), units)
    if path.suffix.lower() not in FORMATS:
        wanted = f"{', '.join(FORMATS)}; a result folder, a case folder, or {REPORT_FILE}"
        raise FileError(f"files ending in {path.suffix or 'nothing'} are not compared", path=path, wanted=wanted)
    beside = path.parent / REPORT_FILE
    if path.stem.endswith("-rectified") and beside.is_file() and units is None:
        return replace(_result(path.parent, path), path=str(given))
    return _model(path, units)


def _refuse_units(version: Version, units: str | None) -> Version:
    if units is not None:
        raise InputError(
            "carries its own units", path=version.path, hint="take the option for its units away; it is for mesh files"
        )
    return version


def _report(path: Path) -> Version:
    report = read_report(path)
    return Version(
        "report",
        str(path),
        code=report["case"],
        side=report["side"],
        amputation=report["amputation"],
        scan_sha256=_scan_of(report),
        scan_frame=np.array(report["checks"]["frame"], dtype=np.float64),
        report=report,
        files=((path.name, sha256_of(path)),),
    )


def _scan_of(report: dict[str, Any]) -> str | None:
    return next((row["sha256"] for row in report["inputs"] if row["role"] == "scan"), None)


def _result(folder: Path, shape: Path | None = None) -> Version:
    """A result folder; without its shape (a limit was breached) it is a report."""
    version = _report(folder / REPORT_FILE)
    report = version.report
    assert report is not None
    shapes = [folder / f"{version.code}-rectified{ending}" for ending in (".stl", ".3mf")]
    found = shape if shape is not None else next((file for file in shapes if file.is_file()), None)
    plan = folder / PLAN_FILE
    files = (*version.files, *((file.name, sha256_of(file)) for file in (plan, found) if file and file.is_file()))
    version = replace(version, path=str(folder), files=files, plan_path=plan if plan.is_file() else None)
    if found is None:
        note = Warn("no-shape", "note", f"{folder.name} holds no shape: only its report is compared", "")
        return replace(version, notes=(note,))
    read = read_mesh(found)
    wall, notes = wall_of_result(in_mm(read.mesh, read.units or "mm"), report)
    marks = {
        name: np.array(row["xyz"], dtype=np.float64)
        for name, row in report["landmarks"].items()
        if row["xyz"] is not None and row["source"] in _MARKED and not row["points"]
    }
    return replace(version, kind="result", wall=wall, framed=True, marks=marks, notes=notes)


def _case(path: Path) -> Version:
    case = open_case(path)
    limb = case.captured
    marks = {
        name: mark.points[0]
        for name, mark in limb.landmarks.items()
        if len(mark.points) == 1 and mark.source in _MARKED
    }
    return Version(
        "case",
        str(path),
        code=case.code,
        side=case.side,
        amputation=case.amputation,
        wall=limb.mesh,
        framed=True,
        scan_sha256=case.scan_sha256,
        scan_frame=limb.frame,
        marks=marks,
        files=tuple((item.file, item.sha256) for item in case.inputs),
        case=case,
    )


def _model(path: Path, units: str | None) -> Version:
    read = read_mesh(path)
    said = units or read.units
    wall, notes = wall_of_model(in_mm(read.mesh, said or "mm"), str(path))
    if said is None:
        notes = (Warn("units-taken", "note", f"{path.name} carries no units: taken as mm", ""), *notes)
    return Version("model", str(path), wall=wall, files=((path.name, sha256_of(path)),), notes=notes)


def with_landmarks(version: Version, path: Path, *, amputation: str | None, units: str | None) -> Version:
    """A model with landmarks read from a file, in the model's own units and axes.

    Raises
    ------
    InputError
        It has landmarks of its own, or nobody says of which amputation it is.
    LandmarkError, Faults
    """
    from rectify.case.landmarks import read_landmarks
    from rectify.errors import LandmarkError
    from rectify.rulebook.yamltext import read_yaml

    if version.kind != "model":
        raise InputError("has its own landmarks", path=version.path, hint="landmarks are given for mesh files only")
    if amputation is None:
        raise InputError(
            "cannot be read: nothing says of which amputation the limb is",
            path=path,
            hint="compare with a case or a result, or make a case folder of it",
        )
    document = read_yaml(path, LandmarkError)
    raw = read_landmarks(document, (), document.value, amputation, TO_MM[units or "mm"])
    marks = {name: mark.points[0] for name, mark in raw.items() if len(mark.points) == 1}
    files = (*version.files, (path.name, sha256_of(path)))
    return replace(version, marks=marks, files=files)
