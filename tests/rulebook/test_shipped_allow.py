"""Whatever a shipped rulebook's `allow` offers can be set: both ends of it, on every limb the rulebook is for.

Regions, rows and the end are judged one by one when a rulebook is resolved, so that all their least and all their most
amounts are set at once here; a refusal would name what it is of.
"""

from __future__ import annotations

from functools import cache

import pytest

from rectify.limb.limb import Limb
from rectify.rulebook.facts import Facts
from rectify.rulebook.model import Row
from rectify.rulebook.plan import Plan
from rectify.rulebook.quantity import Quantity
from rectify.rulebook.resolve import resolve
from rectify.rulebook.tuning import read_tune
from rectify.synthetic import Transfemoral, transfemoral
from tests import made
from tests.guarantees import books
from tests.guarantees.books import BOOKS, book_of, limbs_for

QUADRILATERAL = "transfemoral-quadrilateral"
# Thighs on which there is skin for a wall of 70 mm and a seat of 28.
HIGH = {
    "thigh, captured high": Transfemoral(rise=140.0, edge_mm=6.0),
    "short thigh, captured high": Transfemoral(side="left", length=175.0, bulk=600.0, rise=140.0, edge_mm=6.0),
}
# A build-up over the crest, 12 mm wide, has no core of two edges there: a rulebook is refused as a whole.
TOO_COARSE = ("shank, coarse",)


def _limbs(book: str) -> list[str]:
    return list(HIGH) if book == QUADRILATERAL else [name for name in limbs_for(book) if name not in TOO_COARSE]


PAIRS = [(book, name) for book in BOOKS for name in _limbs(book)]


@cache
def _high(name: str) -> Limb:
    return made.limb_from(transfemoral(HIGH[name]))


def _limb(book: str, name: str) -> Limb:
    return _high(name) if name in HIGH else books.limb_for(book, name)


def _facts(book: str) -> Facts:
    shaping = "pressure" if book == "transtibial-hydrostatic" else "none"
    return Facts(shaping=shaping, tissue="average", suspension="sleeve", liner_mm=0.0)


def _plan(book: str, name: str, tune: dict[str, object] | None = None) -> Plan:
    entry = {"by": "KW-cpo", "on": "2026-11-20", "why": "tried", **(tune or {})}
    said = read_tune([entry] if tune else None, book_of(book), lambda _: (None, None))
    return resolve(book_of(book), _limb(book, name), _facts(book), said, scan_sha256="0" * 64)


def _ends(allow: tuple[Quantity, Quantity] | None) -> tuple[float, float]:
    assert allow is not None
    return allow[0].value, allow[1].value


@cache
def _plain(book: str, name: str) -> Plan:
    return _plan(book, name)


@pytest.mark.parametrize("end", [0, 1], ids=["least", "most"])
@pytest.mark.parametrize(("book", "name"), PAIRS)
def test_every_region_row_and_end_can_be_set_to_both_ends_of_what_it_allows(book: str, name: str, end: int) -> None:
    says, plain = book_of(book).says, _plain(book, name)
    allow = {region.name: _ends(says.regions[region.name].allow) for region in plain.regions}
    rows = says.overall.rows if says.overall is not None else ()
    tune: dict[str, object] = {"regions": {region: {"amount": f"{mm[end]} mm"} for region, mm in allow.items()}}
    if rows:
        tune["overall"] = {"rows": [_row(row, _ends(row.allow)[end]) for row in rows]}
    if says.end is not None and plain.end is not None:
        tune["end"] = {"amount": f"{_ends(says.end.allow)[end]} mm"}
    tuned = _plan(book, name, tune)
    assert {region.name: region.asked_mm for region in tuned.regions} == {r: mm[end] for r, mm in allow.items()}
    assert {region.name: region.allow_mm for region in tuned.regions} == allow
    if rows:
        assert tuned.overall is not None
        assert [row.percent for row in tuned.overall.rows] == [_ends(row.allow)[end] for row in rows]
    if "end" in tune:
        assert tuned.end is not None and says.end is not None
        assert tuned.end.amount_mm == _ends(says.end.allow)[end]


def _row(row: Row, percent: float) -> dict[str, object]:
    """A row as a tuning says it anew."""
    moved = {key: getattr(row, key).text for key in ("proximal", "distal") if getattr(row, key) is not None}
    return {"at": row.at, **moved, "reduce": f"{percent} %"}
