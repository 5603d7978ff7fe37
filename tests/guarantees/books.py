"""Limbs of every amputation, and every shipped rulebook tuned anywhere its `allow` lets it.

Limbs are short and long, stout and slender, conical and bulbous, scanned finely and coarsely, and made once each. A
landmark that a rulebook wants and a generated limb does not carry is estimated on it, as a case's would be.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

from hypothesis import strategies as st

from rectify.errors import InputError
from rectify.limb.estimates import estimate
from rectify.limb.limb import Limb
from rectify.limb.vocabulary import vocabulary
from rectify.rulebook import list_rulebooks, load_rulebook, resolve
from rectify.rulebook.facts import FACT_WORDS, Facts
from rectify.rulebook.load import Rulebook
from rectify.rulebook.plan import Plan
from rectify.synthetic import (
    AnkleDisarticulation,
    KneeDisarticulation,
    Transfemoral,
    Transhumeral,
    Transradial,
    Transtibial,
    ankle_disarticulation,
    knee_disarticulation,
    transfemoral,
    transhumeral,
    transradial,
    transtibial,
)
from tests import made

__all__ = ["BOOKS", "LIMBS", "facts", "limb_for", "limbs_for", "resolved", "shares", "tuned"]

LIMBS: dict[str, Callable[[], Limb]] = {
    "shank": lambda: made.limb_from(transtibial(Transtibial(edge_mm=5.0))),
    "shank, coarse": lambda: made.limb_from(transtibial(Transtibial(edge_mm=8.0, side="left"))),
    "shank, fine": lambda: made.limb_from(transtibial(Transtibial(edge_mm=2.5, length=135.0))),
    "shank, conical": lambda: made.limb_from(
        transtibial(Transtibial(length=200, bulk=290, taper=0.7, end="conical", crest=1.4, edge_mm=5.0))
    ),
    "shank, bulbous": lambda: made.limb_from(
        transtibial(Transtibial(taper=1.2, end="bulbous", knee_bend=15, edge_mm=5.5, above=95.0))
    ),
    "shank, short": lambda: made.limb_from(
        transtibial(Transtibial(side="left", length=112, bulk=390, edge_mm=5.0, above=95.0))
    ),
    "thigh": lambda: made.limb_from(transfemoral(Transfemoral(rise=110.0, edge_mm=6.0))),
    "thigh, short": lambda: made.limb_from(
        transfemoral(Transfemoral(side="left", length=175.0, bulk=600.0, edge_mm=6.0))
    ),
    "knee": lambda: made.limb_from(knee_disarticulation(KneeDisarticulation(edge_mm=6.0))),
    "knee, slim": lambda: made.limb_from(
        knee_disarticulation(KneeDisarticulation(side="left", thigh=250.0, bulk=360.0, waist=0.9, edge_mm=6.0))
    ),
    "ankle": lambda: made.limb_from(ankle_disarticulation(AnkleDisarticulation(edge_mm=5.0))),
    "ankle, stout": lambda: made.limb_from(
        ankle_disarticulation(AnkleDisarticulation(side="left", length=320.0, bulk=380.0, bulb=0.72, edge_mm=5.0))
    ),
    "forearm": lambda: made.limb_from(transradial(Transradial(edge_mm=4.0))),
    "forearm, short": lambda: made.limb_from(
        transradial(Transradial(side="left", length=110.0, bulk=290.0, taper=0.9, edge_mm=4.0))
    ),
    "arm": lambda: made.limb_from(transhumeral(Transhumeral(edge_mm=5.0))),
    "arm, short": lambda: made.limb_from(
        transhumeral(Transhumeral(side="left", length=205.0, bulk=360.0, taper=0.98, edge_mm=5.0))
    ),
}
BOOKS = list_rulebooks()
_AMPUTATIONS = {
    "shank": "transtibial", "thigh": "transfemoral", "knee": "knee-disarticulation", "ankle": "ankle-disarticulation",
    "forearm": "transradial", "arm": "transhumeral",
}  # fmt: skip


@cache
def book_of(name: str) -> Rulebook:
    """A shipped rulebook, read once."""
    return load_rulebook(name)


def limbs_for(book: str) -> list[str]:
    """The limbs that a rulebook is for."""
    return [name for name in LIMBS if _AMPUTATIONS[name.partition(",")[0]] == book_of(book).amputation]


@cache
def _limb(name: str) -> Limb:
    return LIMBS[name]()


@cache
def limb_for(book: str, name: str) -> Limb:
    """A limb with all that a rulebook wants of landmarks."""
    one = _limb(name)
    wanted = dict.fromkeys([*book_of(book).landmarks(), *vocabulary(one.amputation).needed])
    missing = [mark for mark in wanted if mark not in one.landmarks]
    return replace(one, landmarks={**estimate(one, missing), **one.landmarks}) if missing else one


def facts(book: str) -> st.SearchStrategy[Facts]:
    """What a case may say of a limb; the shaping is one the rulebook takes."""
    words = {name: st.none() | st.sampled_from(FACT_WORDS[name]) for name in ("tissue", "circulation", "skin")}
    shaping = "pressure" if book == "transtibial-hydrostatic" else None
    return st.builds(Facts, shaping=st.just(shaping), **words, liner_mm=st.sampled_from([None, 0.0, 3.0, 6.0, 9.0]))


def resolved(book: str, name: str, said: Facts, sets: tuple[str, ...] = ()) -> Plan | None:
    """The rulebook for this limb; None where it is refused in words."""
    who = {"by": "KW", "why": "tried", "on": "2026-11-20"} if sets else {}
    try:
        return resolve(book_of(book), limb_for(book, name), said, sets=sets, scan_sha256="0" * 64, **who)
    except InputError:
        return None


def shares() -> st.SearchStrategy[list[float]]:
    """How far from the least to the most that `allow` lets, region by region; its ends as often as its middle."""
    return st.lists(st.sampled_from([0.0, 1.0]) | st.floats(0.0, 1.0), min_size=1, max_size=8)


def tuned(plan: Plan, of_allowed: list[float]) -> dict[str, float]:
    """An amount, mm, for every region that may be tuned: that share of its `allow`, shares taken in turn."""
    free = [region for region in plan.regions if region.allow_mm is not None]
    return {
        region.name: region.allow_mm[0] + of_allowed[i % len(of_allowed)] * (region.allow_mm[1] - region.allow_mm[0])
        for i, region in enumerate(free)
    }
