"""A rulebook as a technician would read it: rows of words, from proximal to distal. Nothing is printed here.

Places are where they usually lie; only a limb says where exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

from rectify.limb.vocabulary import VOCABULARY, Vocabulary
from rectify.rulebook.brim_says import BrimPlace
from rectify.rulebook.load import Rulebook
from rectify.rulebook.model import OverallSays, Region, SpareSays
from rectify.rulebook.parts import (
    SIDEWAYS,
    Condition,
    Factors,
    LevelPlace,
    LinerFactors,
    LinerRange,
    Place,
    RingPlace,
    ShapeSays,
    When,
)
from rectify.rulebook.plan import FORMING
from rectify.rulebook.quantity import Quantity, show_mm

__all__ = [
    "ACTION_WORDS",
    "Description",
    "OverallLine",
    "RegionLine",
    "both_bases",
    "circumference_percent",
    "describe",
    "volume_percent",
]


ACTION_WORDS: dict[str, str] = {
    "reduce": "reduction",
    "build-up": "build-up",
    "squeeze": "squeeze",
    "flatten": "flat wall",
    "raise": "raised wall",
    "shelf": "shelf",
}


@dataclass(frozen=True)
class RegionLine:
    """One region in words; empty where nothing is said."""

    name: str
    action: str
    amount: str
    allow: str
    place: str
    extent: str
    profile: str
    feather: str
    keep_clear: str
    when: str
    why: str
    evidence: str
    needs: str = ""


@dataclass(frozen=True)
class OverallLine:
    """One row of the overall reduction, both ways of saying it."""

    place: str
    circumference_percent: float
    volume_percent: float
    allow: str
    when: str


@dataclass(frozen=True)
class Description:
    """A rulebook in words."""

    name: str
    key: str
    amputation: str
    status: str
    revision: int
    about: str
    overall: tuple[OverallLine, ...]
    overall_notes: tuple[tuple[str, str], ...]  # basis, holds, spare, fade, when, why, evidence
    regions: tuple[RegionLine, ...]
    dimensions: tuple[str, ...]
    end: str
    brim: str
    limits: tuple[tuple[str, str], ...]
    protected: tuple[str, ...]
    needs: tuple[str, ...]
    cautions: tuple[str, ...]
    mix: str = ""


def volume_percent(circumference: float) -> float:
    """The percentage of volume that goes with a percentage of circumference, length kept: 1 - (1 - c)^2.

    Examples
    --------
    >>> round(volume_percent(5.0), 2)
    9.75
    """
    return 100.0 * (1.0 - (1.0 - circumference / 100.0) ** 2)


def circumference_percent(volume: float) -> float:
    """The percentage of circumference that goes with a percentage of volume, length kept: 1 - sqrt(1 - v).

    Examples
    --------
    >>> round(circumference_percent(5.0), 2)
    2.53
    """
    return float(100.0 * (1.0 - (1.0 - volume / 100.0) ** 0.5))


def both_bases(percent: float, basis: str) -> tuple[float, float]:
    """A reduction as percent of circumference and as percent of volume, the length kept.

    Examples
    --------
    >>> girth, volume = both_bases(5.0, "circumference")
    >>> round(girth, 6), round(volume, 6)
    (5.0, 9.75)
    """
    if basis == "circumference":
        return percent, volume_percent(percent)
    return circumference_percent(percent), percent


def describe(rulebook: Rulebook) -> Description:
    """A rulebook in words, regions from proximal to distal."""
    says, vocabulary = rulebook.says, VOCABULARY[rulebook.amputation]
    order = sorted(says.regions, key=lambda name: (_height(says.regions[name], vocabulary), name))
    return Description(
        name=says.name,
        key=rulebook.key,
        amputation=says.amputation,
        status=says.status,
        revision=says.revision,
        about=says.about or "",
        overall=_overall_lines(says.overall),
        overall_notes=_overall_notes(says.overall),
        regions=tuple(_region_line(name, says.regions[name]) for name in order),
        dimensions=tuple(_dimension(index, rulebook) for index in range(len(says.dimensions))),
        end=_end(rulebook),
        brim=_brim(rulebook),
        limits=_limits(rulebook),
        protected=says.protected,
        needs=_needs(rulebook),
        cautions=says.cautions,
        mix="" if rulebook.share is None else f"{100 * rulebook.share:g} % of the way to {rulebook.mixed_with}",
    )


# -- regions ---------------------------------------------------------------------------------------


def _region_line(name: str, region: Region) -> RegionLine:
    return RegionLine(
        name=name,
        action=ACTION_WORDS[region.action],
        amount=region.amount.text + (" from the capture" if region.from_ == "capture" else ""),
        allow=f"{region.allow[0]} to {region.allow[1]}" if region.allow else "",
        place=_place_of(region),
        extent=_extent(region.shape),
        profile=_profile(region),
        feather=region.feather.text
        + (f" {region.blend}" if region.blend else "")
        + (f", {region.fall}" if region.fall != "smooth" else ""),
        keep_clear=", ".join(f"{disc.of} by {disc.by}" for disc in region.keep_clear),
        when=when_text(region.when),
        why=region.why or "",
        evidence=region.evidence or "",
        needs="its landmarks marked: an estimate will not do" if region.needs else "",
    )


def _profile(region: Region) -> str:
    """How the amount is spread; of what forms a wall, how it is formed."""
    if region.action not in FORMING:
        return region.profile
    parts = []
    if region.faces is not None:
        parts.append(f"faces {region.faces}")
    if region.tilt is not None:
        parts.append(f"leans {region.tilt}")
    if region.most is not None:
        most = region.most.mm()
        parts.append(f"at most {most[0]:g} mm in, {most[1]:g} mm out")
    if region.corner is not None:
        parts.append(f"corner {region.corner}")
    if region.action == "squeeze":
        parts.append(f"{region.narrow or 'ml'} narrower, the tape as it was")
    return ", ".join(parts) or "as its place lies"


def _place_of(region: Region) -> str:
    if region.between_regions is not None:
        return f"between the regions {' and '.join(region.between_regions)}"
    if region.between is not None:
        return f"between {region.between[0].text()} and {region.between[1].text()}"
    if region.path is not None:
        text = " - ".join(_place(place) for place in region.path)
        if region.along_path is not None:
            text = f"{region.along_path} along {text}"
        side = region.sideways()
        return f"{text}; {side[1]} {side[0]} of it" if side else text
    if region.at is not None:
        return _place(region)
    cap = region.shape.end_cap
    if cap is not None:
        return f"distal end, from {cap.from_.text()}" if cap.from_ else "distal end"
    ring = region.shape.outline or ()
    return "round " + ", ".join(_place(place) for place in ring)


def _brim_place(place: BrimPlace) -> str:
    return _place(place) + (f", corner {place.radius}" if place.radius is not None else "")


def _place(place: RingPlace) -> str:
    """A place in words: `fibular-head, 12 mm distal, 4 mm posterior`."""
    parts = [place.at or "there"]
    if place.part is not None:
        parts[0] = f"{place.part} along {parts[0]}"
    if isinstance(place, Place) and place.along_path is not None:
        parts.append(f"cut back {place.along_path}")
    for word in ("proximal", "distal", *SIDEWAYS):
        quantity: Quantity | None = getattr(place, word)
        if quantity is not None:
            parts.append(f"{quantity} {word}")
    if place.angle is not None:
        parts.append(f"at {place.angle}")
    return ", ".join(parts)


def _extent(shape: ShapeSays) -> str:
    if shape.oval is not None:
        oval = shape.oval
        round_one = oval.along == oval.around
        text = f"{oval.along} round" if round_one else f"{oval.along} along, {oval.around} around"
        return text + (f", turned {oval.turn}" if oval.turn and not round_one else "")
    if shape.strip is not None:
        return " to ".join(width.text for width in shape.strip.width) + " wide"
    if shape.outline is not None:
        ring = shape.outline
        return f"outline of {ring[0].at}" if len(ring) == 1 else f"outline of {len(ring)} places"
    if shape.band is not None:
        return "all round"
    if shape.sector is not None:
        return f"{shape.sector.around} around, up to the edge"
    if shape.gap is not None:
        return f"what lies between, less {shape.gap.margin}"
    cap = shape.end_cap
    return f"{cap.reach} from the pole" if cap is not None and cap.reach else "to the pole"


def when_text(when: When | None) -> str:
    """What `when` says, in words."""
    parts = []
    for fact, part in when.parts if when else ():
        if isinstance(part, Condition):
            parts.append(f"only with {fact} {' or '.join(part.words)}")
        elif isinstance(part, Factors):
            parts.append(", ".join(f"{fact} {word}: times {factor:g}" for word, factor in part.by_word))
        elif isinstance(part, LinerRange):
            bounds = [f"at least {show_mm(part.at_least)}"] if part.at_least is not None else []
            bounds += [f"at most {show_mm(part.at_most)}"] if part.at_most is not None else []
            parts.append(f"only with a liner of {' and '.join(bounds)}")
        elif isinstance(part, LinerFactors):
            parts.append(", ".join(f"liner {show_mm(mm)}: times {factor:.4g}" for mm, factor in part.by_mm))
    return "; ".join(parts)


def _height(region: Region, vocabulary: Vocabulary) -> tuple[float, float]:
    """For sorting: the mean rank of what it is laid out on, and how far distal of it."""
    names = [region.at] if region.at else []
    names += [place.at for place in region.path or ()]
    names += [level.at for level in region.between or ()]
    if not names:
        names = [place.at for place in region.shape.outline or () if place.at]
    if not names:
        return float(len(vocabulary.downwards)), 0.0
    moved = sum(sign * q.value for q, sign in ((region.distal, 1.0), (region.proximal, -1.0)) if q is not None)
    return sum(vocabulary.rank(name) for name in names) / len(names), moved


# -- the rest --------------------------------------------------------------------------------------


def _overall_lines(overall: OverallSays | None) -> tuple[OverallLine, ...]:
    lines = []
    for row in overall.rows if overall else ():
        percent = row.reduce.value
        by_circumference = overall is not None and overall.basis == "circumference"
        lines.append(
            OverallLine(
                place=row.text(),
                circumference_percent=percent if by_circumference else circumference_percent(percent),
                volume_percent=volume_percent(percent) if by_circumference else percent,
                allow=f"{row.allow[0]} to {row.allow[1]}" if row.allow else "",
                when=when_text(row.when),
            )
        )
    return tuple(lines)


def _overall_notes(overall: OverallSays | None) -> tuple[tuple[str, str], ...]:
    if overall is None:
        return ()
    notes = [
        ("basis", overall.basis),
        ("holds", overall.holds),
        ("spare", ", ".join(_spare(spare) for spare in overall.spare)),
        ("spare-fade", overall.spare_fade.text if overall.spare_fade else ""),
        ("fade", overall.fade.text if overall.fade else ""),
        ("when", when_text(overall.when)),
        ("why", overall.why or ""),
        ("evidence", overall.evidence or ""),
    ]
    return tuple((key, text) for key, text in notes if text)


def _spare(spare: SpareSays) -> str:
    if spare.of is not None:
        return spare.of + (f" ({spare.within} round it)" if spare.within else "")
    parts = []
    if spare.levels is not None:
        edges = [edge.level.text if edge.level else _edge_place(edge) for edge in spare.levels]
        parts.append(f"levels {edges[0]} to {edges[1]}")
    if spare.angles is not None:
        parts.append(f"{spare.angles[0]} to {spare.angles[1]}")
    return ", ".join(parts)


def _edge_place(edge: object) -> str:
    place = {key: getattr(edge, key) for key in ("at", "proximal", "distal")}
    return LevelPlace.model_construct(**place, part=None).text()


def _dimension(index: int, rulebook: Rulebook) -> str:
    says = rulebook.says.dimensions[index]
    taken = f", taken {says.target.tension}" if says.target.tension else ""
    target = says.target.value.text if says.target.value else f"as on the tape{taken}"
    if says.target.change is not None:
        target = f"the tape's value{taken} {says.target.change}"
    by = f", by {' and '.join(says.by)}" if says.by else ""
    tips = f", tips on {' and '.join(_place(place) for place in says.between)}" if says.between else ""
    return f"{says.measure} at {says.text()}{tips}: {target}, within {says.within}{by}"


def _end(rulebook: Rulebook) -> str:
    says = rulebook.says.end
    if says is None:
        return ""
    start = says.from_.text() if says.from_ else "inflection"
    what = f"lengthened {says.lengthen}" if says.lengthen is not None else f"room for a pad of {says.pad}"
    text = f"{what}, from {start}"
    if says.allow:
        text += f"; {says.allow[0]} to {says.allow[1]} allowed"
    return text + (f"; {when_text(says.when)}" if says.when else "")


def _brim(rulebook: Rulebook) -> str:
    says = rulebook.says.brim
    if says is None:
        return ""
    text = " - ".join(_brim_place(place) for place in says.line)
    if says.corner_radius is not None:
        text += f"; corners {says.corner_radius}"
    if says.flare is not None:
        text += f"; flared {says.flare.out} over {says.flare.over}, {says.flare.where}"
    return text


def _needs(rulebook: Rulebook) -> tuple[str, ...]:
    needs = rulebook.says.needs
    if needs is None:
        return ()
    shaped = (f"a limb shaped by {' or '.join(needs.shaping)}",) if needs.shaping else ()
    return (*needs.capture_includes, *needs.landmarks, *shaped)


def _limits(rulebook: Rulebook) -> tuple[tuple[str, str], ...]:
    says = rulebook.says.limits
    if says is None:
        return ()
    rows = []
    for name, info in type(says).model_fields.items():
        value = getattr(says, name)
        if value is not None:
            text = f"{value[0]} to {value[1]}" if isinstance(value, tuple) else f"at most {value}"
            rows.append((info.alias or name, text))
    return tuple(rows)
