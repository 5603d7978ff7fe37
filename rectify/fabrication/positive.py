"""A finished positive model as fabrication takes it: with its trimline, its status, and what a person should look at.

It comes from a result just made, or from a result's folder; either way it has the numbers of the file, so that what is
made from it is the same to the byte.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rectify.errors import FileError
from rectify.fabrication.manifest import check_digests, read_json, sha256
from rectify.fabrication.write_stl import single_precision, stl_bytes
from rectify.geometry.merge import merge
from rectify.geometry.mesh import Mesh, Points
from rectify.geometry.read import read_mesh

__all__ = ["Positive", "positive", "read_positive", "with_trimline"]

REPORT = "change-report.json"


@dataclass(frozen=True, eq=False)
class Positive:
    """A positive model to be made into something.

    Parameters
    ----------
    code, side, amputation : str
    status : "draft" or "released"
    looks : what a person must look at before it goes to a machine
    mesh : Mesh
        Closed, limb frame, mm, with the numbers of its file.
    trimline : (k, 3) mm, or None
        Where the rulebook forms a brim.
    beyond_capture_mm : float
        How much of the trimline lies where no skin was captured.
    sources : name -> SHA-256
        What it was made from.
    files : paths
        The files it was read from.
    """

    code: str
    side: str
    amputation: str
    status: str
    looks: tuple[str, ...]
    mesh: Mesh
    trimline: Points | None
    beyond_capture_mm: float
    sources: dict[str, str]
    files: tuple[Path, ...] = ()


def positive(report: dict[str, Any], mesh: Mesh, trimline: dict[str, Any] | None, trimline_bytes: bytes) -> Positive:
    """Of a result just made.

    Parameters
    ----------
    report : the change report's facts
    mesh : Mesh
        Closed.
    trimline, trimline_bytes
        The trimline's facts and the file that holds them; None and nothing where there is no brim.
    """
    code = str(report["case"])
    sources = {f"{code}-rectified.stl": sha256(stl_bytes(mesh))}
    made = _of_report(report, merge(single_precision(mesh)[mesh.faces]), sources)
    if trimline is None:
        return made
    return _with_curve(made, trimline, f"{code}-trimline.json", sha256(trimline_bytes), None)


def read_positive(folder: Path) -> Positive:
    """Of a result's folder.

    Raises
    ------
    FileError
        It is none, holds no model, or its files are not those that were written.
    """
    if not (folder / REPORT).is_file():
        raise FileError(
            "is neither a case nor a result",
            path=folder,
            wanted="a folder with case.yaml, or one that `rectify apply` wrote",
            found="no such folder" if not folder.is_dir() else f"no {REPORT} in it",
        )
    report = read_json(folder / REPORT)
    code = report.get("case")
    if not isinstance(code, str) or Path(code).name != code:
        raise FileError("is not a report of this program", path=folder / REPORT, key="case")
    model, curve = folder / f"{code}-rectified.stl", folder / f"{code}-trimline.json"
    if not model.is_file():
        raise FileError(
            "holds no model",
            path=folder,
            wanted=model.name,
            hint="a limit was breached, or it was left out with --without stl: make the result again",
        )
    check_digests(folder, [path.name for path in (model, curve, folder / REPORT) if path.is_file()])
    mesh = read_mesh(model).mesh
    made = replace(
        _of_report(report, mesh, {model.name: sha256(model.read_bytes())}, folder / REPORT),
        files=(model, folder / REPORT),
    )
    return with_trimline(made, curve) if curve.is_file() else made


def with_trimline(made: Positive, path: Path) -> Positive:
    """The same model with the trimline of another file.

    Raises
    ------
    FileError
    """
    facts = read_json(path)
    if facts.get("case", made.code) != made.code:
        raise FileError(
            "is the trimline of another case", path=path, key="case", wanted=made.code, found=str(facts["case"])
        )
    if facts.get("units") != "mm":
        raise FileError(
            "has no units this program writes", path=path, key="units", wanted="mm", found=str(facts.get("units"))
        )
    return _with_curve(made, facts, path.name, sha256(path.read_bytes()), path)


def _of_report(report: dict[str, Any], mesh: Mesh, sources: dict[str, str], path: Path | None = None) -> Positive:
    try:
        warnings = report["warnings"]
        return Positive(
            code=str(report["case"]),
            side={"left": "left", "right": "right"}[report["side"]],
            amputation=str(report["amputation"]),
            status={"draft": "draft", "released": "released"}[report["status"]],
            looks=tuple(str(w["message"]) for w in warnings if w["severity"] == "look"),
            mesh=mesh,
            trimline=None,
            beyond_capture_mm=0.0,
            sources=sources,
        )
    except (KeyError, TypeError) as error:
        raise FileError("is not a report of this program", path=path, found=f"nothing usable under {error}") from None


def _with_curve(made: Positive, facts: dict[str, Any], name: str, digest: str, path: Path | None) -> Positive:
    try:
        points: NDArray[np.float64] = np.array(facts["points"], dtype=np.float64)
        beyond = float(facts.get("beyond_capture_mm") or 0.0)
    except (KeyError, TypeError, ValueError):
        points = np.zeros((0, 3))
        beyond = 0.0
    if points.ndim != 2 or points.shape[1:] != (3,) or not len(points) or not np.isfinite(points).all():
        raise FileError("holds no curve", path=path, key="points", wanted="a list of [x, y, z] in mm")
    return replace(
        made,
        trimline=points,
        beyond_capture_mm=beyond,
        sources={**made.sources, name: digest},
        files=made.files if path is None else (*made.files, path),
    )
