"""The change report as one page to read and to print: everything inside, nothing fetched.

It says what the facts say and shows the outcome's pictures; it works out no figures of its own. Its one script draws
the view in three dimensions and is the only one that its policy lets run; without it, and on paper, everything is
there in pictures and tables. What comes from files is escaped. It carries a date only where the caller gives one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rectify.report.look import style
from rectify.report.markup import Html, degrees, join, listed, number, section, signed, text
from rectify.report.page_parts import parts, warning_list
from rectify.report.page_pictures import map_section, sides_section
from rectify.report.page_view import view_script, view_section
from rectify.report.section_overlays import overlay_section
from rectify.viewer import script_digest

if TYPE_CHECKING:
    from rectify.engine import Outcome

__all__ = ["change_page"]

Facts = dict[str, Any]

_CAUTION = "A starting shape, for review by the licensed practitioner responsible. It says nothing about fit."
_CLOSING = "Fit a check socket before anything definitive. Local rules and licensing come first."
_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src '{}'"
_WORTH_A_WORD_MM = 0.05  # below that 0.0 would be printed
_LINKS = (
    ("look", "To look at"),
    ("view", "View"),
    ("sides", "Sides"),
    ("map", "Map"),
    ("regions", "Regions"),
    ("sections", "Sections"),
    ("levels", "Levels"),
    ("words", "In words"),
    ("overall", "Overall and end"),
    ("measures", "Tape and dimensions"),
    ("landmarks", "Landmarks"),
    ("made", "How it was made"),
)


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
    title = text(f"{facts['case']} {facts['side']}, {facts['amputation']}: change report")
    running = f"{facts['case']}, {facts['side']} {facts['amputation']} - {status[1]}"
    script, overlays = view_script(), overlay_section(facts, outcome)
    body = [
        _header(facts, status, date),
        "<main id='main'>",
        _navigation(with_sections=bool(overlays)),
        "<div class='first'>\n<div class='gist'>",
        _glance(facts),
        _look(facts),
        "</div>",
        view_section(facts, outcome),
        "</div>",
        sides_section(outcome),
        map_section(facts, outcome),
        *parts(facts, overlays),
        "</main>",
        _footer(facts, date),
        f"<script>{script}</script>",
    ]
    return (
        "<!DOCTYPE html>\n<html lang='en'>\n<head>\n<meta charset='utf-8'>\n"
        "<meta name='viewport' content='width=device-width, initial-scale=1'>\n"
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY.format(script_digest(script))}">\n'
        f"<title>{title}</title>\n<style>{style(running)}</style>\n</head>\n<body>\n"
        "<a class='skip' href='#main'>to the report</a>\n" + "\n".join(body) + "\n</body>\n</html>\n"
    )


def _status(facts: Facts) -> tuple[str, str, str]:
    """Class, word and sentence of the stamp."""
    if any(w["severity"] == "stop" for w in facts["warnings"]):
        return "stopped", "STOPPED", "A limit of the rulebook is breached. No shape was written."
    if facts["status"] == "released":
        return "released", "RELEASED", f"by {facts['release']['by']} on {facts['release']['on']}"
    return "draft", "DRAFT", "Not released: this must not go to a machine."


# -- the top ---------------------------------------------------------------------------------------


def _header(facts: Facts, status: tuple[str, str, str], date: str | None) -> Html:
    kind, word, sentence = status
    rows = "".join(f"<div><dt>{text(k)}</dt><dd>{text(v)}</dd></div>" for k, v in _said(facts, date))
    return Html(
        "<header>\n<div class='top'><div><p class='kind'>Change report</p>"
        f"<h1>{text(facts['case'])}</h1><p class='who'>{text(facts['side'])}, {text(facts['amputation'])}</p></div>\n"
        f"<dl class='said'>{rows}</dl>\n"
        f"<div class='stamp {kind}'><div><strong>{text(word)}</strong>{text(sentence)}</div></div></div>\n</header>"
    )


def _said(facts: Facts, date: str | None) -> list[tuple[str, str]]:
    """What the case and the rulebook are, line by line."""
    book, limb, scan, shape = facts["rulebook"], facts["limb"], facts["scan"], facts["shape"]
    draft = " (a draft rulebook)" if book["status"] == "draft" else ""
    shaped = f"shaped: {scan['shaping']}" if scan["shaping"] else ""
    over = f"over {_layers(scan['layers'])}" if scan["layers"] else ""
    known = [f"{key} {limb[key]}" for key in ("tissue", "sensation", "circulation", "skin", "volume") if limb[key]]
    ratio = "" if shape["ratio"] is None else f", {shape['ratio']:.2f} distal over proximal circumference"
    return [
        ("Rulebook", f"{book['name']}, revision {book['revision']}{draft}"),
        *([("Date", date)] if date else []),
        ("Captured", ", ".join(word for word in (scan["surface"], shaped, over) if word)),
        ("Worn", _layers(limb["wear"]) or "no liner, no sock"),
        ("Suspension", limb["suspension"] or "not said"),
        ("Limb", ", ".join(known) or "nothing said"),
        ("Shape", f"{shape['class']}{ratio}"),
    ]


def _layers(layers: list[Facts]) -> str:
    return ", ".join(f"{layer['kind']} {layer['thickness_mm']:g} mm" for layer in layers)


def _glance(facts: Facts) -> Html:
    volume, end = facts["volume"], facts["end"]
    below = [
        *("net volume, ", signed(volume["change_percent"]), " % of ", number(volume["before_ml"], 0)),
        *(" ml below level ", number(volume["plane_level_mm"], 0), " mm"),
    ]
    tiles = [
        (Html(f"{signed(volume['change_ml'])} ml"), join(below)),
        _extreme(facts["extremes"]["build_up"], "largest build-up", "+"),
        _extreme(facts["extremes"]["reduction"], "largest reduction", "\u2212"),
    ]
    if end is not None:
        words = "end lengthened" if end["kind"] == "lengthen" else "end padded"
        tiles.append(
            (Html(f"{signed(end['achieved_mm'])} mm"), text(f"{words}, from level {end['from_level_mm']:.0f} mm on"))
        )
    brim = facts["brim"]
    if brim is not None and brim["flare"] is not None:
        flare = brim["flare"]
        where = "all round" if flare["where"] == "all" else flare["where"]
        said = f"brim flared out over {flare['over_mm']:.0f} mm, {where}"
        tiles.append((Html(f"{number(flare['out_mm'])} mm"), text(said)))
    return Html("<ul class='glance'>" + "".join(f"<li><b>{a}</b><span>{b}</span></li>" for a, b in tiles) + "</ul>\n")


def _extreme(found: Facts | None, words: str, sign: str) -> tuple[Html, Html]:
    if found is None:
        return Html("none"), text(words)
    where = [f"{words}: {found['region'] or 'no region'}, level ", number(found["level_mm"], 0), " mm, "]
    where.append(degrees(found["angle_deg"]))
    if found["overall_and_end_mm"] >= _WORTH_A_WORD_MM:
        where.append(f"; {found['overall_and_end_mm']:.1f} mm of it overall and end")
    return Html(f"{sign}{number(found['amount_mm'])} mm"), join(where)


def _navigation(*, with_sections: bool) -> Html:
    shown = [(name, words) for name, words in _LINKS if with_sections or name != "sections"]
    links = "".join(f"<li><a href='#{name}'>{text(words)}</a></li>" for name, words in shown)
    return Html(f"<nav aria-label='Parts of this report'><ul>{links}</ul></nav>")


def _look(facts: Facts) -> Html:
    first = [w for w in facts["warnings"] if w["severity"] != "note"]
    found = warning_list(first) if first else Html("<p class='calm'>Nothing was found that needs a look.</p>")
    cautions = listed([Html(f"<strong>{text(_CAUTION)}</strong>"), *facts["cautions"]], "cautions")
    return section(
        "look",
        "What needs a look, and cautions",
        Html(f"<div class='two'><div>{found}</div><div><h3>Cautions</h3>{cautions}</div></div>"),
    )


def _footer(facts: Facts, date: str | None) -> Html:
    program = facts["program"]
    made = f"{facts['case']}{', ' + date if date else ''}. Made by {program['name']} {program['version']}."
    return Html(
        f"<footer><p><strong>{text(_CAUTION)}</strong> {text(_CLOSING)}</p>"
        f"<p>{text(made)} The same facts stand in change-report.json.</p></footer>"
    )
