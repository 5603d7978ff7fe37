"""The Python interface: the same words as the commands.

case = rectify.open_case("demo_limbs/RB-101")
result = rectify.apply(case)
result.mesh, result.report
result.save("out")
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rectify.case import Case, Standing, open_case, standing
from rectify.engine import Outcome, rectify_limb
from rectify.errors import LimitError
from rectify.geometry.mesh import Mesh
from rectify.rulebook.plan import Plan

if TYPE_CHECKING:
    from rectify.fabrication.positive import Positive

__all__ = ["EXIT_DONE", "EXIT_LIMIT", "EXIT_LOOK", "Result", "apply", "open_case"]

EXIT_DONE, EXIT_LIMIT, EXIT_LOOK = 0, 3, 4


@dataclass(frozen=True, eq=False)
class Result:
    """A rectified limb, its report, and whether it may go to a machine.

    Parameters
    ----------
    case : Case
    plan : Plan
    outcome : Outcome
        Everything the engine measured.
    standing : Standing
        Draft or released.
    rulebook : name or path, optional
        The one that was asked for instead of the case's own.
    """

    case: Case
    plan: Plan
    outcome: Outcome
    standing: Standing
    rulebook: str | Path | None = None

    @property
    def mesh(self) -> Mesh:
        """The closed positive model in the limb frame: float64 mm, one body, outward."""
        return self.outcome.closed

    @cached_property
    def report(self) -> dict[str, Any]:
        """The change report's facts, as change-report.json holds them."""
        from rectify.report import change_facts

        return change_facts(self.case, self.outcome, self.standing)

    @cached_property
    def positive(self) -> Positive:
        """The positive model as `rectify.fabrication` takes it, for a check socket or a model to carve.

        Raises
        ------
        LimitError
            A limit was breached.
        """
        from rectify.save import positive_of

        return positive_of(self)

    @property
    def exit_code(self) -> int:
        """0 done, 3 a limit was breached, 4 a person must look first."""
        if self.outcome.breaches:
            return EXIT_LIMIT
        looks = any(warning["severity"] == "look" for warning in self.report["warnings"])
        return EXIT_LOOK if looks or self.standing.status == "draft" else EXIT_DONE

    def save(self, folder: str | Path, *, replace: bool = False, without: Sequence[str] = ()) -> Path:
        """Write the whole result into a new folder, all of it or nothing.

        Parameters
        ----------
        folder : path
            Must not exist, unless `replace`.
        replace : bool
            Put the new result in the place of an earlier one, which is deleted with all its folder holds.
        without : of "stl", "3mf", "page"
            Leave these out.

        Raises
        ------
        OutputError
            It cannot be written there.
        LimitError
            A limit was breached: the reports are written, no shape is.
        """
        from rectify.save import save_result

        path = save_result(self, Path(folder), replace=replace, without=tuple(without))
        if self.outcome.breaches:
            raise LimitError(
                "; ".join(w.message for w in self.outcome.breaches),
                path=path,
                hint="the reports are written, no shape is; lower the amounts, or use another rulebook",
            )
        return path


def apply(
    case: Case,
    rulebook: str | Path | None = None,
    *,
    sets: Sequence[str] = (),
    by: str | None = None,
    why: str | None = None,
    on: str | None = None,
) -> Result:
    """Rectify a case.

    Parameters
    ----------
    case : Case
        From `open_case`.
    rulebook : name or path, optional
        Instead of the case's own.
    sets : such as "popliteal.amount=3mm", optional
    by, why, on : str, optional
        Who makes these changes, why, when (ISO date).

    Raises
    ------
    InputError
        Something in case, capture, landmarks or rulebook cannot be.
    RectifyError
        No sound shape was found.
    """
    limb, plan = case.resolved(rulebook, sets=sets, by=by, why=why, on=on)
    return Result(case, plan, rectify_limb(limb, plan), standing(case, plan), rulebook)
