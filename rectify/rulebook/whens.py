"""What `when` makes of the facts of a case: there or not, times how much, and the sentence that says so."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from rectify.rulebook.facts import Facts
from rectify.rulebook.parts import Condition, Factors, LinerFactors, LinerRange, When
from rectify.rulebook.quantity import show_mm

__all__ = ["Outcome", "weigh"]


@dataclass(frozen=True)
class Outcome:
    """`holds`: it is there at all; `factor`: on the amount; `says`: one clause per fact that mattered."""

    holds: bool = True
    factor: float = 1.0
    says: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()  # facts that were asked for and nobody said


def weigh(when: When | None, facts: Facts) -> Outcome:
    """Weigh every part: conditions must all hold, factors multiply, a factor of 0 is a condition that fails.

    What the case does not say meets no condition and has factor 1.
    """
    holds, factor, says, unknown = True, 1.0, [], []
    for fact, part in when.parts if when else ():
        if isinstance(part, Condition):
            word = facts.word(fact)
            ok = word in part.words
            wanted = " or ".join(part.words)
            says.append(f"{fact} is {word or 'not said'}" + ("" if ok else f", wanted {wanted}"))
            holds &= ok
        elif isinstance(part, Factors):
            word = facts.word(fact)
            times = dict(part.by_word).get(word or "", 1.0)
            if word is not None and times != 1.0:
                says.append(f"{fact} is {word}: times {times:g}")
            factor *= times
        else:
            ok, times, text = _liner(part, facts.liner_mm)
            if text:
                says.append(text)
            holds, factor = holds and ok, factor * times
            word = None if facts.liner_mm is None else "said"
        if word is None:
            unknown.append(fact)
    return Outcome(holds and factor > 0.0, factor, tuple(says), tuple(unknown))


def _liner(part: LinerRange | LinerFactors, worn: float | None) -> tuple[bool, float, str]:
    """Whether it holds, the factor, and the clause."""
    shown = "not said" if worn is None else show_mm(worn)
    if isinstance(part, LinerRange):
        low, high = part.at_least, part.at_most
        ok = worn is not None and (low is None or worn >= low) and (high is None or worn <= high)
        bounds = [f"at least {show_mm(low)}"] if low is not None else []
        bounds += [f"at most {show_mm(high)}"] if high is not None else []
        return ok, 1.0, f"liner worn is {shown}" + ("" if ok else f", wanted {' and '.join(bounds)}")
    if worn is None:
        return True, 1.0, ""
    times = _between(part.by_mm, worn)
    return True, times, f"liner worn is {shown}: times {times:.4g}" if times != 1.0 else ""


def _between(pairs: tuple[tuple[float, float], ...], x: float) -> float:
    """Straight between the pairs, held at the ends."""
    if x <= pairs[0][0]:
        return pairs[0][1]
    for (x0, y0), (x1, y1) in pairwise(pairs):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return pairs[-1][1]
