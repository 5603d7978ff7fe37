"""The folder of what is made of a positive model: its body as STL and 3MF, its figures, the manifest; whole or not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rectify.fabrication.folder import whole_or_nothing
from rectify.fabrication.manifest import FRAME, json_bytes, write_manifest
from rectify.fabrication.positive import Positive
from rectify.fabrication.threemf import write_threemf
from rectify.fabrication.write_stl import write_stl
from rectify.geometry.mesh import Mesh

__all__ = ["Kind", "save_made"]


@dataclass(frozen=True)
class Kind:
    """What is made: its word in file names, its name for people and for the manifest, its role, its file of figures."""

    word: str
    name: str
    made: str
    role: str
    report: str


def save_made(
    positive: Positive,
    kind: Kind,
    mesh: Mesh,
    facts: Mapping[str, Any],
    folder: str | Path,
    *,
    exact: str = "",
    frame: str = FRAME,
    replace: bool = False,
) -> Path:
    """Write a new folder, all of it or nothing.

    Parameters
    ----------
    mesh, facts : the body with the numbers of its file, and what was measured on it
    exact : str
        The role of the positive model itself, where that lies beside it.
    frame : in words

    Raises
    ------
    OutputError
    """
    folder, code = Path(folder), positive.code
    stl, threemf, model = f"{code}-{kind.word}.stl", f"{code}-{kind.word}.3mf", f"{code}-rectified.stl"
    roles = {stl: kind.role, threemf: kind.role, kind.report: f"figures of the {kind.name}"}
    with whole_or_nothing(folder, replace=replace, inputs=positive.files, earlier=kind.report) as aside:
        write_stl(mesh, aside / stl, what=kind.name)
        write_threemf(mesh, aside / threemf, name=f"{code} {kind.name}")
        if exact:
            write_stl(positive.mesh, aside / model)
            roles[model] = exact
        (aside / kind.report).write_bytes(json_bytes(facts))
        write_manifest(aside, case=code, made=kind.made, status=positive.status, roles=roles, frame=frame)
    return folder
