"""What the properties are tried on: limbs of a few kinds, the shipped rulebooks, and plans drawn at random.

Limbs of every amputation, coarse (5 to 8 mm of edge), and made once each. Plans hold regions of every shape, profile,
fall and kind, an overall reduction, something done to the end, a trimline with its flare; what a mesh of these edges
cannot carry by the rules is redrawn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
from hypothesis import strategies as st

from rectify.engine import Outcome, rectify_limb
from rectify.errors import RectifyError, RulesError
from rectify.limb.estimates import estimate
from rectify.limb.limb import Limb
from rectify.limb.spot import Spot
from rectify.limb.vocabulary import vocabulary
from rectify.rulebook import list_rulebooks, load_rulebook, resolve
from rectify.rulebook.facts import FACT_WORDS, Facts
from rectify.rulebook.plan import (
    Band,
    Brim,
    End,
    EndCap,
    KeepClear,
    Limits,
    Outline,
    Oval,
    Overall,
    OverallRow,
    Plan,
    RegionPlan,
    Spare,
    Strip,
)
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

__all__ = ["BOOKS", "LIMBS", "book_plans", "brims", "facts", "limb", "plans", "rectified", "regions"]

LIMBS: dict[str, Callable[[], Limb]] = {
    "usual": lambda: made.limb_from(transtibial(Transtibial(edge_mm=6.0))),
    "thin, conical": lambda: made.limb_from(
        transtibial(Transtibial(length=185, bulk=310, taper=0.76, end="conical", crest=1.4, edge_mm=5.5))
    ),
    "short, left": lambda: made.limb_from(transtibial(Transtibial(side="left", length=105, bulk=370, edge_mm=6.0))),
    "bulbous": lambda: made.limb_from(transtibial(Transtibial(taper=1.2, end="bulbous", knee_bend=15, edge_mm=6.0))),
    "overhanging": lambda: made.limb_from(transtibial(Transtibial(end="redundant", scar=1.6, edge_mm=6.0))),
    "noisy": lambda: made.limb_from(transtibial(Transtibial(edge_mm=5.0, noise_mm=0.2, seed=4))),
    "thigh": lambda: made.limb_from(transfemoral(Transfemoral(edge_mm=6.0))),
    "thigh, left": lambda: made.limb_from(transfemoral(Transfemoral(side="left", length=190.0, edge_mm=6.0))),
    "knee": lambda: made.limb_from(knee_disarticulation(KneeDisarticulation(edge_mm=8.0))),
    "ankle, left": lambda: made.limb_from(ankle_disarticulation(AnkleDisarticulation(side="left", edge_mm=7.0))),
    "forearm": lambda: made.limb_from(transradial(Transradial(edge_mm=5.0))),
    "forearm, short, left": lambda: made.limb_from(
        transradial(Transradial(side="left", length=110.0, bulk=290.0, taper=0.9, edge_mm=5.0))
    ),
    "arm": lambda: made.limb_from(transhumeral(Transhumeral(edge_mm=6.0))),
    "arm, short, left": lambda: made.limb_from(
        transhumeral(Transhumeral(side="left", length=205.0, bulk=360.0, taper=0.98, edge_mm=6.0))
    ),
}


@cache
def limb(name: str) -> Limb:
    """One of LIMBS, made once."""
    return LIMBS[name]()


# -- the shipped rulebooks ------------------------------------------------------------------------

BOOKS: dict[str, tuple[str, ...]] = {
    amputation: tuple(n for n in list_rulebooks() if n.startswith(amputation) and not n.endswith("-base"))
    for amputation in sorted({limb(name).amputation for name in LIMBS})
}


@cache
def _marked(book: str, name: str) -> Limb:
    """A limb with what a rulebook wants and nobody marked estimated, as a case's is."""
    one = limb(name)
    wanted = dict.fromkeys([*load_rulebook(book).landmarks(), *vocabulary(one.amputation).needed])
    missing = [mark for mark in wanted if mark not in one.landmarks]
    return replace(one, landmarks={**estimate(one, missing), **one.landmarks}) if missing else one


def facts() -> st.SearchStrategy[Facts]:
    """What a case may say of a limb."""
    asked = ("shaping", "tissue", "circulation", "skin")
    words = {name: st.none() | st.sampled_from(FACT_WORDS[name]) for name in asked}
    return st.builds(Facts, **words, liner_mm=st.sampled_from([None, 0.0, 3.0, 6.0, 9.0]))


@st.composite
def book_plans(draw: st.DrawFn) -> tuple[str, Plan]:
    """A limb and a shipped rulebook resolved for it; rulebooks that this limb cannot carry are redrawn."""
    name = draw(st.sampled_from(list(LIMBS)))
    one = limb(name)
    book = draw(st.sampled_from(BOOKS[one.amputation]))
    try:
        return name, resolve(load_rulebook(book), _marked(book, name), draw(facts()), scan_sha256="0" * 64)
    except RectifyError:
        return draw(st.nothing())


# -- plans at random ------------------------------------------------------------------------------


def _spots(one: Limb) -> st.SearchStrategy[Spot]:
    """Places on the limb: anywhere on the wall, at landmarks, on the end."""
    chart = one.chart
    marked = [mark.spots[0] for mark in one.landmarks.values() if mark.spots and mark.source == "marked"]
    low = one.profile.levels[one.profile.closed][0]
    wall = st.builds(Spot, st.floats(low + 15.0, chart.centre_mm), st.floats(-180.0, 180.0))
    end = st.builds(Spot, st.floats(chart.centre_mm, chart.pole_mm), st.floats(-180.0, 180.0))
    return st.one_of(wall, wall, st.sampled_from([spot for spot in marked if spot.station_mm > low + 10.0]), end)


@st.composite
def _shapes(draw: st.DrawFn, one: Limb, at: Spot) -> object:
    chart = one.chart
    kind = draw(st.sampled_from(["oval", "oval", "strip", "outline", "band", "end-cap"]))
    wide = st.floats(28.0, 70.0)
    if kind == "oval":
        return Oval(draw(wide), draw(wide), draw(st.floats(-40.0, 40.0)))
    room = max(chart.centre_mm - at.station_mm, 0.0)
    if kind == "strip" and room > 30.0:
        length, lean = draw(st.floats(25.0, max(room, 30.0))), draw(st.floats(-15.0, 15.0))
        path = tuple(Spot(at.station_mm + t * length, at.angle_deg + t * lean) for t in (0.0, 0.5, 1.0))
        return Strip(path, (draw(st.floats(26.0, 40.0)),) * 3)
    if kind == "outline" and room > 40.0:
        turn = np.linspace(0.0, 2 * np.pi, 7)[:-1]
        far = draw(st.lists(st.floats(18.0, 34.0), min_size=6, max_size=6))
        per_mm = 180.0 / (np.pi * chart.mean_radius(at.station_mm))
        ring = (
            Spot(at.station_mm + r * np.cos(t), at.angle_deg + r * np.sin(t) * per_mm)
            for r, t in zip(far, turn, strict=True)
        )
        return Outline(tuple(ring))
    if kind == "band" and room > 40.0:
        return Band(at.station_mm, at.station_mm + draw(st.floats(35.0, 80.0)))
    if kind == "end-cap":
        return EndCap(draw(st.floats(25.0, 60.0)))
    return Oval(draw(wide), draw(wide))


@st.composite
def regions(draw: st.DrawFn, one: Limb, name: str, most_mm: float = 6.0) -> RegionPlan:
    """One region somewhere on the limb."""
    at = draw(_spots(one))
    shape = draw(_shapes(one, at))
    if isinstance(shape, EndCap):
        at = Spot(one.chart.pole_mm, 0.0)
    elif isinstance(shape, Band):
        at = Spot((shape.from_station_mm + shape.to_station_mm) / 2, 0.0)
    action = draw(st.sampled_from(["build-up", "reduce"]))
    clear = draw(st.booleans()) if isinstance(shape, Oval) else False
    return made.region(
        name,
        action,
        draw(st.floats(0.0, most_mm)),
        at,
        shape,
        draw(st.floats(8.0, 20.0)),
        profile=draw(st.sampled_from(["flat", "flat", "dome", "groove"])),
        fall=draw(st.sampled_from(["smooth", "smooth", "cosine", "run-out"])),
        measured_from=draw(st.sampled_from(["reduced", "reduced", "capture"])),
        keep_clear=(KeepClear(one.chart.step(at, 12.0, 12.0), draw(st.floats(3.0, 8.0))),) if clear else (),
    )


@st.composite
def _overalls(draw: st.DrawFn, one: Limb) -> Overall | None:
    if draw(st.booleans()):
        return None
    top, end = one.profile.levels[one.profile.closed][0], one.inflection_mm
    rows = (OverallRow(top + 25.0, draw(st.floats(0.0, 6.0))), OverallRow(end - 15.0, draw(st.floats(0.0, 6.0))))
    return Overall(
        draw(st.sampled_from(["circumference", "volume"])),
        draw(st.sampled_from(["before-regions", "finished"])),
        rows,
        draw(st.floats(20.0, 40.0)),
        (Spare(spots=(draw(_spots(one)),), radius_mm=draw(st.floats(5.0, 12.0))),) if draw(st.booleans()) else (),
    )


STEEPEST_FLARE = np.tan(np.radians(65.0))  # what a rulebook may ask at the trimline


@st.composite
def brims(draw: st.DrawFn, one: Limb) -> Brim:
    """A trimline once round the limb, one way or the other, anywhere on its wall and a little above what was captured:
    corners sharp and round, near each other or on the same spot; flares of every side."""
    count = draw(st.integers(3, 7))
    top = one.chart.top_mm
    low = max(one.chart.centre_mm - 20.0, top + 40.0)
    gaps = np.array(draw(st.lists(st.floats(0.0, 1.0), min_size=count, max_size=count))) + 0.1
    gaps = np.minimum(gaps / gaps.sum(), 0.45)
    gaps = 360.0 * gaps / gaps.sum()
    way, start = draw(st.sampled_from([1.0, -1.0])), draw(st.floats(-180.0, 180.0))
    angles = start + way * np.concatenate([[0.0], np.cumsum(gaps)[:-1]])
    middle = draw(st.floats(top, low))
    swing = draw(st.sampled_from([5.0, 20.0, 60.0]))
    stations = [min(max(middle + draw(st.floats(-swing, swing)), top - 10.0), low) for _ in range(count)]
    angles = (angles + 180.0) % 360.0 - 180.0
    line = [Spot(float(level), float(angle)) for level, angle in zip(stations, angles, strict=True)]
    if draw(st.booleans()):
        line.insert(1, line[0])  # the same place twice
    each = st.floats(0.0, 60.0)
    radii = tuple(draw(st.lists(each, min_size=len(line), max_size=len(line)))) if draw(st.booleans()) else ()
    out = draw(st.just(0.0) | st.floats(0.5, 15.0))
    over = draw(st.floats(2.0 * out / STEEPEST_FLARE, 40.0)) if out else 0.0
    where = draw(st.sampled_from(["all", "anterior", "posterior", "medial", "lateral"])) if out else ""
    return Brim(tuple(line), draw(each), out, over, where, radii)


@st.composite
def plans(draw: st.DrawFn, one: Limb, most_mm: float = 6.0, overall: bool = True, brim: bool = False) -> Plan:
    """One to four regions, and perhaps an overall reduction, something done to the end, and a trimline."""
    count = draw(st.integers(1, 4))
    kinds, mm = st.sampled_from(["lengthen", "pad"]), st.floats(0.0, 8.0)
    end = draw(st.none() | st.builds(End, kinds, mm, st.just(one.inflection_mm)))
    return made.plan(
        *(draw(regions(one, f"region-{i}", most_mm)) for i in range(count)),
        overall=draw(_overalls(one)) if overall else None,
        end=end if overall else None,
        limits=Limits(slope_deg=draw(st.sampled_from([35.0, 45.0, 60.0]))),
        brim=draw(brims(one)) if brim and draw(st.booleans()) else None,
    )


def rectified(one: Limb, plan: Plan) -> Outcome | None:
    """The outcome; None where by the rules a region has no room on this mesh, which is told before anything moves."""
    try:
        return rectify_limb(one, plan)
    except RulesError:
        return None
    except RectifyError as error:
        if getattr(error, "errors", ()) and all(isinstance(fault, RulesError) for fault in error.errors):
            return None
        raise
