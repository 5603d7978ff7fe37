"""How much: the rulebook's own amount scaled to one limb, then what the tunings make of it.

Scaling is held to `allow`, and says so. A tuning past `allow` is refused unless somebody answers for
it; past a limit it is refused always.
"""

from __future__ import annotations

from dataclasses import dataclass

from rectify.rulebook.places import Places
from rectify.rulebook.plan import FORMING, Anchor, Limits, Solution
from rectify.rulebook.quantity import Quantity, show_mm
from rectify.rulebook.tuning import Tuning
from rectify.rulebook.working import AmountChange, Notes, Working

__all__ = ["Amount", "Amounts"]

EPS = 1e-9
_NOTHING_SOLVED = Solution()


@dataclass(frozen=True)
class Amount:
    """mm: what the rulebook makes of this limb, what the dimensions make of that, what is asked in the end (negative
    only on top of what was captured rectified); and each change in words with its leave."""

    rulebook: float
    solved: float | None
    asked: float
    texts: tuple[tuple[Tuning, str, str | None], ...]


class Amounts:
    """Works out amounts on one limb; faults and warnings go to the notes."""

    def __init__(self, places: Places, notes: Notes, limits: Limits, solution: Solution = _NOTHING_SOLVED) -> None:
        self.places, self.notes, self.limits, self.solution = places, notes, limits, solution

    def of(self, working: Working, anchor: Anchor) -> Amount:
        """The rulebook's amount on this limb, what the dimensions made of it, and the tunings after that, oldest
        first: nothing that a person changed is taken back for a dimension's sake."""
        own = 0.0 if working.carried else self._scaled(working, working.says.amount, anchor)
        solved = None if working.carried else self.solution.regions.get(working.name)
        asked = own if solved is None else solved.amount_mm
        texts: list[tuple[Tuning, str, str | None]] = []
        for change in working.amounts:
            new, beyond = self._changed(working, change, asked, anchor)
            text = f"amount {show_mm(asked)} -> {show_mm(new)}"
            if working.carried:
                text = f"{show_mm(abs(new))} {'less' if new < 0 else 'more'} than the captured shape carries"
            texts.append((change.tuning, text, beyond))
            asked = new
        return Amount(own, None if solved is None else solved.amount_mm, asked, tuple(texts))

    def _scaled(self, working: Working, amount: Quantity, anchor: Anchor) -> float:
        """The rulebook's own amount on this limb, held to allow."""
        says, name = working.says, working.name
        value = amount.mm(self.places.radius_for(anchor.spot, amount)) * working.factor
        how = amount.text if working.factor == 1.0 else f"{amount.text} times {working.factor:.4g}"
        held = value
        if says.allow is not None:
            held = min(max(value, says.allow[0].value), says.allow[1].value)
        if abs(held - value) > EPS:
            text = f"{how} is {show_mm(value)} on this limb, held to {show_mm(held)} by allow"
            self.notes.warn("amount-held-to-allow", "note", text, name)
        limit = self._limit(working)
        if limit is not None and held > limit + EPS:  # of an added region: the rulebook's own are checked when it loads
            wanted = f"at most {show_mm(limit)}, the limit of this rulebook"
            working.fault(self.notes, f"is {show_mm(held)} on this limb, past the limit", "amount", wanted=wanted)
        return held

    def _limit(self, working: Working, amount: float = 0.0) -> float | None:
        if working.says.action in FORMING:
            return None
        down = (working.says.action == "reduce") == (amount >= 0.0)  # a change may turn what it is made on round
        return self.limits.reduction_mm if down else self.limits.build_up_mm

    def _changed(
        self, working: Working, change: AmountChange, before: float, anchor: Anchor
    ) -> tuple[float, str | None]:
        """The amount after one tuning, and what was said for passing allow."""
        quantity, tuning = change.quantity, change.tuning
        key = "amount" if change.sets else "change"
        keys = ("regions", working.name, key)
        new = quantity.mm(self.places.radius_for(anchor.spot, quantity)) if change.sets else before + quantity.value
        if new < -EPS and not working.carried:
            found = f"{show_mm(before)} {quantity.text} = {show_mm(new)}"
            hint = "to leave the region out, write drop: yes"
            self.notes.faults.append(tuning.fault("takes the amount below 0 mm", keys, found=found, hint=hint))
            return before, None
        limit = self._limit(working, new)
        if limit is not None and abs(new) > limit + EPS:
            self.notes.faults.append(
                tuning.fault(
                    f"makes it {show_mm(new)}, past the limit",
                    keys,
                    wanted=f"at most {show_mm(limit)}, the limit of this rulebook",
                    hint="no tuning passes a limit",
                )
            )
            return before, None
        return self._allowed(working, change, new if working.carried else max(new, 0.0), before, keys)

    def _allowed(
        self, working: Working, change: AmountChange, new: float, before: float, keys: tuple[str, ...]
    ) -> tuple[float, str | None]:
        allow = working.says.allow
        # of a change on top of what was captured only the most can be held: what is there already nobody knows
        low, high = (0.0, 0.0) if allow is None else (allow[0].value, allow[1].value)
        low = -high if working.carried else low
        if allow is None or low - EPS <= new <= high + EPS:
            return new, None
        span = f"{show_mm(low)} to {show_mm(high)}"
        if change.beyond is None:
            hint = "to go past it, say who answers for it: beyond-allow: {by: .., why: ..}"
            if change.tuning.key == "--set":
                hint = "to go past it, write it as a tuning in the case, with beyond-allow: {by: .., why: ..}"
            self.notes.faults.append(
                change.tuning.fault(f"makes it {show_mm(new)}, past allow", keys, wanted=span, hint=hint)
            )
            return before, None
        beyond = f"{change.beyond.by}: {change.beyond.why}"
        self.notes.warn("beyond-allow", "look", f"{show_mm(new)}, past allow ({span}); {beyond}", working.name)
        return new, beyond
