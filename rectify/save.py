"""Writing a result: every file of it in one new folder, whole or not at all.

    <case>-rectified.stl      closed positive model, binary, mm, in the limb frame
    <case>-rectified.3mf      the same, with its unit
    <case>-trimline.json      where the rulebook forms a brim
    change-report.json        facts
    change-report.html        a page for people
    plan.yaml                 the rulebook resolved for this limb
    files.json                all of these but the page, with digests, units and frame

After a breach of a limit only report and plan are written: no shape that must not be made lies about.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rectify.errors import InputError, LimitError
from rectify.fabrication.folder import refuse_place, whole_or_nothing
from rectify.fabrication.manifest import write_manifest
from rectify.fabrication.threemf import write_threemf
from rectify.fabrication.trimline import trimline_facts
from rectify.fabrication.write_stl import write_stl
from rectify.rulebook.write import plan_to_yaml

if TYPE_CHECKING:
    from rectify.api import Result
    from rectify.case import Case
    from rectify.fabrication.positive import Positive

__all__ = ["PARTS", "check_folder", "positive_of", "save_result", "trimline_of"]

_REPORT = "change-report.json"
PARTS = ("stl", "3mf", "page")  # what may be left out


def check_folder(case: Case, folder: Path, *, rulebook: str | Path | None = None, replace: bool = False) -> None:
    """Refuse a result folder before any work is done for it; `save_result` looks again. Parameters as `apply` has them.

    Raises
    ------
    OutputError
    """
    refuse_place(folder, replace=replace, inputs=case.files(rulebook), earlier=_REPORT)


def save_result(result: Result, folder: Path, *, replace: bool = False, without: Sequence[str] = ()) -> Path:
    """Write a result into a new folder.

    Parameters
    ----------
    result : Result
    folder : Path
        Must not exist, unless `replace`; its parent must.
    replace : bool
        Put the new folder in the place of an earlier result's, which is deleted with all it holds.
    without : of PARTS
        Leave these out.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    InputError
        `without` names something else.
    OutputError
        It cannot be written there.
    """
    unknown = sorted(set(without) - set(PARTS))
    if unknown:
        raise InputError("cannot be left out", key="without", wanted=", ".join(PARTS), found=", ".join(unknown))
    inputs = result.case.files(result.rulebook)
    with whole_or_nothing(folder, replace=replace, inputs=inputs, earlier=_REPORT) as aside:
        _reports(result, aside, without)
        if not result.outcome.breaches:
            _shapes(result, aside, without)
            _list(result, aside)
    return folder


def _reports(result: Result, folder: Path, without: Sequence[str]) -> None:
    from rectify.report.facts import to_json

    _write(folder / _REPORT, to_json(result.report))
    _write(folder / "plan.yaml", plan_to_yaml(result.plan))
    if "page" not in without:
        from rectify.report.page import change_page

        today = date.today().isoformat()  # the page alone carries a date: a sheet of paper must say how old it is
        _write(folder / "change-report.html", change_page(result.report, result.outcome, today))


def _shapes(result: Result, folder: Path, without: Sequence[str]) -> None:
    from rectify.report.facts import to_json

    code = result.case.code
    if "stl" not in without:
        write_stl(result.mesh, folder / f"{code}-rectified.stl")
    if "3mf" not in without:
        write_threemf(result.mesh, folder / f"{code}-rectified.3mf", name=code)
    curve = trimline_of(result)
    if curve is not None:
        _write(folder / f"{code}-trimline.json", to_json(curve))


def _list(result: Result, folder: Path) -> None:
    """What is there for machines; the page is for people, and carries a date."""
    code = result.case.code
    roles = {
        f"{code}-rectified.stl": "positive model",
        f"{code}-rectified.3mf": "positive model",
        f"{code}-trimline.json": "trimline",
        _REPORT: "facts of the change",
        "plan.yaml": "rulebook resolved for this limb",
    }
    there = {name: role for name, role in roles.items() if (folder / name).is_file()}
    write_manifest(folder, case=code, made="rectified-model", status=result.standing.status, roles=there)


def trimline_of(result: Result) -> dict[str, Any] | None:
    """What the trimline's file holds; None where the rulebook forms no brim."""
    brim = result.plan.brim
    if brim is None:
        return None
    return {"case": result.case.code, **trimline_facts(result.outcome.limb, brim, result.outcome.mesh)}


def positive_of(result: Result) -> Positive:
    """The positive model as fabrication takes it.

    Raises
    ------
    LimitError
        A limit was breached: nothing may be made of it.
    """
    from rectify.fabrication.positive import positive
    from rectify.report.facts import to_json

    if result.outcome.breaches:
        raise LimitError(
            "; ".join(breach.message for breach in result.outcome.breaches),
            hint="nothing is made of a model that breaches a limit; lower the amounts, or use another rulebook",
        )
    curve = trimline_of(result)
    return positive(result.report, result.mesh, curve, b"" if curve is None else to_json(curve))


def _write(path: Path, content: bytes | str) -> None:
    """Text as UTF-8 with plain line ends, on every system."""
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
