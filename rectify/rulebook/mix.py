"""Between two rulebooks: amounts that lie a share of the way from one to the other.

    extends: transtibial-patellar-tendon-bearing
    mix: {with: transtibial-total-surface-bearing, share: 50 %}

Mixed are numbers: amounts, what `allow` permits, feathers, percentages, limits. What only one of the two says counts
as nothing in the other, and so do its bounds. What cannot be halved (a place, a shape, a basis, a `when`) must be the
same in both, or the mixture is refused with the key at which they differ. Everything else is taken from the first.
"""

from __future__ import annotations

from copy import deepcopy
from typing import Any

from rectify.errors import InputError, RulesError
from rectify.rulebook.fields import NO_SOURCE
from rectify.rulebook.merge import Merged
from rectify.rulebook.quantity import UNITS, Quantity, QuantityError, parse_quantity
from rectify.rulebook.words import shown
from rectify.rulebook.yamltext import KeyPath, Value, key_text, raise_all

__all__ = ["mixed"]

_NUMBERS = ("amount", "allow", "feather", "reduce", "lengthen", "pad", "fade", "spare-fade")
_TEXTS = ("why", "evidence")
MIXED = "common practice"


def mixed(first: Merged, second: Merged, share: float, keys: KeyPath = ("mix",)) -> Merged:
    """A rulebook `share` (0 to 1) of the way from the first to the second; `first` is changed and returned.

    Raises
    ------
    RulesError, Faults
        Every key at which the two cannot be mixed; `keys` is where the mixture was asked for.
    """
    mixer = _Mixer(first, second, share, keys)
    one, two = first.value, second.value
    if one.get("amputation") != two.get("amputation"):
        mixer.differ(("amputation",), one.get("amputation"), two.get("amputation"))
        raise_all(mixer.faults)
    for part in ("regions", "overall", "end", "limits"):
        mixer.part((part,), deep=part == "regions")
    protected = [*_list(one, "protected"), *_list(two, "protected")]
    if protected:
        one["protected"] = list(dict.fromkeys(protected))
    raise_all(mixer.faults)
    return first


def _list(value: dict[str, Value], key: str) -> list[str]:
    found = value.get(key)
    return [str(entry) for entry in found] if isinstance(found, list) else []


class _Mixer:
    def __init__(self, first: Merged, second: Merged, share: float, keys: KeyPath) -> None:
        self.first, self.second, self.share, self.keys = first, second, share, keys
        self.faults: list[InputError] = []

    def differ(self, at: KeyPath, one: Value, two: Value) -> None:
        path, line = self.first.place(self.keys)
        self.faults.append(
            RulesError(
                f"cannot mix {key_text(at)}",
                path=path,
                line=line,
                key=key_text(self.keys),
                wanted="the same in both, for it has no middle",
                found=f"{shown(one)}, and {shown(two)}",
                hint="say it alike in both rulebooks, or say the whole region anew here",
            )
        )

    def part(self, at: KeyPath, *, deep: bool = False) -> None:
        """A part of the rulebook: mixed where both have it, else taken by its share."""
        one, two = _found(self.first.value, at), _found(self.second.value, at)
        if two is None and one is None:
            return
        if deep:
            mine, other = (value if isinstance(value, dict) else {} for value in (one, two))
            self._put(at, mine)
            for name in dict.fromkeys((*mine, *other)):
                self.part((*at, name))
            return
        if two is None or one is None:
            kept, source, weight = (two, self.second, self.share) if one is None else (one, self.first, 1 - self.share)
            if weight == 0 and at != ("limits",):  # all the way: what the other alone says is not there
                self._leave_out(at)
                return
            if one is None:
                self._take_lines(at, source)
            self._put(at, kept if at == ("limits",) else _scaled(kept, weight))
        else:
            self._put(at, self._both(at, one, two))

    def _both(self, at: KeyPath, one: Value, two: Value) -> Value:
        if isinstance(one, dict) and isinstance(two, dict):
            out: dict[str, Value] = {}
            for key in dict.fromkeys((*one, *two)):
                if key in _TEXTS:
                    nearer, other = (one, two) if self.share <= 0.5 else (two, one)
                    said = nearer.get(key, other.get(key))
                    out[key] = _evidence(said) if key == "evidence" else said
                elif key in one and key in two:
                    out[key] = self._both((*at, key), one[key], two[key])
                elif at == ("limits",):
                    out[key] = one.get(key, two.get(key))
                else:
                    self.differ((*at, key), one.get(key), two.get(key))
            return out
        if isinstance(one, list) and isinstance(two, list) and len(one) == len(two):
            return [self._both((*at, k), a, b) for k, (a, b) in enumerate(zip(one, two, strict=True))]
        if one == two:
            return one
        middle = self._between(one, two) if _is_number(at) else None
        if middle is None:
            self.differ(at, one, two)
        return one if middle is None else middle

    def _between(self, one: Value, two: Value) -> str | None:
        a, b = _quantity(one), _quantity(two)
        if a is None or b is None or a.kind != b.kind:
            return None
        value = (1 - self.share) * a.value + self.share * b.value
        sign = "+" if str(one).strip().startswith("+") and value >= 0 else ""
        return f"{sign}{value:.4g} {UNITS[a.kind]}"

    def _put(self, at: KeyPath, value: Value) -> None:
        place: Any = self.first.value
        for key in at[:-1]:
            place = place[key]
        place[at[-1]] = deepcopy(value)

    def _leave_out(self, at: KeyPath) -> None:
        place: Any = self.first.value
        for key in at[:-1]:
            place = place.get(key, {})
        place.pop(at[-1], None)

    def _take_lines(self, at: KeyPath, source: Merged) -> None:
        for known, line in source.sources.items():
            if known[: len(at)] == at:
                self.first.sources[known] = line


def _found(value: Value, at: KeyPath) -> Value:
    for key in at:
        if not isinstance(value, dict) or key not in value:
            return None
        value = value[key]
    return value


def _is_number(at: KeyPath) -> bool:
    """Whether a key path ends at a number that has a middle: an amount, a bound, a limit."""
    words = [key for key in at if isinstance(key, str)]
    return at[0] == "limits" or words[-1] in _NUMBERS


def _quantity(value: Value) -> Quantity | None:
    try:
        return parse_quantity(value, *UNITS, sign="any")
    except QuantityError:
        return None


def _evidence(said: Value) -> Value:
    """A mixed number is nobody's finding."""
    return said if said in NO_SOURCE else MIXED


def _scaled(value: Value, weight: float, under: str = "") -> Value:
    """A part with its amounts, and how far they may be turned, times a weight."""
    if isinstance(value, dict):
        scaled = {key: _scaled(inner, weight, key) for key, inner in value.items()}
        return {key: _evidence(inner) if key == "evidence" else inner for key, inner in scaled.items()}
    if isinstance(value, list):
        return [_scaled(inner, weight, under) for inner in value]
    quantity = _quantity(value) if under in ("amount", "allow", "reduce", "lengthen", "pad") else None
    return value if quantity is None else f"{quantity.value * weight:.4g} {UNITS[quantity.kind]}"
