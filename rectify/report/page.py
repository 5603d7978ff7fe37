"""The change report as one page to read and to print: everything inside, no script, nothing fetched.

It says what the facts say and shows the outcome's pictures; it works out no geometry. What comes from files is
escaped. It carries a date only where the caller gives one.
"""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING, Any

from rectify.report import page_tables as tables
from rectify.report.four_sides import Picture, four_sides
from rectify.report.look import style
from rectify.report.markup import Html, join, listed, number, section, signed, text
from rectify.report.unrolled import unrolled_map

if TYPE_CHECKING:
    from rectify.engine import Outcome

__all__ = ["change_page"]

Facts = dict[str, Any]

_CAUTION = "A starting shape, for review by the licensed practitioner responsible. It says nothing about fit."
_PARTS = (
    ("look", "To look at"), ("map", "Map"), ("sides", "Sides"), ("regions", "Regions"), ("overall", "Overall and end"),
    ("levels", "Levels"), ("measures", "Tape and dimensions"), ("landmarks", "Landmarks"), ("made", "How it was made"),
)
_FROM = {"anterior": "From the front", "lateral": "From the outside", "posterior": "From behind", "medial": "From the inside",
         "distal": "From the end"}


def change_page(facts: Facts, outcome: Outcome, date: str | None = None) -> str:
    """The page as HTML text.

    Parameters
    ----------
    facts : dict
        From `change_facts`.
    outcome : Outcome
        The same run's, for the pictures.
    date : str, optional
        To be printed on it, as given.
    """
    status = _status(facts)
    title = f"{facts['case']} {facts['side']}, {facts['amputation']}: change report"
    body = [
        _header(facts, status, date), "<main id='main'>", _navigation(), _look(facts), _map(facts, outcome),
        _sides(outcome), _regions(facts), _overall(facts), _levels(facts), _measures(facts), _landmarks(facts), _made(facts),
        "</main>", _footer(facts, date),
    ]
    running = f"{facts['case']}, {facts['side']} {facts['amputation']} - {status[1]}"
    return (
        "<!DOCTYPE html>\n<html lang='en'>\n<head>\n<meta charset='utf-8'>\n"
        "<meta name='viewport' content='width=device-width, initial-scale=1'>\n"
        "<meta http-equiv='Content-Security-Policy' content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'\">\n"
        f"<title>{text(title)}</title>\n<style>{style(running)}</style>\n</head>\n<body>\n"
        "<a class='skip' href='#main'>to the report</a>\n" + "\n".join(body) + "\n</body>\n</html>\n"
    )


# -- the top ---------------------------------------------------------------------------------------


def _status(facts: Facts) -> tuple[str, str, str]:
    """Class, word and sentence of the stamp."""
    if any(w["severity"] == "stop" for w in facts["warnings"]):
        return "stopped", "STOPPED", "A limit of the rulebook is breached. No shape was written."
    if facts["status"] == "released":
        return "released", "RELEASED", f"by {facts['release']['by']} on {facts['release']['on']}"
    return "draft", "DRAFT", "Not released: this must not go to a machine."


def _header(facts: Facts, status: tuple[str, str, str], date: str | None) -> Html:
    kind, word, sentence = status
    book, limb, scan = facts["rulebook"], facts["limb"], facts["scan"]
    draft = " (a draft rulebook)" if book["status"] == "draft" else ""
    known = [f"{k} {limb[k]}" for k in ("tissue", "sensation", "circulation", "skin", "volume") if limb[k]]
    said = [
        ("Rulebook", f"{book['name']}, revision {book['revision']}{draft}"),
        ("Captured", ", ".join(w for w in (scan["surface"], f"shaped: {scan['shaping']}" if scan["shaping"] else "",
                                           f"over {_layers(scan['layers'])}" if scan["layers"] else "") if w)),
        ("Worn", _layers(limb["wear"]) or "no liner, no sock"),
        ("Suspension", limb["suspension"] or "not said"),
        ("Limb", ", ".join(known) or "nothing said"),
        ("Shape", f"{facts['shape']['class']}, {facts['shape']['ratio']:.2f} distal over proximal circumference"
         if facts["shape"]["ratio"] is not None else facts["shape"]["class"]),
        *([("Date", date)] if date else []),
    ]
    rows = "".join(f"<div><dt>{text(k)}</dt><dd>{text(v)}</dd></div>" for k, v in said)
    return Html(
        "<header>\n<div class='top'><div><p class='kind'>Change report</p>"
        f"<h1>{text(facts['case'])}</h1><p class='who'>{text(facts['side'])}, {text(facts['amputation'])}</p></div>\n"
        f"<div class='stamp {kind}'><div><strong>{text(word)}</strong>{text(sentence)}</div></div></div>\n"
        f"<dl class='said'>{rows}</dl>\n{_glance(facts)}<p><strong>{text(_CAUTION)}</strong></p>\n</header>"
    )


def _layers(layers: list[Facts]) -> str:
    return ", ".join(f"{layer['kind']} {layer['thickness_mm']:g} mm" for layer in layers)


def _glance(facts: Facts) -> Html:
    volume, end = facts["volume"], facts["end"]
    tiles = [
        (Html(f"{signed(volume['change_ml'])} ml"), Html(f"net volume, {signed(volume['change_percent'])} % of {number(volume['before_ml'], 0)} "
                                                       f"ml below level {number(volume['plane_level_mm'], 0)} mm")),
        _extreme(facts["extremes"]["build_up"], "largest build-up", "+"),
        _extreme(facts["extremes"]["reduction"], "largest reduction", "\u2212"),
    ]
    if end is not None:
        words = "end lengthened" if end["kind"] == "lengthen" else "end padded"
        tiles.append((Html(f"{signed(end['achieved_mm'])} mm"), text(f"{words}, from level {end['from_level_mm']:.0f} mm on")))
    return Html("<ul class='glance'>" + "".join(f"<li><b>{a}</b><span>{b}</span></li>" for a, b in tiles) + "</ul>\n")


def _extreme(found: Facts | None, words: str, sign: str) -> tuple[Html, Html]:
    if found is None:
        return Html("none"), text(words)
    where = f"{found['region'] or 'no region'}, level {found['level_mm']:.0f} mm, {found['angle_deg']:.0f}°"
    also = f"; {found['overall_and_end_mm']:.1f} mm of it overall and end" if found["overall_and_end_mm"] >= 0.05 else ""
    return Html(f"{sign}{number(found['amount_mm'])} mm"), text(f"{words} from the capture: {where}{also}".replace("-", "\u2011"))


def _navigation() -> Html:
    links = "".join(f"<li><a href='#{name}'>{text(words)}</a></li>" for name, words in _PARTS)
    return Html(f"<nav aria-label='Parts of this report'><ul>{links}</ul></nav>")


def _look(facts: Facts) -> Html:
    warnings = facts["warnings"]
    first = [w for w in warnings if w["severity"] != "note"]
    notes = [w for w in warnings if w["severity"] == "note"]
    return section(
        "look", "What needs a look, and cautions",
        _warnings(first) if first else Html("<p>Nothing was found that needs a look.</p>"),
        Html("<h3>Cautions</h3>"), listed(facts["cautions"], "cautions"),
        Html("<h3>For the record</h3>") if notes else "", _warnings(notes) if notes else "",
    )


def _warnings(warnings: list[Facts]) -> Html:
    words = {"stop": "Stop", "look": "Look", "note": "Note"}
    items = "".join(
        f"<li class='{w['severity']}'><span class='tag'>{words[w['severity']]}</span> {text(w['message'])}"
        + (f" <small>{text(w['where'])}</small>" if w["where"] else "") + "</li>"
        for w in warnings
    )
    return Html(f"<ul class='warnings'>{items}</ul>")


# -- pictures --------------------------------------------------------------------------------------


def _map(facts: Facts, outcome: Outcome) -> Html:
    lateral = "left" if facts["side"] == "right" else "right"
    alt = "Map of the unrolled limb. " + _in_words(facts)
    svg = unrolled_map(outcome).replace("<svg ", f'<svg role="img" aria-label="{text(alt)}" ', 1)
    caption = (
        "The limb opened along the back and laid flat, as seen facing its front: on this "
        f"{facts['side']} limb lateral lies {lateral} of the middle. Colours and thin contour lines (solid built up, dashed "
        "reduced): the whole move from the captured surface. Beside each region's name: its own amount at the core, measured "
        "from the surface the rulebook says. White: no skin was captured."
    )
    return section("map", "Map of the change", Html(f"<figure>{svg}<figcaption>{text(caption)}</figcaption></figure>"), _legend())


def _legend() -> Html:
    def icon(inside: str) -> str:
        return f"<svg width='30' height='12' viewBox='0 0 30 12' aria-hidden='true'>{inside}</svg>"

    line = "<path d='M1 6H29' stroke='#5a2a86' stroke-width='2'{}/>"
    dot = "<circle cx='15' cy='6' r='3.6' fill='{}' stroke='#20262b'/>"
    entries = [
        (line.format(""), "outline of a build-up"), (line.format(" stroke-dasharray='6 3'"), "outline of a reduction"),
        ("<path d='M1 6H29' stroke='#20262b' stroke-width='1.6' stroke-dasharray='9 2 1.5 2'/>", "trimline: the rulebook's places, joined straight"),
        (dot.format("#20262b"), "landmark, marked"), (dot.format("#fff"), "computed"),
        (dot.format("#fff") + "<path d='M10.5 1.5l9 9m0-9l-9 9' stroke='#20262b' stroke-width='1.3'/>", "estimated"),
    ]
    return Html("<ul class='legend'>" + "".join(f"<li>{icon(i)}{text(w)}</li>" for i, w in entries) + "</ul>")


def _in_words(facts: Facts) -> str:
    """The regions in words, for whoever cannot see the picture."""
    parts = [
        f"{name} {'built up' if r['action'] == 'build-up' else 'reduced'} by "
        f"{r['asked_mm'] if r['achieved_mm'] is None else r['achieved_mm']:.1f} mm"
        for name, r in facts["regions"].items()
    ]
    return "; ".join(parts) + "." if parts else "No regions."


def _sides(outcome: Outcome) -> Html:
    figures = join(_figure(picture) for picture in four_sides(outcome))
    note = Html("<p><small>The rectified model, in the colours of the map. Lines every 50 mm of level, level 0 darker; outlines in "
                "violet, dashed round a reduction.</small></p>")
    return section("sides", "The rectified model from five sides", Html(f"<div class='sides'>{figures}</div>"), note)


def _figure(picture: Picture) -> Html:
    words = _FROM[picture.view]
    data = base64.b64encode(picture.png).decode("ascii")
    alt = f"{words}: {picture.view} side of the rectified model, {picture.right_is} to the right, coloured by displacement."
    return Html(
        f"<figure><img src='data:image/png;base64,{data}' width='{picture.width}' height='{picture.height}' alt='{text(alt)}'>"
        f"<figcaption>{text(words)}<br><small>{text(picture.right_is)} to the right</small></figcaption></figure>"
    )


# -- the rest --------------------------------------------------------------------------------------


def _regions(facts: Facts) -> Html:
    if not facts["regions"]:
        return section("regions", "Regions", "The rulebook forms no region on this limb.")
    notes = (
        "Amounts are distances along the surface's normal. Achieved is measured on the finished shape, at the core, from the "
        "surface the rulebook says (the reduced one, unless noted); from capture includes the overall reduction. Peak, mean, area "
        "and volume are of the region's own move, feather included. Allowed: the line is the span, the tick the rulebook's "
        "amount, the dot what was asked."
    )
    source = (
        "\u201cfrom memory, unverified\u201d and \u201ccommon practice\u201d mean that no published source was read for the amount: "
        "it is a starting value. Other entries are keys of the rulebook's evidence list."
    )
    conditions = facts["rulebook"]["conditions"]
    return section(
        "regions", "Regions", tables.region_table(facts), Html(f"<p><small>{text(notes)}</small></p>"), tables.reason_table(facts),
        Html(f"<p><small>{text(source)}</small></p>"),
        Html("<h3>What the case's facts changed in the rulebook</h3>") if conditions else "", listed(conditions) if conditions else "",
    )


def _overall(facts: Facts) -> Html:
    overall, end = facts["overall"], facts["end"]
    parts: list[object] = []
    if overall is None:
        parts.append(Html("<p>The rulebook reduces nothing overall on this limb.</p>"))
    else:
        when = "before the regions" if overall["holds"] == "before-regions" else "in the finished model"
        spare = f" Spared: {', '.join(overall['spare'])}, fading over {overall['spare_fade_mm']:.0f} mm." if overall["spare"] else ""
        parts += [tables.overall_table(overall), Html(f"<p><small>{text(f'True {when}; fading over {overall_fade(overall)} mm beyond the first and the last row.{spare}')}</small></p>")]
    if end is None:
        parts.append(Html("<p>The end was left alone.</p>"))
    else:
        words = "lengthened along the axis" if end["kind"] == "lengthen" else "padded along its normals"
        tuned = tables._changes(end["tuned_by"]) if end["tuned_by"] else ""
        parts.append(Html(f"<p>The end was {words} by {number(end['asked_mm'])} mm from level {number(end['from_level_mm'])} mm on "
                          f"(rulebook {number(end['rulebook_mm'])} mm): the model is {signed(end['achieved_mm'])} mm longer. {tuned}</p>"))
    volume = facts["volume"]
    parts.append(Html(f"<p>The whole closed model: {number(volume['model_before_ml'])} ml before, {number(volume['model_after_ml'])} ml "
                      "after.</p>"))
    return section("overall", "Overall reduction, end and volume", *parts)


def overall_fade(overall: Facts) -> str:
    """How far the overall reduction fades, as text."""
    return f"{overall['fade_mm']:.0f}"


def _levels(facts: Facts) -> Html:
    note = ("Circumference is what a tape reads: the outline with its hollows bridged. Levels are along the axis from the origin, "
            "positive distally; AP and ML are square to the limb frame.")
    return section("levels", "Levels", tables.level_table(facts), Html(f"<p><small>{text(note)}</small></p>"))


def _measures(facts: Facts) -> Html:
    note = ("Accepted: 5 mm, the typical difference between hand and digital measures (Geil 2007), or 3 % where that is more, as one "
            "observer's own repeats scatter (te Slaa 2011).")
    return section(
        "measures", "Tape, dimensions and lengths",
        tables.tape_table(facts) if facts["tape"] else Html("<p>The case gives no hand measurements: the capture's scale was not checked.</p>"),
        Html(f"<p><small>{text(note)}</small></p>") if facts["tape"] else "",
        tables.dimension_table(facts) if facts["dimensions"] else "", tables.length_table(facts),
    )


def _landmarks(facts: Facts) -> Html:
    note = ("A marked place is as good as the hand that marked it: over repeated casts one person's build-up at the fibular head "
            "scattered by 3 to 4 mm along the limb (Convery 2003).")
    return section("landmarks", "Landmarks", tables.landmark_table(facts), Html(f"<p><small>{text(note)}</small></p>"))


def _made(facts: Facts) -> Html:
    program = facts["program"]
    return section(
        "made", "How it was made",
        Html("<h3>What was done to the capture</h3>"), listed(step["message"] for step in facts["capture"]), tables.limit_table(facts), tables.check_table(facts),
        tables.input_table(facts), tables.frame_table(facts),
        Html(f"<p><small>{text(program['name'])} {text(program['version'])}</small></p>"),
    )


def _footer(facts: Facts, date: str | None) -> Html:
    return Html(
        f"<footer><p><strong>{text(_CAUTION)}</strong> Fit a check socket before anything definitive. Local rules and licensing come first.</p>"
        f"<p>{text(facts['case'])}{', ' + text(date) if date else ''}. Made by {text(facts['program']['name'])} "
        f"{text(facts['program']['version'])}. The same facts stand in change-report.json.</p></footer>"
    )
