"""What `when` says, as models: conditions and factors on the facts of a case. Nothing here knows a case."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import PlainValidator, WithJsonSchema

from rectify.rulebook.facts import FACT_WORDS
from rectify.rulebook.fields import as_list
from rectify.rulebook.quantity import parse_quantity
from rectify.rulebook.words import Wrong, shown, suggest

__all__ = ["Condition", "Factors", "LinerFactors", "LinerRange", "When", "WhenField", "read_when"]


@dataclass(frozen=True)
class Condition:
    """There only where the fact is one of these words."""

    words: tuple[str, ...]


@dataclass(frozen=True)
class Factors:
    """The amount times a number, by the fact's word; a word not listed counts 1."""

    by_word: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class LinerRange:
    """There only where the liner worn is in this range, mm."""

    at_least: float | None
    at_most: float | None


@dataclass(frozen=True)
class LinerFactors:
    """The amount times a number, straight between these thicknesses (mm), held at the ends."""

    by_mm: tuple[tuple[float, float], ...]


WhenPart = Condition | Factors | LinerRange | LinerFactors


@dataclass(frozen=True)
class When:
    """What follows from the facts of a case; conditions must all hold, factors multiply."""

    parts: tuple[tuple[str, WhenPart], ...]

    def part(self, fact: str) -> WhenPart | None:
        return dict(self.parts).get(fact)


def read_when(raw: object) -> When:
    """Read `when`; Wrong with the key where it is not good."""
    if not isinstance(raw, dict) or not raw:
        raise Wrong(f"is {shown(raw)}", wanted="facts, like {shaping: {hand: 0.4}} or {suspension: pin}")
    parts = []
    for fact, says in raw.items():
        if fact == "liner":
            parts.append((fact, _liner(says)))
        elif fact in FACT_WORDS:
            parts.append((fact, _fact(fact, says)))
        else:
            hint = suggest(str(fact), (*FACT_WORDS, "liner"), what="facts")
            raise Wrong("is no fact that when knows", keys=(fact,), hint=hint)
    return When(tuple(parts))


def _word(fact: str, raw: object, keys: tuple[str | int, ...]) -> str:
    word = ("yes" if raw else "no") if isinstance(raw, bool) else raw
    words = FACT_WORDS[fact]
    if word not in words:
        raise Wrong(f"is {shown(raw)}", keys=keys, hint=suggest(str(raw), words, what=f"words for {fact}"))
    return str(word)


def _fact(fact: str, says: object) -> WhenPart:
    if not isinstance(says, dict):
        words = as_list(says)
        assert isinstance(words, list | tuple)
        if not words:
            raise Wrong("is an empty list", keys=(fact,), wanted="a word, or several")
        return Condition(tuple(_word(fact, word, (fact,)) for word in words))
    if not says:
        raise Wrong("is empty", keys=(fact,), wanted="factors, like {hand: 0.4}")
    return Factors(tuple((_word(fact, word, (fact, word)), _factor(says[word], (fact, word))) for word in says))


def _factor(raw: object, keys: tuple[str | int, ...]) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not 0.0 <= raw <= 2.0:
        raise Wrong(f"is {shown(raw)}", keys=keys, wanted="a factor from 0 to 2, like 0.4")
    return float(raw)


def _liner(says: object) -> WhenPart:
    if not isinstance(says, dict) or not says:
        raise Wrong(
            f"is {shown(says)}",
            keys=("liner",),
            wanted="{at-least: 3 mm} or factors, like {6 mm: 1, 9 mm: 1.3}",
        )
    if set(says) & {"at-least", "at-most"}:
        extra = [key for key in says if key not in ("at-least", "at-most")]
        if extra:
            raise Wrong("stands beside at-least or at-most", keys=("liner", extra[0]), hint="say a range or factors")
        return LinerRange(_thickness(says, "at-least"), _thickness(says, "at-most"))
    pairs = []
    for key, raw in says.items():
        try:
            thickness = parse_quantity(key, "length", least=0.0).value
        except Wrong as wrong:
            raise Wrong(wrong.message, keys=("liner", key), wanted=wrong.wanted, hint=wrong.hint) from wrong
        pairs.append((thickness, _factor(raw, ("liner", key))))
    if len({thickness for thickness, _ in pairs}) < len(pairs):
        raise Wrong("lists one thickness twice", keys=("liner",))
    return LinerFactors(tuple(sorted(pairs)))


def _thickness(says: dict[str, Any], key: str) -> float | None:
    if key not in says:
        return None
    try:
        return parse_quantity(says[key], "length", least=0.0).value
    except Wrong as wrong:
        raise Wrong(wrong.message, keys=("liner", key), wanted=wrong.wanted, hint=wrong.hint) from wrong


def when_schema() -> dict[str, Any]:
    """JSON Schema of `when`."""
    factor = {"type": "number", "minimum": 0, "maximum": 2}
    length = {"type": "string", "pattern": r"(mm|cm|in|inch)\s*$"}
    facts: dict[str, Any] = {}
    for fact, words in FACT_WORDS.items():
        word: dict[str, Any] = {"type": "boolean"} if fact == "rectified" else {"enum": list(words)}
        factors = {
            "type": "object",
            "properties": dict.fromkeys(words, factor),
            "additionalProperties": False,
        }
        facts[fact] = {"anyOf": [word, {"type": "array", "items": word, "minItems": 1}, factors | {"minProperties": 1}]}
    both = {"at-least": length, "at-most": length}
    facts["liner"] = {
        "anyOf": [
            {"type": "object", "properties": both, "additionalProperties": False, "minProperties": 1},
            {
                "type": "object",
                "patternProperties": {r"(mm|cm|in|inch)\s*$": factor},
                "additionalProperties": False,
                "minProperties": 1,
            },
        ]
    }
    return {
        "type": "object",
        "description": "a condition (a word or words) or factors (word: number) on the facts of the case",
        "properties": facts,
        "additionalProperties": False,
        "minProperties": 1,
    }


WhenField = Annotated[When, PlainValidator(read_when), WithJsonSchema(when_schema())]
