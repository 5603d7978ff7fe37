"""What `rectify rules diff` compares on, and what it prints: where two rulebooks differ, region by region."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rectify.cli.say import result, table

if TYPE_CHECKING:
    from rectify.limb.limb import Limb
    from rectify.rulebook.compare import Comparison, Difference
    from rectify.rulebook.facts import Facts
    from rectify.rulebook.load import Rulebook

__all__ = ["limb_to_compare_on", "tell_comparison"]

_WIDTH = 78


def limb_to_compare_on(case: Path | None, books: Sequence[Rulebook]) -> tuple[Limb, Facts | None, str]:
    """The limb of a case, with what the rulebooks need and nobody marked estimated on it, or a generated one; the facts
    of the case; and which limb it is, in words."""
    from dataclasses import replace

    from rectify.limb.landmarks import raw_landmarks
    from rectify.limb.limb import Limb

    if case is None:
        from rectify.synthetic.reference import reference_limb

        made = reference_limb(books[0].amputation)
        limb = Limb.from_capture(
            made.mesh, side=made.side, amputation=made.amputation, landmarks=raw_landmarks(made.landmarks)
        )
        return limb, None, f"a generated {made.amputation} limb of average build"
    from rectify.api import open_case
    from rectify.limb.estimates import estimate

    opened = open_case(case)
    limb = opened.limb
    names = dict.fromkeys(name for book in books for name in book.landmarks())
    missing = [name for name in names if name not in limb.landmarks]
    if missing:
        limb = replace(limb, landmarks={**estimate(limb, missing), **limb.landmarks})
    return limb, opened.facts, f"the limb of case {opened.code}, its tunings left out"


def tell_comparison(found: Comparison, on: str) -> None:
    """Where two rulebooks differ."""
    from rectify.rulebook.compare import ONE_PERSON_MM, TWO_PEOPLE_MM, spread

    result(f"first   {found.first}")
    result(f"second  {found.second}")
    result(f"on {on}")
    for note in found.notes:
        _paragraph(note)
    if not (found.regions or found.overall or found.rest):
        result()
        result("They do the same on this limb.")
        return
    if found.regions:
        _head("amounts, build-ups positive")
        table(
            ("region", "first mm", "second mm", "difference", "beside what people differ by"),
            [
                (
                    region.name,
                    _amount(region.first_mm),
                    _amount(region.second_mm),
                    f"{region.change_mm:+.2f}",
                    spread(region.change_mm),
                )
                for region in found.regions
            ],
        )
        _paragraph(
            f"One experienced person repeats himself to {ONE_PERSON_MM:g} mm, two differ by {TWO_PEOPLE_MM:g} mm "
            "(Convery and others 2003)."
        )
    if found.overall:
        _head("overall reduction")
        _tell(found.overall)
    for region in found.regions:
        rows = [
            row for row in region.differences if row.what not in ("region", "amount") or "(" in row.first + row.second
        ]
        if rows:
            _head(region.name)
            _tell(rows)
    if found.rest:
        _head("the rest")
        _tell(found.rest)
    if found.alike:
        result()
        _paragraph(f"Alike: {', '.join(found.alike)}.")


def _amount(mm: float | None) -> str:
    return "-" if mm is None else f"{mm:+.2f}"


def _tell(rows: Sequence[Difference]) -> None:
    for row in rows:
        _named(row.what, row.first)
        _named("", f"-> {row.second}" + (f"  ({row.by})" if row.by else ""))


def _named(name: str, text: str) -> None:
    lines = textwrap.wrap(text, _WIDTH, break_long_words=False) or [""]
    heads = textwrap.wrap(name, 34) or [""]
    for i in range(max(len(lines), len(heads))):
        head, line = (part[i] if i < len(part) else "" for part in (heads, lines))
        result(f"  {head:<36}{line}".rstrip())


def _head(text: str) -> None:
    result()
    result(text.upper() if " " in text else text)


def _paragraph(text: str) -> None:
    for line in textwrap.wrap(text, _WIDTH + 22):
        result(line)
