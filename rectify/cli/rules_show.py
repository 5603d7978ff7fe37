"""What `rectify rules show` prints: a rulebook in rows of words, or as it comes out for one limb."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from rectify.cli.say import result, table

if TYPE_CHECKING:
    from rectify.rulebook.describe import Description
    from rectify.rulebook.evidence import Standing
    from rectify.rulebook.explain import Origin
    from rectify.rulebook.plan import OverallRow, Plan, RegionPlan

__all__ = ["tell_plan", "tell_rulebook", "tell_standing"]

_WIDTH = 100


def tell_rulebook(book: Description) -> None:
    """A rulebook as it is written, regions from proximal to distal."""
    result(f"{book.name}")
    result(f"{book.key}, revision {book.revision}, {book.status}, for {book.amputation}")
    _paragraph(book.about)
    if book.overall:
        _head("overall reduction")
        table(
            ("at", "circumference", "volume", "allow", "when"),
            [
                (row.place, f"{row.circumference_percent:.1f} %", f"{row.volume_percent:.1f} %", row.allow, row.when)
                for row in book.overall
            ],
        )
        for name, text in book.overall_notes:
            _named(name, text)
    _head("regions, from proximal to distal")
    table(
        ("region", "action", "amount", "allow", "feather", "profile"),
        [(r.name, r.action, r.amount, r.allow, r.feather, r.profile) for r in book.regions],
    )
    for region in book.regions:
        result()
        result(region.name)
        _named("place", region.place)
        _named("extent", region.extent)
        _named("clear of", region.keep_clear)
        _named("when", region.when)
        _named("needs", region.needs)
        _named("why", region.why)
        _named("evidence", region.evidence)
    _rest(book)


def _rest(book: Description) -> None:
    rows = [
        *(("dimension", text) for text in book.dimensions),
        ("mix", book.mix),
        ("end", book.end),
        ("brim", book.brim),
        *((f"limit {name}", text) for name, text in book.limits),
        ("protected", ", ".join(book.protected)),
        ("needs", ", ".join(book.needs)),
        *(("caution", text) for text in book.cautions),
    ]
    _head("the rest")
    for name, text in rows:
        _named(name, text)


def tell_plan(plan: Plan, ways: tuple[Origin, ...] = ()) -> None:
    """A rulebook as it comes out for one limb: every amount in mm, tunings included, and where each comes from."""
    result(f"{plan.rulebook_name}")
    result(f"{plan.rulebook_key}, revision {plan.revision}, {plan.status}, resolved for this limb")
    if plan.overall is not None:
        _head(f"overall reduction, percent of {plan.overall.basis}, {plan.overall.holds}")
        table(
            ("level mm", "% circ.", "% volume", "at"),
            [_row(row, plan.overall.basis) for row in plan.overall.rows],
        )
    _head("regions, from proximal to distal")
    order = {r.name: k for k, r in enumerate(sorted(plan.regions, key=lambda r: r.anchor.spot.station_mm))}
    table(
        ("region", "action", "mm", "change", "allow mm", "feather", "level", "towards", "place known by"),
        [_region(region) for region in sorted(plan.regions, key=lambda region: order[region.name])],
    )
    if plan.end is not None:
        _named("end", f"{plan.end.kind} {plan.end.amount_mm:.1f} mm, from level {plan.end.from_level_mm:.0f} mm")
    tuned = [(region.name, change) for region in plan.regions for change in region.tuned]
    if tuned:
        _head("changes")
        table(
            ("region", "change", "by", "on", "why"),
            [(name, change.text, change.by, change.on, change.why) for name, change in tuned],
        )
    if ways:
        _head("where each amount comes from")
    for way in sorted(ways, key=lambda way: order.get(way.region, 0)):
        result()
        result(f"{way.region}, {way.asked_mm:.2f} mm" + (f"  [{Path(way.file).name}:{way.line}]" if way.file else ""))
        for number, step in enumerate(way.steps, start=1):
            _named(str(number), step)
        _named("evidence", way.evidence or "not said")
    others = [text for text in plan.conditions if text.split(":")[0] not in {way.region for way in ways}]
    if others:
        _head("and because")
    for text in others:
        _named("", text)


def _row(row: OverallRow, basis: str) -> tuple[str, ...]:
    from rectify.rulebook.describe import both_bases

    girth, volume = both_bases(row.percent, basis)
    return f"{row.level_mm:.1f}", f"{girth:.2f}", f"{volume:.2f}", row.at_text


def _region(region: RegionPlan) -> tuple[str, ...]:
    from rectify.rulebook.describe import ACTION_WORDS

    anchor = region.anchor
    unsure = f", +-{anchor.uncertainty_mm:.0f} mm" if anchor.uncertainty_mm else ""
    return (
        region.name,
        ACTION_WORDS[region.action],
        f"{region.asked_mm:.2f}",
        f"{region.change_mm:+.2f}" if region.change_mm else "-",
        f"{region.allow_mm[0]:.1f}-{region.allow_mm[1]:.1f}" if region.allow_mm else "-",
        f"{region.feather_mm:.1f}",
        f"{anchor.spot.station_mm:.0f}",
        _side(anchor.spot.angle_deg),
        f"{anchor.landmark or 'place'}: {anchor.source}{unsure}",
    )


def _side(angle_deg: float) -> str:
    """A direction as it is said at the bench, with its angle."""
    sides = ("anterior", "antero-lateral", "lateral", "postero-lateral", "posterior", "postero-medial", "medial")
    words = (*sides, "antero-medial")
    angle = angle_deg % 360.0
    return f"{words[round(angle / 45.0) % 8]} {angle:.0f}"


def tell_standing(standing: Standing) -> None:
    """What the amounts rest on, each source with what it says and how sure that is."""
    from rectify.rulebook.evidence import SURE

    _head("what the amounts rest on")
    _paragraph(f"Of {standing.amounts} amounts {standing.with_source} rest on a source that was read or worked out.")
    for source, parts in zip(standing.sources, standing.parts, strict=True):
        result()
        result(source.key + (f"  ({SURE.get(source.sure, source.sure)})" if source.sure else ""))
        _named("of", ", ".join(parts))
        _named("source", source.citation)
        _named("says", source.says)


def _head(text: str) -> None:
    result()
    result(text.upper())


def _paragraph(text: str) -> None:
    for line in textwrap.wrap(text, _WIDTH):
        result(line)


def _named(name: str, text: str) -> None:
    if text:
        lines = textwrap.wrap(text, _WIDTH - 23, break_long_words=False)
        for head, line in zip([name, *[""] * len(lines)], lines, strict=False):
            result(f"  {head:<21}{line}")
