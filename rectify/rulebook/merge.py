"""Laying one rulebook over another, key by key, so that every value remembers its file and line.

Mappings merge by key, regions by name; lists, single values, `shape`, `when` and `target` are replaced
whole. A place said anew drops the old one. `remove: true` drops what the extended rulebook had.
"""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass, field

from rectify.errors import InputError, RulesError
from rectify.rulebook.parts import SIDEWAYS
from rectify.rulebook.words import suggest
from rectify.rulebook.yamltext import Document, KeyPath, Value, key_text

__all__ = ["Merged", "lay_over"]

WHOLE = ("shape", "when", "target")
REMOVABLE = ("overall", "end", "brim", "needs", "limits")
_PLACE = ("at", "path", "between", "between-regions", "part", "angle", "along-path", "proximal", "distal", *SIDEWAYS)
_ROUND = ("angle", *SIDEWAYS)
_ONE_OF = (("proximal", "distal"), _ROUND, ("lengthen", "pad"))


@dataclass
class Merged:
    """Plain values, for every key path the file and line it came from, and what they were last mixed with, how far."""

    value: dict[str, Value] = field(default_factory=dict)
    sources: dict[KeyPath, tuple[str, int]] = field(default_factory=dict)
    faults: list[InputError] = field(default_factory=list)
    mix: tuple[str, float] | None = None

    def place(self, keys: KeyPath) -> tuple[str | None, int | None]:
        """File and line of a key path, or of the nearest one above it."""
        for end in range(len(keys), -1, -1):
            if keys[:end] in self.sources:
                return self.sources[keys[:end]]
        return None, None

    def drop(self, keys: KeyPath) -> None:
        """Forget where a key path and what is under it came from."""
        for known in [known for known in self.sources if known[: len(keys)] == keys]:
            del self.sources[known]


def lay_over(base: Merged, document: Document) -> Merged:
    """The document laid over the base; the base is changed and returned."""
    mapping = document.mapping()
    base.sources[()] = (document.path, document.line(()) or 1)
    _mapping(base, base.value, mapping, (), document)
    return base


def _mapping(
    merged: Merged, below: dict[str, Value], above: Mapping[str, Value], keys: KeyPath, document: Document
) -> None:
    _drop_what_is_said_anew(merged, below, above, keys)
    for key, value in above.items():
        here = (*keys, key)
        if isinstance(value, dict) and "remove" in value and _removable(here):
            _remove(merged, below, value, here, document)
            continue
        old = below.get(key)
        if isinstance(value, dict) and isinstance(old, dict) and key not in WHOLE:
            merged.sources[here] = (document.path, document.line(here) or 1)
            _mapping(merged, old, value, here, document)
        else:
            merged.drop(here)
            below[key] = deepcopy(value)
            for known, line in document.lines.items():
                if known[: len(here)] == here:
                    merged.sources[known] = (document.path, line)


def _drop_what_is_said_anew(merged: Merged, below: dict[str, Value], above: Mapping[str, Value], keys: KeyPath) -> None:
    is_region = len(keys) == 2 and keys[0] == "regions"
    gone: set[str] = set()
    if is_region and any(key in above for key in ("at", "path", "between", "between-regions")):
        gone.update(_PLACE)
    if is_region or keys == ("end",):
        for group in _ONE_OF:
            if any(key in above for key in group):
                gone.update(group)
    for key in gone & set(below):
        merged.drop((*keys, key))
        del below[key]


def _removable(keys: KeyPath) -> bool:
    return (len(keys) == 2 and keys[0] == "regions") or (len(keys) == 1 and keys[0] in REMOVABLE)


def _remove(
    merged: Merged, below: dict[str, Value], value: dict[str, Value], keys: KeyPath, document: Document
) -> None:
    line = document.line((*keys, "remove"))
    where = {"path": document.path, "line": line}
    if value["remove"] is not True or len(value) > 1:
        merged.faults.append(
            RulesError(
                "removes and says something else too",
                key=key_text(keys),
                wanted="remove: true alone",
                hint="to change it, leave remove out",
                **where,  # type: ignore[arg-type]
            )
        )
    elif keys[-1] not in below:
        hint = suggest(str(keys[-1]), below, what="there are") if len(keys) == 2 else None
        merged.faults.append(
            RulesError(
                "removes what the extended rulebook does not have",
                key=key_text(keys),
                hint=hint,
                **where,  # type: ignore[arg-type]
            )
        )
    else:
        merged.drop(keys)
        del below[str(keys[-1])]
