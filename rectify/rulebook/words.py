"""Wrong values, and the nearest right word.

`Wrong` is what a validator raises: the parts of one sentence, without a place, which whoever knows the
file adds.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable

__all__ = ["Wrong", "shown", "suggest"]


class Wrong(ValueError):
    """A value that cannot be; `keys` says where, from the model whose validator raised it."""

    def __init__(
        self,
        message: str,
        *,
        keys: tuple[str | int, ...] = (),
        wanted: str | None = None,
        hint: str | None = None,
    ) -> None:
        super().__init__(message)
        self.message, self.keys, self.wanted, self.hint = message, keys, wanted, hint


def suggest(word: str, known: Iterable[str], *, what: str = "known", listed: int = 24) -> str:
    """A hint for a word that is not among the known ones: the nearest, and the list of them.

    Examples
    --------
    >>> suggest("patella-tendn", ["patellar-tendon", "popliteal"], what="regions")
    'did you mean patellar-tendon?  regions: patellar-tendon, popliteal'
    """
    words = sorted(set(known))
    near = difflib.get_close_matches(word, words, n=1, cutoff=0.6)
    parts = [f"did you mean {near[0]}?"] if near else []
    if words:
        more = f" and {len(words) - listed} more" if len(words) > listed else ""
        parts.append(f"{what}: {', '.join(words[:listed])}{more}")
    return "  ".join(parts)


def shown(raw: object) -> str:
    """A value as a sentence names it: `a list`, `yes`, `'groov'`."""
    if raw is None:
        return "empty"
    if isinstance(raw, bool):
        return "yes" if raw else "no"
    if isinstance(raw, dict):
        return "a mapping"
    return "a list" if isinstance(raw, list | tuple) else repr(raw)
