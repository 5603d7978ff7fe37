"""The plan in words: what was done to this limb, sentence by sentence, as one would say it over the bench.

Made from a report's facts alone; nothing is said here that a table does not hold.
"""

from __future__ import annotations

from typing import Any

from rectify.report.markup import Html, degrees, join, listed, number, section
from rectify.report.page_tables import DONE

__all__ = ["plan_in_words", "words_section"]

Facts = dict[str, Any]
_WORTH_MM = 0.05


def words_section(facts: Facts) -> Html:
    """The part of the page."""
    said = plan_in_words(facts)
    return section("words", "The plan in words", listed(said) if said else Html("<p>The rulebook changes nothing.</p>"))


def plan_in_words(facts: Facts) -> list[Html]:
    """One sentence or two for the overall reduction, each region and the end."""
    out = [] if facts["overall"] is None else [_overall(facts["overall"])]
    out += [_region(name, region) for name, region in facts["regions"].items()]
    if facts["end"] is not None:
        out.append(_end(facts["end"]))
    if facts["brim"] is not None:
        out.append(_brim(facts["brim"]))
    return out


def _overall(overall: Facts) -> Html:
    rows = [
        join([number(row["asked_percent"]), " % at ", row["at"] or "the row", " (", _level(row["level_mm"]), ")"])
        for row in overall["rows"]
    ]
    spared = f", sparing {', '.join(overall['spare'])}" if overall["spare"] else ""
    return join([Html("<b>Overall</b>: "), f"the {overall['basis']} is reduced by ", join(rows, ", "), f"{spared}."])


def _level(level: float) -> Html:
    return join(["level ", number(level, 0), " mm"])


def _region(name: str, r: Facts) -> Html:
    verb = "formed into a shelf" if r["action"] == "shelf" else DONE[r["action"]]
    start = "the captured surface" if r["from"] == "capture" else "the reduced surface"
    anchor = r["anchor"]
    where = join([_level(anchor["level_mm"]), ", ", degrees(anchor["angle_deg"])])
    at = join([f"{anchor['landmark']}, ", where]) if anchor["landmark"] else where
    parts: list[object] = [Html("<b>"), name, Html("</b>: "), f"{verb} by ", number(r["asked_mm"]), " mm"]
    if abs(r["change_mm"]) >= _WORTH_MM:
        parts += [" (the rulebook's ", number(r["rulebook_mm"]), " mm, changed by ", _who(r["tuned_by"]), ")"]
    parts += [" at ", at]
    if r["form"] is None:
        parts += [f", measured from {start}"]
    parts += [", fading over ", number(r["feather_mm"]), " mm"]
    parts += [f"; {r['why']}." if r["why"] else "."]
    return join(parts)


def _who(entries: list[Facts]) -> str:
    return ", ".join(dict.fromkeys(f"{entry['by']}: {entry['why']}" for entry in entries)) or "a dimension"


def _end(end: Facts) -> Html:
    how = "lengthened along the axis" if end["kind"] == "lengthen" else "padded along its normals"
    return join(
        [Html("<b>End</b>: "), f"{how} by ", number(end["asked_mm"]), " mm from ", _level(end["from_level_mm"]), " on."]
    )


def _brim(brim: Facts) -> Html:
    parts: list[object] = [Html("<b>Brim</b>: "), f"a trimline through {brim['places']} places, its corners rounded"]
    if brim["flare"] is not None:
        where = "all round" if brim["flare"]["where"] == "all" else brim["flare"]["where"]
        parts += [", flared out by ", number(brim["flare"]["out_mm"]), " mm over ", number(brim["flare"]["over_mm"])]
        parts += [f" mm, {where}"]
    return join([*parts, "."])
