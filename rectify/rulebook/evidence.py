"""Where amounts come from: the evidence list of the shipped rulebooks, and a folder's own beside it.

Each amount of a rulebook names a key of that list, or says in so many words that it has no source. Here the two are put
together, so that a reader sees what a source really says and how sure that is. Nothing is judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from rectify.data import rules_folder
from rectify.rulebook.load import EVIDENCE_FILE, Rulebook
from rectify.rulebook.yamltext import read_yaml

__all__ = ["SURE", "Source", "Standing", "standing_of"]

SURE = {
    "read-abstract": "read in its abstract",
    "read-text": "read in its text",
    "computed": "worked out",
    "weak": "read in a secondary page only",
    "memory": "not read",
}


@dataclass(frozen=True)
class Source:
    """One entry: what is cited, what it says, how sure that is; of the words for no source only what they mean."""

    key: str
    citation: str
    says: str
    sure: str


@dataclass(frozen=True)
class Standing:
    """On what the amounts of a rulebook rest.

    Parameters
    ----------
    parts : what names each key of `sources`, in its order: regions, `overall`, `end`, `brim`
    amounts : how many regions, overall reductions and ends there are
    with_source : how many of them name a source that was read or worked out
    """

    sources: tuple[Source, ...]
    parts: tuple[tuple[str, ...], ...]
    amounts: int
    with_source: int


def standing_of(book: Rulebook, folder: Path | None = None) -> Standing:
    """What the amounts of a rulebook rest on.

    Parameters
    ----------
    folder : where a further evidence list may stand; by default the rulebook's own

    Raises
    ------
    RectifyError
        An evidence list cannot be read.
    """
    known = {**_read(rules_folder()), **_read(folder or Path(book.path).parent)}
    named: dict[str, list[str]] = {}
    read = amounts = 0
    for part, evidence in _parts(book):
        key = evidence or "not said"
        named.setdefault(key, []).append(part)
        if part != "brim":
            amounts += 1
            read += key in known and known[key].sure not in ("", "memory")
    unknown = Source("", "", "", "")
    sources = tuple(known.get(key, Source(key, unknown.citation, unknown.says, unknown.sure)) for key in named)
    return Standing(sources, tuple(tuple(parts) for parts in named.values()), amounts, read)


def _parts(book: Rulebook) -> Iterator[tuple[str, str | None]]:
    for name, region in book.regions.items():
        yield name, region.evidence
    says = book.says
    for part, value in (("overall", says.overall), ("end", says.end), ("brim", says.brim)):
        if value is not None:
            yield part, value.evidence


def _read(folder: Path) -> dict[str, Source]:
    path = folder / f"{EVIDENCE_FILE}.yaml"
    if not path.is_file():
        return {}
    value = read_yaml(path).mapping()
    words, sources = (part if isinstance(part := value.get(key), dict) else {} for key in ("words", "sources"))
    found = {key: Source(key, "", _line(text), "") for key, text in words.items()}
    for key, entry in sources.items():
        if isinstance(entry, dict):
            said = {name: _line(entry.get(name)) for name in ("citation", "says", "sure")}
            found[key] = Source(key, said["citation"], said["says"], said["sure"])
    return found


def _line(text: object) -> str:
    return " ".join(str(text or "").split())
