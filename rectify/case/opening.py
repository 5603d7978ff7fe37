"""Opening a case: its files read, checked and mended, everything that is wrong told at once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from rectify.capture import Repaired, Step, repair
from rectify.capture.repair import Plane
from rectify.case.case import CASE_FILE, Case, Input
from rectify.case.files import inside, sha256_of
from rectify.case.landmarks import read_landmarks
from rectify.case.model import CaseModel
from rectify.case.trim import check_trim, cut_off, plane_for
from rectify.case.version import newest, read_saved
from rectify.errors import CaseError, Faults, FileError, InputError
from rectify.geometry.mesh import Mesh
from rectify.geometry.read import TO_MM, read_mesh
from rectify.limb.landmarks import RawLandmark
from rectify.limb.vocabulary import vocabulary
from rectify.rulebook.faults import checked
from rectify.rulebook.words import suggest
from rectify.rulebook.yamltext import Document, KeyPath, raise_all, read_yaml

__all__ = ["open_case"]

_INWARD = ("impression-inside", "socket-inside")  # captured from inside: faces point into the cavity


def open_case(path: str | Path, *, saved: int | None = None) -> Case:
    """Open a case folder, or its case.yaml.

    Parameters
    ----------
    path : str or Path
    saved : int, optional
        The saved version to lay over it; 0 for none. By default the newest there is.

    Raises
    ------
    FileError
        Something cannot be read.
    CaseError, LandmarkError, MeshError, Faults
        Something in it cannot be.
    """
    given = Path(path)
    file = given if given.suffix in (".yaml", ".yml") else given / CASE_FILE
    if not given.exists():
        raise FileError("there is no such case", path=given, hint="give the folder that holds case.yaml")
    if given.is_file() and file != given:
        raise FileError("is a file", path=given, wanted=f"the folder that holds {CASE_FILE}")
    if not file.is_file():
        raise FileError(f"the folder holds no {CASE_FILE}", path=given, hint="`rectify demo` writes examples")
    folder = file.parent
    document = read_yaml(file, CaseError)

    def place(keys: KeyPath) -> tuple[str | None, int | None]:
        return document.path, document.line(keys)

    data: dict[str, Any] = document.mapping(CaseError)
    _no_person(data, document)
    says = checked(CaseModel, data, place, error=CaseError)
    inputs = [Input("case", file.name, sha256_of(file))]
    scan_path = inside(folder, says.scan.file, document, ("scan", "file"))
    read, mm, notes = _read(scan_path, says, document)
    inputs.append(Input("scan", says.scan.file, sha256_of(scan_path)))
    if isinstance(says.landmarks, str):
        marks_path = inside(folder, says.landmarks, document, ("landmarks",))
        marks = read_yaml(marks_path, CaseError)
        raw = read_landmarks(marks, (), marks.value, says.amputation, mm)
        inputs.append(Input("landmarks", says.landmarks, sha256_of(marks_path)))
    else:
        raw = read_landmarks(document, ("landmarks",), says.landmarks, says.amputation, mm)
    _check_tape(says, document)
    scan, raw = _capture(read, raw, mm, says, document, scan_path)
    scan = replace(scan, steps=(*notes, *scan.steps))
    case = Case(folder, says, document, scan, raw, tuple(inputs), mm)
    number = newest(folder) if saved is None else saved
    return case if number == 0 else _with_version(case, number)


def _with_version(case: Case, number: int) -> Case:
    version = read_saved(case.folder, number, case=case.code, amputation=case.amputation, mm=case.mm)
    return case.with_saved(version, sha256_of(case.folder / version.file))


def _read(path: Path, says: CaseModel, document: Document) -> tuple[Mesh, float, list[Step]]:
    """The scan in mm, millimetres to one of its own units, and what was done in reading."""
    read = read_mesh(path)
    units = says.scan.units or read.units
    if units is None:
        raise CaseError(
            f"says no units, and {read.format} files carry none",
            path=document.path,
            line=document.line(("scan",)),
            key="scan.units",
            wanted="mm | cm | m | inch",
        )
    mm = TO_MM[units]
    mesh = read.mesh if mm == 1.0 else read.mesh.with_vertices(read.mesh.vertices * mm)
    notes = [Step("read", note) for note in read.notes]
    if mm != 1.0:
        notes.append(Step("scaled", f"scaled from {units} to mm"))
    return mesh, mm, notes


def _capture(
    mesh: Mesh, raw: dict[str, RawLandmark], mm: float, says: CaseModel, document: Document, path: Path
) -> tuple[Repaired, dict[str, RawLandmark]]:
    """The scan mended, cut and smoothed as the case asks, and the landmarks after that."""
    inward, trim = says.scan.surface in _INWARD, says.scan.trim
    if trim is None:
        repaired = repair(mesh, inward=inward, path=str(path))
    else:
        check_trim(trim, raw, says.amputation, document)
        plane_of, found = plane_for(trim, raw, says.amputation, mm, document), []

        def plane(body: Mesh) -> Plane:
            found.append(plane_of(body))
            return found[-1]

        repaired = repair(mesh, inward=inward, path=str(path), trim=plane)
        raw, gone = cut_off(raw, found[-1])
        if gone:
            told = f"{', '.join(gone)} lay on what was cut off and counts as beyond the capture"
            repaired = replace(repaired, steps=(*repaired.steps, Step("landmarks-cut-off", told, count=len(gone))))
    if says.scan.smooth is not None:
        from rectify.capture.smooth import smoothed

        mesh, steps = smoothed(repaired.mesh, says.scan.smooth.value)
        repaired = replace(repaired, mesh=mesh, steps=(*repaired.steps, *steps))
    return repaired, raw


def _check_tape(says: CaseModel, document: Document) -> None:
    """A tape value stands at a landmark of this amputation; one that nobody marked is not compared."""
    names = vocabulary(says.amputation)
    faults: list[InputError] = [
        CaseError(
            f"no landmark {tape.at} on a {says.amputation} limb",
            path=document.path,
            line=document.line(("tape", i)),
            key=f"tape[{i}].at",
            hint=suggest(tape.at, names.names, what="landmarks there", listed=40),
        )
        for i, tape in enumerate(says.tape)
        if not names.knows(tape.at)
    ]
    raise_all(faults)


def _no_person(data: dict[str, Any], document: Document) -> None:
    from rectify.case.model import PERSONAL

    faults = [
        CaseError(
            f"the key {key} would say who this is",
            path=document.path,
            line=document.line(keys),
            key=".".join(keys),
            hint="a case is a code; keep personal data elsewhere and take this line out",
        )
        for keys, key in [((k,), k) for k in data]
        + [((k, j), j) for k, v in data.items() if isinstance(v, dict) for j in v]
        if str(key).lower().replace("_", "-") in PERSONAL
    ]
    if faults:
        raise Faults(faults) if len(faults) > 1 else faults[0]
