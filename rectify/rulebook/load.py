"""Loading a rulebook: find the file, lay it over what it extends, check it, remember where all came from.

A rulebook is named by its file's stem (`transtibial-total-surface-bearing`) or by a path. What it extends is
looked for in its own folder, then among the shipped ones; nothing outside those two folders is read.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from rectify.data import rules_folder
from rectify.errors import FileError, InputError, RulesError
from rectify.limb.vocabulary import AMPUTATIONS
from rectify.rulebook.checks import findings
from rectify.rulebook.faults import checked
from rectify.rulebook.fields import JOINTS, Context
from rectify.rulebook.merge import Merged, lay_over
from rectify.rulebook.mix import mixed
from rectify.rulebook.model import Region, RulebookModel
from rectify.rulebook.quantity import parse_quantity
from rectify.rulebook.words import Wrong, shown, suggest
from rectify.rulebook.yamltext import Document, KeyPath, Value, empty_values, key_text, parse_yaml, raise_all, read_yaml

__all__ = [
    "Rulebook",
    "evidence_keys",
    "is_resolved",
    "list_rulebooks",
    "load_rulebook",
    "rulebook_from_text",
]

LONGEST_CHAIN = 8
EVIDENCE_FILE = "evidence"
_STEM = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")


@dataclass(frozen=True)
class Rulebook:
    """A rulebook, merged and checked.

    Parameters
    ----------
    key : the file's stem
    says : every value, as models
    sha256 : of the merged rulebook in canonical form; comments, order and layout do not count
    sources : key path -> file, line
    mixed_with, share : the rulebook it is mixed with, and how far towards it, 0 to 1; None where it is not mixed
    """

    key: str
    path: str
    says: RulebookModel
    sha256: str
    sources: Mapping[KeyPath, tuple[str, int]]
    mixed_with: str | None = None
    share: float | None = None

    @property
    def name(self) -> str:
        return self.says.name

    @property
    def amputation(self) -> str:
        return self.says.amputation

    @property
    def status(self) -> str:
        return self.says.status

    @property
    def revision(self) -> int:
        return self.says.revision

    @property
    def regions(self) -> Mapping[str, Region]:
        return self.says.regions

    def where(self, key: str | KeyPath = ()) -> tuple[str, int | None]:
        """File and line of a key (`regions.popliteal.amount`, or a path of keys), or of the nearest above."""
        keys = _keys(key) if isinstance(key, str) else key
        for end in range(len(keys), -1, -1):
            if keys[:end] in self.sources:
                return self.sources[keys[:end]]
        return self.path, None

    def landmarks(self) -> dict[str, tuple[str, ...]]:
        """Every landmark the rulebook names -> the keys that name it, in the order of the file."""
        found: dict[str, list[str]] = {}
        for name, keys in _landmarks(self.says, ()):
            found.setdefault(name, []).append(key_text(keys))
        return {name: tuple(keys) for name, keys in found.items()}


def load_rulebook(
    name_or_path: str | Path, folder: str | Path | None = None, *, share: float | None = None
) -> Rulebook:
    """Load a rulebook by name or path.

    Parameters
    ----------
    name_or_path : a stem (`transtibial-base`), looked for in `folder`, then among the shipped ones; or a path
    folder : where names are looked for first; None for the shipped ones only
    share : instead of the `share` of its `mix`, 0 to 1; nothing to a rulebook without one

    Raises
    ------
    FileError
        No such file, or it cannot be read.
    RulesError, Faults
        Everything that is wrong with it, with file and line.
    """
    path = _find(name_or_path, None if folder is None else Path(folder))
    return _load(read_yaml(path), path, key=path.stem, share=share)


def rulebook_from_text(text: str, *, path: str = "rulebook.yaml", folder: str | Path | None = None) -> Rulebook:
    """A rulebook from YAML text, as `load_rulebook` would read it from a file of that name."""
    home = Path(folder) if folder is not None else rules_folder()
    return _load(parse_yaml(text, path=path), home / Path(path).name, key=Path(path).stem)


def list_rulebooks(folder: str | Path | None = None) -> tuple[str, ...]:
    """Names of the rulebooks in a folder (the shipped ones by default), sorted."""
    place = rules_folder() if folder is None else Path(folder)
    stems = (path.stem for path in place.glob("*.yaml"))
    return tuple(sorted(stem for stem in stems if stem != EVIDENCE_FILE and _STEM.fullmatch(stem)))


def is_resolved(path: str | Path) -> bool:
    """Whether a file is a plan (`resolved: true`) and not a rulebook."""
    value = read_yaml(path).value
    return isinstance(value, dict) and value.get("resolved") is True


def evidence_keys(folder: Path | None = None) -> frozenset[str]:
    """Keys of the evidence lists: the shipped one, and the folder's own where it has one."""
    keys: set[str] = set()
    for place in {rules_folder(), folder} - {None}:
        assert place is not None
        path = place / f"{EVIDENCE_FILE}.yaml"
        if path.is_file():
            sources = read_yaml(path).mapping().get("sources")
            keys.update(sources if isinstance(sources, dict) else ())
    return frozenset(keys)


# -- finding ---------------------------------------------------------------------------------------


def _find(name_or_path: str | Path, folder: Path | None) -> Path:
    text = str(name_or_path)
    if isinstance(name_or_path, str) and _STEM.fullmatch(text):
        return _named(text, folder)
    path = Path(name_or_path)
    if not path.is_file():
        known = list_rulebooks()
        raise FileError(
            "there is no such rulebook",
            path=path,
            wanted="a YAML file, or the name of a rulebook",
            hint=suggest(path.stem, known, what="shipped rulebooks"),
        )
    return path


def _named(name: str, folder: Path | None) -> Path:
    for place in (folder, rules_folder()):
        if place is None:
            continue
        path = place / f"{name}.yaml"
        if path.is_file():
            if not path.resolve().is_relative_to(place.resolve()):
                raise RulesError("leaves its folder", path=path, wanted=f"a file in {place}")
            return path
    known = set(list_rulebooks()) | (set(list_rulebooks(folder)) if folder is not None else set())
    raise FileError(f"there is no rulebook {name}", hint=suggest(name, known, what="rulebooks"))


def _chain(document: Document, path: Path) -> list[tuple[Document, Path]]:
    """The document and what it extends, the last extended first."""
    chain = [(document, path)]
    while True:
        last, place = chain[-1]
        mapping = last.mapping()
        if "extends" not in mapping:
            return chain[::-1]
        name, line = mapping["extends"], last.line(("extends",))
        where = {"path": last.path, "line": line, "key": "extends"}
        if not isinstance(name, str) or not _STEM.fullmatch(name):
            raise RulesError(
                f"is {name!r}",
                wanted="the name of a rulebook in the same folder, or of a shipped one",
                hint="write the name alone, without folder and without .yaml",
                **where,  # type: ignore[arg-type]
            )
        try:
            found = _named(name, place.parent)
        except FileError as problem:
            raise RulesError(problem.message, hint=problem.hint, **where) from problem  # type: ignore[arg-type]
        seen = [step.resolve() for _, step in chain]
        if found.resolve() in seen:
            way = " -> ".join([*(step.stem for _, step in chain), found.stem])
            raise RulesError("comes back to itself", found=way, **where)  # type: ignore[arg-type]
        if len(chain) >= LONGEST_CHAIN:
            raise RulesError(f"is a chain of more than {LONGEST_CHAIN} rulebooks", **where)  # type: ignore[arg-type]
        chain.append((read_yaml(found), found))


# -- loading ---------------------------------------------------------------------------------------


def _load(document: Document, path: Path, key: str, share: float | None = None) -> Rulebook:
    if document.mapping().get("resolved") is True:
        raise RulesError(
            "is a resolved plan, made for one scan",
            path=document.path,
            line=document.line(("resolved",)),
            key="resolved",
            wanted="a rulebook",
            hint="apply it to the case it was made from",
        )
    merged = _merged(document, path, share=share)
    merged.value.pop("extends", None)
    merged.faults.extend(empty_values(merged.value, merged.place))
    raise_all(merged.faults)
    says = checked(RulebookModel, merged.value, merged.place, context=_context(merged.value, path.parent))
    refused: list[InputError] = [found.error for found in findings(says, merged.place) if found.refused]
    raise_all(refused)
    return Rulebook(key, document.path, says, _digest(merged.value), merged.sources, *(merged.mix or (None, None)))


def _merged(document: Document, path: Path, mixing: tuple[str, ...] = (), share: float | None = None) -> Merged:
    """A file laid over what it extends, and what that is mixed with; `share` is instead of the last mixture's own."""
    merged = Merged()
    chain = _chain(document, path)
    last = max((k for k, (step, _) in enumerate(chain) if step.mapping().get("mix") is not None), default=-1)
    for k, (step, place) in enumerate(chain):
        says = step.mapping().get("mix")
        if says is not None:
            name, other, own = _mixed_with(says, step, place, mixing)
            merged.sources[("mix",)] = (step.path, step.line(("mix",)) or 1)
            way = share if share is not None and k == last else own
            mixed(merged, other, way)
            merged.mix = (name, way)
        lay_over(merged, step)
        merged.value.pop("mix", None)
    return merged


def _mixed_with(says: Value, step: Document, place: Path, mixing: tuple[str, ...]) -> tuple[str, Merged, float]:
    """The rulebook that another is mixed with: its name, what it says, and its share."""
    where: dict[str, Any] = {"path": step.path, "line": step.line(("mix",))}
    if "extends" not in step.mapping():
        raise RulesError("stands without extends", key="mix", wanted="extends: the rulebook to start from", **where)
    if not isinstance(says, dict) or set(says) != {"with", "share"} or not isinstance(says["with"], str):
        wanted = "{with: transtibial-total-surface-bearing, share: 50 %}"
        raise RulesError(f"is {shown(says)}", key="mix", wanted=wanted, **where)
    try:
        share = parse_quantity(says["share"], "percent", least=0.0, most=100.0).value / 100.0
        if not _STEM.fullmatch(says["with"]):
            raise Wrong(f"is {says['with']!r}", keys=("with",), wanted="the name of a rulebook alone")
        found = _named(says["with"], place.parent)
    except Wrong as wrong:
        key = f"mix.{wrong.keys[0] if wrong.keys else 'share'}"
        raise RulesError(wrong.message, key=key, wanted=wrong.wanted, hint=wrong.hint, **where) from wrong
    except FileError as problem:
        raise RulesError(problem.message, key="mix.with", hint=problem.hint, **where) from problem
    if found.stem in mixing or len(mixing) >= LONGEST_CHAIN:
        way = " -> ".join([*mixing, found.stem])
        raise RulesError("comes back to itself", key="mix.with", found=way, **where)
    return found.stem, _merged(read_yaml(found), found, (*mixing, found.stem)), share


def _context(value: Mapping[str, Value], folder: Path) -> Context:
    amputation, regions = value.get("amputation"), value.get("regions")
    return Context(
        amputation=amputation if isinstance(amputation, str) and amputation in AMPUTATIONS else None,
        regions=frozenset(regions) if isinstance(regions, dict) else frozenset(),
        evidence=evidence_keys(folder if folder.is_dir() else None),
    )


def _digest(value: Value) -> str:
    text = json.dumps(value, sort_keys=True, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _keys(text: str) -> KeyPath:
    parts = re.findall(r"\[(\d+)\]|([^.\[\]]+)", text)
    return tuple(int(index) if index else word for index, word in parts)


def _landmarks(value: object, keys: KeyPath) -> Iterator[tuple[str, KeyPath]]:
    """Landmark names anywhere in the models, with the key path that names them."""
    if isinstance(value, BaseModel):
        for name, field in type(value).model_fields.items():
            inner, key = getattr(value, name), (*keys, field.alias or name)
            if name in ("of", "at") and isinstance(inner, str):
                yield inner, key
            elif name in ("protected", "landmarks", "capture_includes") and isinstance(inner, tuple):
                yield from ((word, (*key, index)) for index, word in enumerate(inner) if word not in JOINTS)
            else:
                yield from _landmarks(inner, key)
    elif isinstance(value, tuple):
        for index, inner in enumerate(value):
            yield from _landmarks(inner, (*keys, index))
    elif isinstance(value, dict):
        for name, inner in value.items():
            yield from _landmarks(inner, (*keys, name))
