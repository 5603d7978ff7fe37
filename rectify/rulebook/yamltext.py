"""YAML, read safely and with its line numbers.

The whole file is checked before anything is made of it: UTF-8, at most 1 MB, no tabs, no anchors, aliases,
`<<` or tags, no key twice, nesting at most 40 deep. What comes out are plain dicts, lists, strings,
whole numbers, floats, truth values and None, and for every value the line where it stands. All faults
are told at once.

It reads less than YAML 1.1 on purpose: `yes no true false` are the only truth values (`on` is a word, so
that a key may be called so), dates stay text, and so does anything else that is not plainly a number.
The same reader serves rulebooks, cases and landmarks; the caller says which error is raised.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from rectify.errors import Faults, FileError, InputError, RulesError

__all__ = ["Document", "KeyPath", "Value", "empty_values", "key_text", "parse_yaml", "raise_all", "read_yaml"]

Value = dict[str, "Value"] | list["Value"] | str | int | float | bool | None
KeyPath = tuple[str | int, ...]

LARGEST_BYTES = 1_000_000
DEEPEST = 40
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_WHOLE = re.compile(r"[-+]?(0|[1-9][0-9]{0,17})")
_FLOAT = re.compile(r"[-+]?(([0-9]+\.[0-9]*|\.[0-9]+)([eE][-+]?[0-9]+)?|[0-9]+[eE][-+]?[0-9]+)")
_NOT_A_NUMBER = re.compile(r"[-+]?\.?(nan|inf|infinity)", re.IGNORECASE)
_TRUTH = {"yes": True, "true": True, "no": False, "false": False}
_NOTHING = {"", "~", "null"}


@dataclass(frozen=True)
class Document:
    """One YAML document: its values, and the line of each.

    Parameters
    ----------
    value : plain values
    lines : key path -> line (from 1): of the key in a mapping, of the entry in a list
    path : the file's name, as it is to be shown
    """

    value: Value
    lines: Mapping[KeyPath, int] = field(default_factory=dict)
    path: str = ""

    def line(self, keys: KeyPath) -> int | None:
        """The line of a key path, or of the nearest one above it that has a line."""
        for end in range(len(keys), -1, -1):
            if keys[:end] in self.lines:
                return self.lines[keys[:end]]
        return None

    def mapping(self, error: type[InputError] = RulesError) -> dict[str, Value]:
        """The document as a mapping; anything else is an error."""
        if not isinstance(self.value, dict):
            raise error(
                "is not a mapping of keys to values",
                path=self.path,
                line=self.line(()),
                found=_kind(self.value),
            )
        return self.value


def key_text(keys: KeyPath) -> str:
    """A key path in one word: `regions.fibular-head.allow[1]`.

    Examples
    --------
    >>> key_text(("regions", "fibular-head", "allow", 1))
    'regions.fibular-head.allow[1]'
    """
    text = ""
    for key in keys:
        text += f"[{key}]" if isinstance(key, int) else f".{key}" if text else str(key)
    return text


def raise_all(faults: list[InputError]) -> None:
    """Raise the one fault, or all of them together; nothing where there is none."""
    if len(faults) == 1:
        raise faults[0]
    if faults:
        raise Faults(faults)


def empty_values(
    value: Value,
    where: Callable[[KeyPath], tuple[str | None, int | None]],
    keys: KeyPath = (),
    error: type[InputError] = RulesError,
) -> Iterator[InputError]:
    """A fault for every value that was left empty: a key without a value is never taken for a default."""
    if isinstance(value, dict | list):
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from empty_values(inner, where, (*keys, key), error)
    elif value is None:
        path, line = where(keys)
        yield error("is empty", path=path, line=line, key=key_text(keys), hint="say a value, or take the key out")


def read_yaml(path: str | Path, error: type[InputError] = RulesError) -> Document:
    """Read a YAML file. FileError where it cannot be read, `error` (or Faults) where it is not good YAML."""
    path = Path(path)
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise error("is larger than 1 MB", path=path, found=f"{path.stat().st_size} bytes")
        data = path.read_bytes()
    except OSError as problem:
        raise FileError("cannot be read", path=path, found=problem.strerror or str(problem)) from problem
    return parse_yaml(data, path=str(path), error=error)


def parse_yaml(data: bytes | str, *, path: str = "", error: type[InputError] = RulesError) -> Document:
    """Parse YAML text; see `read_yaml`."""
    text = _decode(data, path, error)
    return _Reader(path, error).read(text)


def _decode(data: bytes | str, path: str, error: type[InputError]) -> str:
    raw = data.encode("utf-8", errors="surrogatepass") if isinstance(data, str) else data
    if len(raw) > LARGEST_BYTES:
        raise error("is larger than 1 MB", path=path, found=f"{len(raw)} bytes")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = raw[: problem.start].count(b"\n") + 1
        raise error(
            "is not UTF-8 text",
            path=path,
            line=line,
            found=f"byte 0x{raw[problem.start]:02x}",
            hint="save the file as UTF-8",
        ) from problem
    if "\t" in text:
        line = text[: text.index("\t")].count("\n") + 1
        raise error("contains a tab", path=path, line=line, hint="indent and separate with spaces")
    return text


@dataclass
class _Open:
    """A mapping or list that is being read."""

    keys: KeyPath
    value: dict[str, Value] | list[Value]
    key: str | None = None  # of a mapping: the key that waits for its value


class _Reader:
    """Builds plain values from the parser's events, so that nothing is expanded and depth stays bounded."""

    def __init__(self, path: str, error: type[InputError]) -> None:
        self.path, self.error = path, error
        self.faults: list[InputError] = []
        self.lines: dict[KeyPath, int] = {}
        self.stack: list[_Open] = []
        self.root: Value = None
        self.documents = 0

    def read(self, text: str) -> Document:
        try:
            for event in self._events(text):
                self._take(event)
        except yaml.YAMLError as problem:
            raise self._syntax(problem) from problem
        raise_all(self.faults)
        if not self.documents:
            raise self.error("is empty", path=self.path)
        return Document(self.root, self.lines, self.path)

    def _events(self, text: str) -> Iterator[yaml.Event]:
        yield from yaml.parse(text, Loader=_LOADER)

    def _take(self, event: yaml.Event) -> None:
        line = event.start_mark.line + 1 if event.start_mark else 1
        if isinstance(event, yaml.DocumentStartEvent):
            self.documents += 1
            if self.documents > 1:
                raise self.error(
                    "holds several documents",
                    path=self.path,
                    line=line,
                    wanted="one document, no further ---",
                )
        elif isinstance(event, yaml.AliasEvent):
            raise self.error(
                f"uses the alias *{event.anchor}",
                path=self.path,
                line=line,
                hint="anchors and aliases are not read here; write the value out",
            )
        elif isinstance(event, yaml.ScalarEvent):
            self._refuse_extras(event, line)
            self._scalar(event, line)
        elif isinstance(event, yaml.MappingStartEvent | yaml.SequenceStartEvent):
            self._refuse_extras(event, line)
            self._open({} if isinstance(event, yaml.MappingStartEvent) else [], line)
        elif isinstance(event, yaml.MappingEndEvent | yaml.SequenceEndEvent):
            self.stack.pop()

    def _refuse_extras(self, event: yaml.NodeEvent, line: int) -> None:
        if event.anchor:
            raise self.error(
                f"uses the anchor &{event.anchor}",
                path=self.path,
                line=line,
                hint="anchors and aliases are not read here; write the value out",
            )
        tag = getattr(event, "tag", None)
        if tag:
            raise self.error(
                f"uses the tag {tag}", path=self.path, line=line, hint="tags are not read here; take it out"
            )

    def _scalar(self, event: yaml.ScalarEvent, line: int) -> None:
        top = self.stack[-1] if self.stack else None
        if top is not None and isinstance(top.value, dict) and top.key is None:
            self._key(top, event.value, line)
            return
        plain = event.style is None or event.style == ""
        self._put(self._plain(event.value, line) if plain else event.value, line)

    def _key(self, top: _Open, key: str, line: int) -> None:
        assert isinstance(top.value, dict)
        where = key_text((*top.keys, key))
        if key == "<<":
            raise self.error("uses the merge key <<", path=self.path, line=line, hint="write the keys out")
        if key in top.value:
            first = self.lines[(*top.keys, key)]
            self.faults.append(
                self.error(
                    "stands here for the second time",
                    path=self.path,
                    line=line,
                    key=where,
                    found=f"first in line {first}",
                    hint="keep one of them",
                )
            )
        else:
            self.lines[(*top.keys, key)] = line
        top.key = key

    def _plain(self, text: str, line: int) -> Value:
        if text.lower() in _NOTHING:
            return None
        if text.lower() in _TRUTH:
            return _TRUTH[text.lower()]
        if _WHOLE.fullmatch(text):
            return int(text)
        if _FLOAT.fullmatch(text) and abs(number := float(text)) != float("inf"):
            return number
        if _FLOAT.fullmatch(text) or _NOT_A_NUMBER.fullmatch(text):
            keys = self._keys_here()
            self.faults.append(
                self.error(
                    "is not a finite number",
                    path=self.path,
                    line=line,
                    key=key_text(keys) or None,
                    found=text,
                )
            )
        return text

    def _keys_here(self) -> KeyPath:
        if not self.stack:
            return ()
        top = self.stack[-1]
        return (*top.keys, len(top.value) if isinstance(top.value, list) else top.key or "")

    def _open(self, value: dict[str, Value] | list[Value], line: int) -> None:
        top = self.stack[-1] if self.stack else None
        if top is not None and isinstance(top.value, dict) and top.key is None:
            raise self.error(
                "has a key that is not a word",
                path=self.path,
                line=line,
                key=key_text(top.keys) or None,
                wanted="key: value",
            )
        if len(self.stack) >= DEEPEST:
            raise self.error(f"is nested more than {DEEPEST} deep", path=self.path, line=line)
        keys = self._keys_here()
        self._put(value, line)
        self.stack.append(_Open(keys, value))

    def _put(self, value: Value, line: int) -> None:
        if not self.stack:
            self.root = value
            self.lines[()] = line
            return
        top = self.stack[-1]
        if isinstance(top.value, list):
            self.lines[(*top.keys, len(top.value))] = line
            top.value.append(value)
        else:
            assert top.key is not None
            top.value[top.key] = value
            top.key = None

    def _syntax(self, problem: yaml.YAMLError) -> InputError:
        mark = getattr(problem, "problem_mark", None)
        what = getattr(problem, "problem", None) or getattr(problem, "reason", None) or "cannot be read"
        return self.error(
            "is not good YAML",
            path=self.path,
            line=None if mark is None else mark.line + 1,
            found=str(what),
            hint="look for a missing colon, bracket, quote or indentation on this line or the one above",
        )


def _kind(value: Value) -> str:
    if isinstance(value, list):
        return "a list"
    return "nothing" if value is None else f"{value!r}"
