"""Whatever a shipped rulebook's `allow` offers can be set: both ends of it, on every limb the rulebook is for.

Regions, rows and the end are judged one by one when a rulebook is resolved, so that all their least and all their most
amounts are set at once here; a refusal would name what it is of. What a limit counts is known after the engine only:
there one end is set alone, drawn at random.
"""

from __future__ import annotations

from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rectify.engine import rectify_limb
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
from tests.guarantees.tier import examples

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


@cache
def _breached(book: str, name: str) -> frozenset[str]:
    """The limits that the rulebook passes on this limb by its own amounts."""
    return frozenset(breach.code for breach in rectify_limb(_limb(book, name), _plain(book, name)).breaches)


def _alone(book: str, name: str) -> list[tuple[str, dict[str, object]]]:
    """Every end of every `allow`, alone: what it is of, and the tuning."""
    says, plain = book_of(book).says, _plain(book, name)
    tunes: list[tuple[str, dict[str, object]]] = []
    for region in plain.regions:
        for mm in _ends(says.regions[region.name].allow):
            tunes.append((region.name, {"regions": {region.name: {"amount": f"{mm} mm"}}}))
    if says.end is not None and plain.end is not None:
        tunes += [("end", {"end": {"amount": f"{mm} mm"}}) for mm in _ends(says.end.allow)]
    rows = says.overall.rows if says.overall is not None else ()
    for row in rows:
        for percent in _ends(row.allow):
            said = [_row(other, percent if other is row else other.reduce.value) for other in rows]
            tunes.append((f"row {row.text()}", {"overall": {"rows": said}}))
    return tunes


def _breaches_more(book: str, name: str, tune: dict[str, object]) -> list[str]:
    outcome = rectify_limb(_limb(book, name), _plan(book, name, tune))
    return [breach.message for breach in outcome.breaches if breach.code not in _breached(book, name)]


@examples(16)
@given(st.sampled_from(PAIRS), st.floats(0.0, 1.0, exclude_max=True))
def test_no_end_of_what_is_allowed_passes_a_limit_when_it_is_set_alone(pair: tuple[str, str], where: float) -> None:
    tunes = _alone(*pair)
    what, tune = tunes[int(where * len(tunes))]
    assert _breaches_more(*pair, tune) == [], (*pair, what, tune)


@pytest.mark.parametrize(
    ("book", "name", "what"),
    [
        ("ankle-disarticulation", "ankle", "supramalleolar-fill"),
        ("transtibial-hybrid", "shank", "end"),
        ("transtibial-patellar-tendon-bearing", "shank, conical", "distal-tibia"),
        ("transtibial-supracondylar-suprapatellar", "shank, conical", "supracondylar-lateral"),
        ("transfemoral-ischial-containment", "thigh, short", "row perineum, 50 mm distal"),
        (QUADRILATERAL, "short thigh, captured high", "row perineum"),
        ("transhumeral-suction", "arm", "distal-humerus"),
    ],
)
def test_the_most_that_once_passed_a_limit_of_its_own_rulebook_no_longer_does(book: str, name: str, what: str) -> None:
    """A stout or a slender limb, where mm or percent count most."""
    tune = [tune for of, tune in _alone(book, name) if of == what][-1]
    assert _breaches_more(book, name, tune) == []
