"""What stands at the bench at one moment: a version and what was changed on it, what readers and engine say of it."""

from __future__ import annotations

import json
from dataclasses import dataclass

from rectify.api import Result
from rectify.case import Case, standing
from rectify.engine import rectify_limb
from rectify.errors import RectifyError
from rectify.geometry.mesh import Ints
from rectify.limb.limb import Limb
from rectify.rulebook.plan import Plan
from rectify.workbench.changes import Overlay, plain

__all__ = ["Made", "State", "Tried", "View", "make", "view_of"]


@dataclass(frozen=True)
class State:
    """A version and what was changed on it."""

    base: int
    overlay: Overlay

    @property
    def key(self) -> str:
        """The same for the same state."""
        return json.dumps([self.base, plain(self.overlay)], sort_keys=True)


@dataclass(frozen=True, eq=False)
class Tried:
    """A state that the rulebook's readers accepted: the case as it would be saved, and its plan."""

    state: State
    case: Case
    limb: Limb
    plan: Plan


@dataclass(frozen=True, eq=False)
class Made:
    """What the engine made of a state: a result, or the sentence why there is none."""

    tried: Tried
    result: Result | None
    problem: RectifyError | None


@dataclass(frozen=True, eq=False)
class View:
    """What the viewer is given: its bytes, and which vertices of the surface it shows, (v,) int64."""

    payload: bytes
    kept: Ints


def view_of(result: Result) -> View:
    """The viewer's bytes for a result."""
    from rectify.viewer import pack, scene_of

    scene = scene_of(result.outcome, case=result.case.code)
    return View(pack(scene), scene.view.kept)


def make(tried: Tried) -> Made:
    """The engine's word on a state: whatever goes wrong is told and never raised."""
    try:
        outcome = rectify_limb(tried.limb, tried.plan)
    except RectifyError as problem:
        return Made(tried, None, problem)
    except Exception as problem:  # the bench stays open, and says so
        return Made(tried, None, RectifyError(f"internal fault: {type(problem).__name__}: {problem}"))
    return Made(tried, Result(tried.case, tried.plan, outcome, standing(tried.case, tried.plan)), None)
