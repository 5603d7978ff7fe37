"""A plan written down as YAML at full precision, and read back equal.

The text is canonical: the same plan gives the same bytes on every machine and in every locale. Keys are the
plan's own names with their units, numbers are the shortest text that reads back to the same float. It is a
record, not a rulebook: it says `resolved: true`, holds the digest of the scan it is for, and is refused for another.
"""

from __future__ import annotations

import hashlib
import json
import re
import types
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from rectify.errors import InputError, RulesError
from rectify.rulebook import plan as plan_module
from rectify.rulebook.plan import Band, EndCap, Outline, Oval, Plan, Sector, Shape, Strip
from rectify.rulebook.words import shown, suggest
from rectify.rulebook.yamltext import Document, KeyPath, Value, key_text, parse_yaml, raise_all, read_yaml

__all__ = ["plan_digest", "plan_from_document", "plan_from_yaml", "plan_to_yaml", "read_plan"]

_SHAPES: dict[str, type] = {
    "oval": Oval,
    "strip": Strip,
    "outline": Outline,
    "band": Band,
    "end-cap": EndCap,
    "sector": Sector,
}
_DIGEST_DIGITS = 3
_PLAIN = re.compile(r"[a-z]+(-[a-z]+)*")
_NOT_PLAIN = {"yes", "no", "on", "off", "y", "n", "true", "false", "null", "nan", "inf", "infinity"}
_KEY = re.compile(r"[A-Za-z_][A-Za-z0-9_-]*")
HEAD = """\
# A plan: a rulebook resolved for one limb, tunings included. Lengths are mm, angles degrees.
# It stands for the scan named below and for no other; made by rectify, not to be edited by hand.
"""


def plan_to_yaml(plan: Plan) -> str:
    """The plan as YAML text; see the module for what is promised."""
    head: dict[str, object] = {"format": 1, "resolved": True}
    return HEAD + "".join(_lines({**head, **_plain(plan)}, 0))


def plan_digest(plan: Plan) -> str:
    """sha256 (hex) of what the plan does: everything but the texts that tell of it (warnings, conditions).

    Numbers count to a thousandth of a mm, degree or percent: the same plan made on another machine differs in its last
    digits, and that is no other plan.
    """
    bare = _rounded(_plain(replace(plan, warnings=(), conditions=())))
    return hashlib.sha256(json.dumps(bare, sort_keys=True).encode("utf-8")).hexdigest()


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, _DIGEST_DIGITS) + 0.0  # never -0.0
    if isinstance(value, Mapping):
        return {key: _rounded(inner) for key, inner in value.items()}
    return [_rounded(inner) for inner in value] if isinstance(value, list | tuple) else value


def read_plan(path: str | Path, scan_sha256: str | None = None) -> Plan:
    """Read a plan file.

    Parameters
    ----------
    scan_sha256 : digest of the scan it is to be used for; None takes it for any

    Raises
    ------
    FileError, RulesError, Faults
        It cannot be read, is no plan, is not whole, or was made for another scan.
    """
    return plan_from_document(read_yaml(path), scan_sha256)


def plan_from_yaml(text: str | bytes, scan_sha256: str | None = None, *, path: str = "plan.yaml") -> Plan:
    """A plan from its YAML text; see `read_plan`."""
    return plan_from_document(parse_yaml(text, path=path), scan_sha256)


def plan_from_document(document: Document, scan_sha256: str | None = None) -> Plan:
    """A plan from a YAML document; see `read_plan`."""
    mapping = dict(document.mapping())
    if mapping.pop("resolved", None) is not True:
        raise RulesError("is no resolved plan", path=document.path, key="resolved", wanted="resolved: true")
    if mapping.pop("format", None) != 1:
        raise RulesError("is not a format this program reads", path=document.path, key="format", wanted="format: 1")
    reader = _Reader(document)
    plan = reader.read(Plan, mapping, ())
    raise_all(reader.faults)
    assert isinstance(plan, Plan)
    reader.check(plan)
    raise_all(reader.faults)
    if scan_sha256 is not None and plan.scan_sha256 != scan_sha256:
        raise RulesError(
            "is resolved for another scan",
            path=document.path,
            line=document.line(("scan_sha256",)),
            key="scan_sha256",
            wanted=f"{scan_sha256[:12]}..., the digest of this scan",
            found=f"{plan.scan_sha256[:12]}...",
            hint="apply the rulebook itself to this case",
        )
    return plan


# -- writing ---------------------------------------------------------------------------------------


def _plain(value: object) -> Any:
    """Dataclasses as mappings, shapes under the name of their kind, tuples as lists, floats as floats."""
    if is_dataclass(value) and not isinstance(value, type):
        hints = _hints(type(value))
        said = [f for f in fields(value) if not ("later" in f.metadata and getattr(value, f.name) == f.default)]
        inner = {f.name: _plain_as(hints[f.name], getattr(value, f.name)) for f in said}
        kind = next((name for name, shape in _SHAPES.items() if isinstance(value, shape)), None)
        return inner if kind is None else {kind: inner}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    if isinstance(value, Mapping):
        return {str(key): _plain(inner) for key, inner in value.items()}
    return value


def _plain_as(hint: Any, value: object) -> Any:
    """As `_plain`; a whole number where a float is meant becomes one, so that equal plans have equal bytes."""
    if _means_floats(hint):
        if isinstance(value, int | float):
            return float(value)
        if isinstance(value, tuple):
            return [float(inner) for inner in value]
    return _plain(value)


def _means_floats(hint: Any) -> bool:
    """float, a tuple of floats, or one of them and None."""
    return hint is float or any(_means_floats(arg) for arg in get_args(hint))


def _lines(value: object, depth: int) -> Iterator[str]:
    pad = "  " * depth
    if isinstance(value, Mapping):
        for key, inner in value.items():
            name = key if _KEY.fullmatch(key) and key.lower() not in _NOT_PLAIN else _quoted(key)
            yield from _entry(f"{pad}{name}:", inner, depth)
    elif isinstance(value, list):
        for inner in value:
            yield from _entry(f"{pad}-", inner, depth)


def _entry(lead: str, inner: object, depth: int) -> Iterator[str]:
    if isinstance(inner, Mapping | list) and len(inner) > 0 and not _is_short(inner):
        yield f"{lead}\n"
        yield from _lines(inner, depth + 1)
    else:
        yield f"{lead} {_scalar(inner)}\n"


def _is_short(value: Mapping[str, object] | list[object]) -> bool:
    """A list of numbers, or a spot: fits on a line."""
    if isinstance(value, Mapping):
        return set(value) == {"station_mm", "angle_deg"}
    return all(isinstance(inner, int | float) for inner in value)


def _scalar(value: object) -> str:
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float | int):
        return repr(value)
    if isinstance(value, str):
        plain = _PLAIN.fullmatch(value) and value not in _NOT_PLAIN
        return value if plain else _quoted(value)
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{key}: {_scalar(inner)}" for key, inner in value.items()) + "}"
    assert isinstance(value, list), value
    return "[" + ", ".join(_scalar(inner) for inner in value) + "]"


def _quoted(text: str) -> str:
    """In double quotes, with whatever cannot be printed escaped."""
    parts = []
    for char in text:
        code = ord(char)
        if char in '"\\':
            parts.append("\\" + char)
        elif char.isprintable():
            parts.append(char)
        else:
            parts.append(f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}")
    return '"' + "".join(parts) + '"'


# -- reading ---------------------------------------------------------------------------------------


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind, vars(plan_module))


class _Wrong(Exception):
    """Stops the reading of one value; its fault has been noted."""


@dataclass
class _Reader:
    """Plain values back into the plan's types, strictly: nothing unknown, nothing missing, nothing converted."""

    document: Document

    def __post_init__(self) -> None:
        self.faults: list[InputError] = []

    def fault(self, keys: KeyPath, message: str, **more: str | None) -> _Wrong:
        line = self.document.line(keys)
        key = key_text(keys) or None
        self.faults.append(RulesError(message, path=self.document.path, line=line, key=key, **more))
        return _Wrong(message)

    def read(self, hint: Any, value: Value, keys: KeyPath) -> object:
        """A value as a type says; None where it cannot be, with the fault noted."""
        try:
            return self._as(hint, value, keys)
        except _Wrong:
            return None

    def _as(self, hint: Any, value: Value, keys: KeyPath) -> object:
        if hint == Shape:
            return self._shape(value, keys)
        origin, args = get_origin(hint), get_args(hint)
        if origin in (Union, types.UnionType):
            rest = [arg for arg in args if arg is not type(None)]
            return None if value is None else self._as(rest[0], value, keys)
        if isinstance(hint, type) and is_dataclass(hint):
            return self._dataclass(hint, value, keys)
        if origin is tuple:
            return self._tuple(args, value, keys)
        if origin is Literal:
            if value not in args:
                raise self.fault(keys, f"is {shown(value)}", wanted=" or ".join(map(str, args)))
            return value
        if origin is dict:
            if not isinstance(value, dict):
                raise self.fault(keys, f"is {shown(value)}", wanted="a mapping")
            return value
        return self._simple(hint, value, keys)

    def _simple(self, hint: type, value: Value, keys: KeyPath) -> object:
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if hint is float and number:
            return float(value)  # type: ignore[arg-type]
        if hint is str and isinstance(value, str):
            return value
        if hint is int and number and isinstance(value, int):
            return value
        wanted = {float: "a number", str: "text", int: "a whole number"}[hint]
        raise self.fault(keys, f"is {shown(value)}", wanted=wanted)

    def _tuple(self, args: tuple[Any, ...], value: Value, keys: KeyPath) -> tuple[object, ...]:
        if not isinstance(value, list):
            raise self.fault(keys, f"is {shown(value)}", wanted="a list")
        if args[-1] is not Ellipsis and len(value) != len(args):
            raise self.fault(keys, f"has {len(value)} entries", wanted=f"{len(args)}")
        kinds = [args[0]] * len(value) if args[-1] is Ellipsis else list(args)
        return tuple(
            self._as(kind, inner, (*keys, index)) for index, (kind, inner) in enumerate(zip(kinds, value, strict=True))
        )

    def _shape(self, value: Value, keys: KeyPath) -> object:
        if not isinstance(value, dict) or len(value) != 1 or next(iter(value)) not in _SHAPES:
            raise self.fault(keys, "is no shape", wanted=f"one of {', '.join(_SHAPES)}")
        ((kind, inner),) = value.items()
        return self._as(_SHAPES[kind], inner, (*keys, kind))

    def _dataclass(self, kind: type, value: Value, keys: KeyPath) -> object:
        if not isinstance(value, dict):
            raise self.fault(keys, f"is {shown(value)}", wanted="a mapping")
        hints = _hints(kind)
        known = {f.name: f for f in fields(kind)}
        for key in value:
            if key not in known:
                self.fault((*keys, key), "is not a key of a plan here", hint=suggest(key, known, what="keys here"))
        filled: dict[str, object] = {}
        before = len(self.faults)
        for name, f in known.items():
            if name in value:
                filled[name] = self.read(hints[name], value[name], (*keys, name))
            elif f.default is MISSING and f.default_factory is MISSING:
                self.fault((*keys, name), "is missing")
        if len(self.faults) > before:
            raise _Wrong(kind.__name__)
        return kind(**filled)

    def check(self, plan: Plan) -> None:
        """What the types cannot say: signs and counts."""
        for index, region in enumerate(plan.regions):
            keys: KeyPath = ("regions", index)
            for name in ("asked_mm", "rulebook_mm", "feather_mm"):
                if getattr(region, name) < 0.0:
                    self.fault((*keys, name), f"is {getattr(region, name)}", wanted="0 or more")
            shape = region.shape
            if isinstance(shape, Strip) and not 2 <= len(shape.path) == len(shape.widths_mm):
                self.fault((*keys, "shape"), "is no strip", wanted="two places or more, and a width for each")
            if isinstance(shape, Outline) and len(shape.ring) < 3:
                self.fault((*keys, "shape"), "is no outline", wanted="three places or more")
            if isinstance(shape, Oval) and not (shape.along_mm > 0 and shape.around_mm > 0):
                self.fault((*keys, "shape"), "is no oval", wanted="extents above 0")
            if region.forms != (region.form is not None):
                self.fault((*keys, "form"), f"does not go with {region.action}", wanted="form of a region that forms")
