"""One case at the bench: what it stands on, what was changed since, and the engine's word on it.

    base version + overlay  ->  plan (at once, or refused)  ->  outcome (a moment later, in the background)

The state lives here and not in a page: two windows see the same limb, and a page that closes loses nothing. Every
accepted change is also written beside the case (`rectify.workbench.unsaved`), so that a killed server loses nothing
either; a save makes a version (`rectify.case.version`), and nothing is ever overwritten. What is shown is read back
from the text that a save would write: the saved case applied from the command line gives the same bytes.
"""

from __future__ import annotations

import hashlib
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from rectify.case import Case, open_case
from rectify.case.version import FOLDER, Saved, newest, numbers, read_saved, saved_from_text, saved_text, write_saved
from rectify.errors import CaseError, InputError, RectifyError
from rectify.limb.vocabulary import vocabulary
from rectify.rulebook import is_resolved, load_rulebook
from rectify.workbench.changes import Overlay, entries, plain
from rectify.workbench.states import Made, State, Tried, View, make, view_of
from rectify.workbench.unsaved import Unsaved

__all__ = ["Made", "Session", "Stale", "State", "Tried", "View"]

_NOT_SIGNED, _NOT_SAID = "not-saved", "not saved yet"
_KEPT = 8  # results kept for undo and redo
_STEPS = 200  # of undo
_TOLD_S = 1.0


class Stale(InputError):
    """A change was made on a state that has changed since, in another window."""


class Session:
    """The case at the bench. Every method may be called from any thread.

    Parameters
    ----------
    folder : path of the case
    today : gives the ISO date; a parameter so that a test need not wait for midnight
    tell : called with what the terminal should show: a version saved, a shape that took its time

    Raises
    ------
    InputError
        As `open_case`, and as the case's own plan.
    """

    def __init__(
        self,
        folder: str | Path,
        *,
        today: Callable[[], str] = lambda: date.today().isoformat(),
        tell: Callable[[str], object] = lambda _: None,
    ) -> None:
        self._written = open_case(folder, saved=0)
        given = self._written.rulebook_given()
        if isinstance(given, Path) and is_resolved(given):
            raise CaseError(
                "stands on a resolved plan, which nobody can tune", path=given, key="rulebook",
                hint="name the rulebook that the plan was made from",
            )  # fmt: skip
        self.folder = self._written.folder
        self._today = today
        self._tell = tell
        self._lock = threading.RLock()
        self._wake = threading.Condition(self._lock)
        self._tried: OrderedDict[str, Tried] = OrderedDict()
        self._made: OrderedDict[str, Made] = OrderedDict()
        self._views: dict[str, View] = {}
        self._by: str | None = None
        self._history = [State(newest(self.folder), Overlay())]
        self._at = 0
        self.revision = 1
        self._closed = False
        self._unsaved = Unsaved(self.folder, self.code)
        self._try(self.state)
        self.left_over = self._left_over()
        self._worker = threading.Thread(target=self._work, name="rectify-engine", daemon=True)
        self._worker.start()

    # -- looking -----------------------------------------------------------------------------------

    @property
    def code(self) -> str:
        """The case's code."""
        return self._written.code

    @property
    def state(self) -> State:
        """What stands now."""
        with self._lock:
            return self._history[self._at]

    @property
    def can(self) -> dict[str, bool]:
        """What may be done: undo, redo, save."""
        with self._lock:
            return {
                "undo": self._at > 0,
                "redo": self._at + 1 < len(self._history),
                "save": not self.state.overlay.is_empty or self.state.base != newest(self.folder),
            }

    def tried(self) -> Tried:
        """The case and plan of what stands now."""
        with self._lock:
            return self._try(self.state)

    def base(self) -> Tried:
        """The version that what stands now is laid over."""
        with self._lock:
            return self._try(State(self.state.base, Overlay()))

    @property
    def by(self) -> str | None:
        """Who saved last in this session."""
        return self._by

    def row_allow(self) -> list[tuple[float, float] | None]:
        """For every row of the overall reduction what the rulebook lets it be, percent; None where it does not say."""
        overall = self.base().plan.overall
        rows = overall.rows if overall is not None else ()
        return list(self._rows_say) if len(self._rows_say) == len(rows) else [None] * len(rows)

    @cached_property
    def _rows_say(self) -> tuple[tuple[float, float] | None, ...]:
        says = load_rulebook(self._written.rulebook_given(), folder=self.folder).says.overall
        rows = says.rows if says is not None else ()
        return tuple(None if row.allow is None else (row.allow[0].value, row.allow[1].value) for row in rows)

    def made(self, *, wait_s: float | None = None) -> Made | None:
        """The engine's result for what stands now; None while it is being made.

        Parameters
        ----------
        wait_s : float, optional
            Wait so long for it.
        """
        with self._wake:
            key = self.state.key
            self._wake.wait_for(lambda: key in self._made or self._closed, timeout=wait_s or 0)
            return self._made.get(key)

    def version(self, number: int) -> Made:
        """What the engine makes of a saved version, or of the case as written (0); made now where it is not kept.

        Raises
        ------
        InputError
            There is no such version.
        """
        with self._lock:
            tried = self._try(State(number, Overlay()))
            made = self._made.get(tried.state.key)
        if made is None:
            made = make(tried)
            with self._lock:
                self._keep_made(made)
        return made

    def view(self, made: Made) -> View:
        """What the page's viewer is given of a result, made once."""
        assert made.result is not None
        key = made.tried.state.key
        with self._lock:
            known = self._views.get(key)
        if known is None:
            known = view_of(made.result)
            with self._lock:
                self._views = dict([*self._views.items(), (key, known)][-_KEPT:])
        return known

    def versions(self) -> list[Saved]:
        """Every saved version that can be read, oldest first; of another `rectify apply --saved` says what is wrong."""
        out = []
        for number in numbers(self.folder):
            try:
                out.append(self._saved(number))
            except InputError:
                continue
        return out

    # -- changing ----------------------------------------------------------------------------------

    def change(self, revision: int, make: Callable[[Overlay, Tried], Overlay]) -> None:
        """Change the overlay, where the state is still the one that was seen.

        Parameters
        ----------
        revision : int
            Of the state that was seen.
        make : from the overlay and what was tried of it to the new overlay

        Raises
        ------
        Stale
            Another window was quicker.
        InputError
            The rulebook, its `allow` or its limits say no; nothing has changed.
        """
        with self._lock:
            self._fresh(revision)
            overlay = make(self.state.overlay, self._try(self.state))
            self._go(State(self.state.base, overlay))

    def go_back_to(self, revision: int, version: int) -> None:
        """Stand on another version, with nothing changed on it; undo comes back."""
        with self._lock:
            self._fresh(revision)
            self._go(State(version, Overlay()))

    def undo(self, revision: int) -> None:
        """One step back."""
        self._step(revision, -1)

    def redo(self, revision: int) -> None:
        """One step on again."""
        self._step(revision, +1)

    def save(self, revision: int, *, by: str, why: str) -> int:
        """Save what stands now as the next version and stand on it; returns its number.

        Raises
        ------
        Stale, CaseError, OutputError
        """
        with self._lock:
            self._fresh(revision)
            if not self.can["save"]:
                raise CaseError("nothing has changed since the newest version", key="save")
            number = newest(self.folder) + 1
            text = self._text(self.state, number, by=by, why=why)
            self._parsed(text, number)  # by, why and all are read as they will be read
            write_saved(self.folder, number, text)
            self._by = by
            self._tell(f"version {number} saved by {by}: {why}")
            self._go(State(number, Overlay()))
            return number

    def take_up(self, revision: int) -> None:
        """Take up what an earlier session left unsaved."""
        with self._lock:
            self._fresh(revision)
            if self.left_over is None:
                raise CaseError("there is nothing unsaved to take up", key="unsaved")
            state, self.left_over = self.left_over, None
            self._go(state)
            self._unsaved.forget_left_over()

    def throw_away(self, revision: int) -> None:
        """Leave what an earlier session left unsaved, for good."""
        with self._lock:
            self._fresh(revision)
            self.left_over = None
            self._unsaved.forget_left_over()
            self.revision += 1

    def close(self) -> None:
        """Stop the engine's thread; what is unsaved stays beside the case."""
        with self._wake:
            self._closed = True
            self._wake.notify_all()
        self._worker.join(timeout=60)
        self._unsaved.close()

    def _fresh(self, revision: int) -> None:
        if revision != self.revision:
            raise Stale(
                "something was changed in another window in the meantime", key="revision",
                found=str(revision), wanted=str(self.revision), hint="it is shown now; make the change again",
            )  # fmt: skip

    def _step(self, revision: int, by: int) -> None:
        with self._lock:
            self._fresh(revision)
            if not 0 <= self._at + by < len(self._history):
                raise CaseError(f"there is nothing to {'undo' if by < 0 else 'redo'}", key="undo" if by < 0 else "redo")
            self._try(self._history[self._at + by])
            self._at += by
            self._moved_on()

    def _go(self, state: State) -> None:
        """Stand on a state, if the readers accept it."""
        self._try(state)
        if state == self.state:
            return
        self._history = [*self._history[: self._at + 1], state][-_STEPS:]
        self._at = len(self._history) - 1
        self._moved_on()

    def _moved_on(self) -> None:
        self.revision += 1
        self._keep()
        self._wake.notify_all()

    # -- what a state is ---------------------------------------------------------------------------

    def _try(self, state: State) -> Tried:
        """The case and plan of a state, made once.

        Raises
        ------
        InputError
        """
        key = state.key
        if key not in self._tried:
            case = self._case(state)
            self._tried[key] = Tried(state, case, *case.resolved())
            while len(self._tried) > _KEPT:
                self._tried.popitem(last=False)
        self._tried.move_to_end(key)
        return self._tried[key]

    def _case(self, state: State) -> Case:
        if state.overlay.is_empty:
            return self._written if state.base == 0 else self._with(state.base)
        number = newest(self.folder) + 1
        text = self._text(state, number, by=self._by or _NOT_SIGNED, why=_NOT_SAID)
        return self._nearest(state).with_saved(self._parsed(text, number), _digest(text))

    def _nearest(self, state: State) -> Case:
        """A case whose limb is likely to be the same, so that it need not be made again."""
        here = [t.case for t in self._tried.values() if t.state.overlay.landmarks == state.overlay.landmarks]
        return here[-1] if here else self._written

    def _with(self, number: int) -> Case:
        saved = self._saved(number)
        text = (self.folder / saved.file).read_text(encoding="utf-8")
        return self._written.with_saved(saved, _digest(text))

    def _saved(self, number: int) -> Saved:
        case = self._written
        return read_saved(self.folder, number, case=case.code, amputation=case.amputation, mm=case.mm)

    def _parsed(self, text: str, number: int) -> Saved:
        case = self._written
        path = str(self.folder / FOLDER / "unsaved")
        return saved_from_text(text, number, case=case.code, amputation=case.amputation, mm=case.mm, path=path)

    def _text(self, state: State, number: int, *, by: str, why: str) -> str:
        """What a save would write: the base version's own, and the overlay after it."""
        base = self._saved(state.base) if state.base else None
        standing_on = self._try(State(state.base, Overlay()))
        overlay = state.overlay
        tune = [
            *(base.tune if base else []),
            *entries(overlay, standing_on.plan, self.origin, by=by, on=self._today(), why=why, allow=self.row_allow()),
        ]
        marks = {**(base.says.landmarks or {} if base else {}), **plain(overlay).get("landmarks", {})}
        return saved_text(
            number, case=self.code, made_from=state.base, by=by, on=self._today(), why=why, tune=tune, landmarks=marks,
            findings=overlay.findings,
        )  # fmt: skip

    @property
    def origin(self) -> str:
        """A landmark from which levels are said, as a version writes them."""
        return vocabulary(self._written.amputation).origin[0]

    def to_scan(self, points: Any) -> list[list[float]]:
        """Points of the limb frame in the scan's own axes and units, as landmarks are written: to a thousandth."""
        tried = self.tried()
        back = np.linalg.inv(tried.limb.frame)
        own = (np.atleast_2d(np.asarray(points, dtype=np.float64)) @ back[:3, :3].T + back[:3, 3]) / tried.case.mm
        return [[round(float(v), 3 if tried.case.mm < 10 else 6) for v in point] for point in own]

    # -- the engine --------------------------------------------------------------------------------

    def _work(self) -> None:
        while True:
            with self._wake:
                self._wake.wait_for(lambda: self._closed or self.state.key not in self._made)
                if self._closed:
                    return
                tried = self._try(self.state)
            began = time.monotonic()
            made = make(tried)
            took = time.monotonic() - began
            if took > _TOLD_S:
                self._tell(f"the shape was made in {took:.1f} s")
            with self._wake:
                self._keep_made(made)

    def _keep_made(self, made: Made) -> None:
        self._made[made.tried.state.key] = made
        while len(self._made) > _KEPT:
            self._made.popitem(last=False)
        self._wake.notify_all()

    # -- what is not saved yet ---------------------------------------------------------------------

    def _keep(self) -> None:
        state = self.state
        self._unsaved.keep(None if state.overlay.is_empty else {"base": state.base, "overlay": plain(state.overlay)})

    def _left_over(self) -> State | None:
        """What an earlier session left, where it fits this case still."""
        says = self._unsaved.left_over()
        if says is None or says.get("base") not in (0, *numbers(self.folder)):
            return None
        try:
            state = State(int(says["base"]), Overlay.model_validate(says["overlay"]))
            self._try(state)
        except (KeyError, TypeError, ValidationError, RectifyError):
            return None
        return None if state.overlay.is_empty else state


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
