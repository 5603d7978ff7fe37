"""The rulebook on the bench: its regions with the tunings laid over them, before any place is looked up.

Conditions of `when` have been weighed, regions dropped and added, fields replaced; changes of amount are kept in
order, because a share of radius needs the limb. Every change knows who made it, so that a later fault can point there.

Where a socket or a rectified model was captured, its shape carries the rulebook's amounts already: nothing of them is
made again. A tuning's `change` is made on top of what is there; a part whose `when` asks for `rectified` is followed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from rectify.errors import InputError, RulesError
from rectify.rulebook.facts import Facts
from rectify.rulebook.forming import forming_fits
from rectify.rulebook.load import Rulebook
from rectify.rulebook.model import Brim, EndSays, Needs, OverallSays, Region
from rectify.rulebook.parts import SIDEWAYS, Moves, When
from rectify.rulebook.plan import FORMING, Severity, Tuned, Warn
from rectify.rulebook.quantity import Quantity
from rectify.rulebook.tuning import Beyond, TuneRegion, Tuning, Widen
from rectify.rulebook.whens import Outcome, weigh
from rectify.rulebook.yamltext import KeyPath, key_text

__all__ = ["AmountChange", "Bench", "Notes", "Working"]

_HOLDS = Outcome()

_PLACE_KEYS = ("at", "path", "between", "along_path", "angle", "part", "proximal", "distal", *SIDEWAYS)
_REPLACED = (
    *("feather", "profile", "blend", "from_", "keep_clear", "shape"),
    *("fall", "faces", "tilt", "most", "corner"),
)


@dataclass
class Notes:
    """What has been said so far: warnings, conditions, faults."""

    rulebook: Rulebook
    warnings: list[Warn] = field(default_factory=list)
    conditions: list[str] = field(default_factory=list)
    faults: list[InputError] = field(default_factory=list)

    def warn(self, code: str, severity: Severity, message: str, where: str = "") -> None:
        self.warnings.append(Warn(code, severity, message, where))

    def fault(
        self,
        message: str,
        keys: KeyPath,
        *,
        wanted: str | None = None,
        found: str | None = None,
        hint: str | None = None,
    ) -> None:
        """A fault of the rulebook, at one of its keys."""
        path, line = self.rulebook.where(keys)
        key = key_text(keys)
        self.faults.append(RulesError(message, path=path, line=line, key=key, wanted=wanted, found=found, hint=hint))


@dataclass(frozen=True)
class AmountChange:
    """One change of an amount: `sets` it or adds to it."""

    tuning: Tuning
    sets: bool
    quantity: Quantity
    beyond: Beyond | None


@dataclass
class Working:
    """One region on the bench."""

    name: str
    says: Region
    factor: float
    added: Tuning | None = None
    carried: bool = False  # by the captured shape: its own amount is nothing
    amounts: list[AmountChange] = field(default_factory=list)
    moves: list[tuple[Tuning, Moves]] = field(default_factory=list)
    widen: list[tuple[Tuning, Widen]] = field(default_factory=list)
    blame: dict[str, Tuning] = field(default_factory=dict)  # the field a tuning said last
    tuned: list[tuple[Tuning, str]] = field(default_factory=list)

    def fault(
        self,
        notes: Notes,
        message: str,
        key: str,
        *,
        wanted: str | None = None,
        found: str | None = None,
        hint: str | None = None,
        deeper: KeyPath = (),
    ) -> None:
        """A fault at one key of this region: in the tuning that said it, or in the rulebook."""
        tuning = self.blame.get(key) or self.added
        if tuning is None:
            keys: KeyPath = ("regions", self.name, key, *deeper)
            notes.fault(message, keys, wanted=wanted, found=found, hint=hint)
            return
        below: KeyPath = ("add",) if tuning is self.added and key not in self.blame else ()
        keys = ("regions", self.name, *below, key, *deeper)
        notes.faults.append(tuning.fault(message, keys, wanted=wanted, found=found, hint=hint))

    def amount_key(self) -> str:
        """`amount` or `change`, as the last tuning of the amount said it, with its blame."""
        if not self.amounts:
            return "amount"
        key = "amount" if self.amounts[-1].sets else "change"
        self.blame[key] = self.amounts[-1].tuning
        return key

    def tuned_entries(self, extra: Sequence[tuple[Tuning, str, str | None]] = ()) -> tuple[Tuned, ...]:
        """Every change in words, oldest first; `extra` adds changes and what was said for passing allow."""
        texts: dict[int, tuple[Tuning, list[str], str | None]] = {}
        for tuning, text, beyond in [*((t, s, None) for t, s in self.tuned), *extra]:
            kept = texts.setdefault(id(tuning), (tuning, [], None))
            texts[id(tuning)] = (tuning, [*kept[1], text], beyond or kept[2])
        return tuple(tuned_by(tuning, "; ".join(said), beyond) for tuning, said, beyond in texts.values())


def tuned_by(tuning: Tuning, text: str, beyond: str | None = None) -> Tuned:
    """What a tuning did, with who and why."""
    says = tuning.says
    return Tuned(says.by, says.on or "", says.why, says.after, text, beyond)


@dataclass
class Bench:
    """Everything of the rulebook that holds for this case, tunings laid over it."""

    notes: Notes
    facts: Facts
    regions: dict[str, Working] = field(default_factory=dict)
    overall: OverallSays | None = None
    overall_factor: float = 1.0
    overall_changes: list[tuple[Tuning, Quantity]] = field(default_factory=list)
    end: EndSays | None = None
    end_factor: float = 1.0
    end_changes: list[AmountChange] = field(default_factory=list)
    end_tuned: list[tuple[Tuning, str]] = field(default_factory=list)
    brim: Brim | None = None
    overall_carried: bool = False
    end_carried: bool = False
    unknown: dict[str, list[str]] = field(default_factory=dict)  # facts nobody said, and who asks for them

    @classmethod
    def of(cls, notes: Notes, facts: Facts, tunings: Sequence[Tuning]) -> Bench:
        """Lay the tunings over the rulebook, oldest first."""
        bench = cls(notes, facts)
        bench._take_rulebook()
        for tuning in tunings:
            for name, change in tuning.says.regions.items():
                bench._tune_region(tuning, name, change)
            bench._tune_overall(tuning)
            bench._tune_end(tuning)
            bench._tune_brim(tuning)
        bench._leave_what_is_carried(tunings)
        return bench

    @property
    def copies(self) -> bool:
        """Whether what was captured is rectified already."""
        return self.facts.rectified is True

    @property
    def needs(self) -> Needs | None:
        """What the rulebook wants of a capture; nothing of one that is rectified already, where nothing is laid out."""
        return None if self.copies else self.notes.rulebook.says.needs

    def forget_amounts(self) -> None:
        """Take back what the tunings did to the amounts of regions."""
        self.regions = {name: working for name, working in self.regions.items() if not working.carried}
        for working in self.regions.values():
            working.amounts.clear()
            working.blame.pop("amount", None)

    def say_what_was_not_said(self) -> None:
        """One warning for each fact that a `when` asked for in vain."""
        for fact, names in self.unknown.items():
            text = f"the case does not say {fact}, and this asks for it: {', '.join(dict.fromkeys(names))}"
            self.notes.warn("fact-not-said", "note", text, fact)

    def weigh(self, when: When | None, name: str) -> Outcome:
        """Weigh a `when` and write down what it did."""
        outcome = weigh(when, self.facts)
        for fact in outcome.unknown:
            self.unknown.setdefault(fact, []).append(name)
        if not outcome.holds:
            self.notes.conditions.append(f"{name} left out: {'; '.join(outcome.says) or 'factor 0'}")
        elif outcome.factor != 1.0:
            self.notes.conditions.append(f"{name}: {'; '.join(outcome.says)}")
        return outcome

    def _take_rulebook(self) -> None:
        says = self.notes.rulebook.says
        for name, region in says.regions.items():
            if self._carries(region.when):
                self.regions[name] = Working(name, region, 1.0, carried=True)
                continue
            outcome = self.weigh(region.when, name)
            if outcome.holds:
                self.regions[name] = Working(name, region, outcome.factor)
        if says.overall is not None:
            self.overall_carried = self._carries(says.overall.when)
            outcome = _HOLDS if self.overall_carried else self.weigh(says.overall.when, "overall")
            self.overall, self.overall_factor = (says.overall if outcome.holds else None), outcome.factor
        if says.end is not None:
            self.end_carried = self._carries(says.end.when)
            outcome = _HOLDS if self.end_carried else self.weigh(says.end.when, "end")
            self.end, self.end_factor = (says.end if outcome.holds else None), outcome.factor
        self.brim = None if self.copies and self.facts.surface == "socket-inside" else says.brim

    # -- what the captured shape carries already -----------------------------------------------------

    def _carries(self, when: When | None) -> bool:
        return self.copies and (when is None or when.part("rectified") is None)

    def _leave_what_is_carried(self, tunings: Sequence[Tuning]) -> None:
        """Take off the bench what is not made again, and say so; a change is made on top of what is there."""
        if not self.copies:
            return
        for name, working in list(self.regions.items()):
            if not working.carried:
                continue
            for change in working.amounts:
                if working.says.action in FORMING:
                    self._cannot(change.tuning, ("regions", name, "change"), "forms anew a wall that")
                elif change.sets:
                    self._cannot(change.tuning, ("regions", name, "amount"), "sets the amount of what")
            if not working.amounts:
                shaped = [*working.blame.values(), *(t for t, _ in working.moves), *(t for t, _ in working.widen)]
                for tuning in shaped[-1:]:
                    self._cannot(tuning, ("regions", name), "moves or shapes what")
                del self.regions[name]
                continue
            self.notes.conditions.append(f"{name}: what was captured carries it, only the change is made")
        for end_change in self.end_changes if self.end_carried else ():
            if end_change.sets:
                self._cannot(end_change.tuning, ("end", "amount"), "sets the amount of what")
        anew = any(tuning.says.overall and tuning.says.overall.rows for tuning in tunings)
        self.overall_carried = self.overall_carried and not anew
        if self.overall_carried and not self.overall_changes:
            self.overall = None
        if self.end_carried and not self.end_changes:
            self.end = None
        text = (
            "what was captured is rectified already: of the rulebook's regions, overall reduction and end nothing is "
            "made again, only what is worn and what tunings change"
        )
        if self.facts.surface == "socket-inside" and self.notes.rulebook.says.brim is not None and self.brim is None:
            text += "; its trimline is left out, the captured edge is the socket's own"
        self.notes.conditions.append(text)
        self.notes.warn("rectified-already", "note", text, "scan.rectified")

    def _cannot(self, tuning: Tuning, keys: KeyPath, what: str) -> None:
        self.notes.faults.append(
            tuning.fault(
                f"{what} is in the captured shape already",
                keys,
                wanted="of what builds up or reduces a change, with its sign: change: +1 mm",
                hint="how much the captured shape carries there nobody knows; a region of its own takes add: {..}",
            )
        )

    # -- tunings -----------------------------------------------------------------------------------

    def _tune_region(self, tuning: Tuning, name: str, change: TuneRegion) -> None:
        if change.add is not None:
            outcome = self.weigh(change.add.when, name)
            if outcome.holds:
                working = Working(name, change.add, outcome.factor, added=tuning)
                working.tuned.append((tuning, "added"))
                self.regions[name] = working
            return
        working_or_none = self.regions.get(name)
        if working_or_none is None:
            self.notes.warn(
                "tuning-of-nothing",
                "note",
                f"{tuning.says.by} tunes {name}, which is not there on this limb",
                name,
            )
            return
        if change.drop and working_or_none.carried:
            self._cannot(tuning, ("regions", name, "drop"), "leaves out what")
            return
        if change.drop:
            del self.regions[name]
            says = tuning.says
            self.notes.conditions.append(f"{name} dropped by {says.by}: {says.why}")
            action = working_or_none.says.action
            severity: Severity = "look" if action == "build-up" else "note"
            self.notes.warn("region-dropped", severity, f"{action} dropped by {says.by}: {says.why}", name)
            return
        self._change(working_or_none, tuning, change)

    def _change(self, working: Working, tuning: Tuning, change: TuneRegion) -> None:
        said = change.model_fields_set
        beyond = change.beyond_allow or tuning.says.beyond_allow
        for quantity, sets in ((change.amount, True), (change.change, False)):
            if quantity is not None:
                working.amounts.append(AmountChange(tuning, sets, quantity, beyond))
                working.blame["amount"] = tuning
        updates = {key: getattr(change, key) for key in _REPLACED if key in said}
        if {"at", "path", "between"} & said:
            updates |= {key: getattr(change, key) for key in _PLACE_KEYS}
            working.moves.clear()
        for key in updates:
            field_info = Region.model_fields[key]
            working.blame[field_info.alias or key] = tuning
        words = [_in_words(key, getattr(working.says, key), value) for key, value in updates.items() if key in said]
        if updates:
            try:
                data = dict(working.says) | updates
                working.says = Region.model_construct(**data)
                working.says.place_fits_shape()
                forming_fits(working.says)
            except ValueError as wrong:
                hint = "say the place and the shape together"
                self.notes.faults.append(
                    tuning.fault(f"no longer fits together: {wrong}", ("regions", working.name), hint=hint)
                )
        if change.move is not None:
            working.moves.append((tuning, change.move))
            words.append(f"moved {_moves_in_words(change.move)}")
        if change.widen is not None:
            working.widen.append((tuning, change.widen))
            words.append("widened " + ", ".join(f"{key} {q}" for key, q in change.widen if q is not None))
        working.tuned.extend((tuning, text) for text in words if text)

    def _tune_overall(self, tuning: Tuning) -> None:
        change = tuning.says.overall
        if change is None:
            return
        if self.overall is None:
            self.notes.faults.append(tuning.fault("there is no overall reduction to change", ("overall",)))
            return
        said = change.model_fields_set & {"rows", "spare", "spare_fade", "fade"}
        self.overall = self.overall.model_copy(update={key: getattr(change, key) for key in said})
        if change.rows is not None:
            self.overall_changes.clear()
            self.overall_factor = 1.0  # a number said for this limb is meant as it stands
        if change.change is not None:
            self.overall_changes.append((tuning, change.change))
        words = [f"{change.change} on every row"] if change.change else []
        words += [f"{key.replace('_', '-')} said anew" for key in sorted(said)]
        self.notes.conditions.append(f"overall: {', '.join(words)} by {tuning.says.by}: {tuning.says.why}")

    def _tune_end(self, tuning: Tuning) -> None:
        change = tuning.says.end
        if change is None:
            return
        if self.end is None:
            self.notes.faults.append(tuning.fault("nothing is done to the end that could be changed", ("end",)))
            return
        if change.drop:
            self.end = None
            self.notes.conditions.append(f"end dropped by {tuning.says.by}: {tuning.says.why}")
            return
        if change.from_ is not None:
            self.end_tuned.append((tuning, f"from {change.from_.text()}"))
            self.end = self.end.model_copy(update={"from_": change.from_})
        beyond = change.beyond_allow or tuning.says.beyond_allow
        for quantity, sets in ((change.amount, True), (change.change, False)):
            if quantity is not None:
                self.end_changes.append(AmountChange(tuning, sets, quantity, beyond))

    def _tune_brim(self, tuning: Tuning) -> None:
        change = tuning.says.brim
        if change is None:
            return
        said = change.model_fields_set
        if self.brim is None and change.line is None:
            self.notes.faults.append(
                tuning.fault("this rulebook has no brim to change", ("brim",), hint="say its line too")
            )
            return
        base = self.brim if self.brim is not None else Brim.model_construct(line=())
        self.brim = base.model_copy(update={key: getattr(change, key) for key in said})
        keys = ", ".join(sorted(key.replace("_", "-") for key in said))
        self.notes.conditions.append(f"brim: {keys} said anew by {tuning.says.by}: {tuning.says.why}")


def _in_words(key: str, old: object, new: object) -> str:
    """One replaced field, old and new where both are short."""
    name = key.rstrip("_").replace("_", "-")
    if isinstance(old, Quantity | str) and isinstance(new, Quantity | str):
        return f"{name} {old} -> {new}"
    return f"{name} said anew"


def _moves_in_words(moves: Moves) -> str:
    return ", ".join(f"{quantity} {word}" for word, quantity in _moves(moves))


def _moves(moves: Moves) -> Iterator[tuple[str, Quantity]]:
    for word in ("proximal", "distal", *SIDEWAYS):
        quantity = getattr(moves, word)
        if quantity is not None:
            yield word, quantity
