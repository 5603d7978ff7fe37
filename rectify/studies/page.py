"""A comparison as one page to read and to print, of the same kind as the change report: everything inside.

It says what the facts say and shows the pictures; it works out no geometry. What comes from files is escaped.
"""

from __future__ import annotations

from typing import Any

from rectify.report.look import style
from rectify.report.markup import Html, degrees, join, number, section, signed, text
from rectify.report.page_parts import warning_list
from rectify.studies import page_tables as tables
from rectify.studies.comparison import Comparison
from rectify.studies.page_view import view_section
from rectify.studies.pictures import map_section, sides_section
from rectify.viewer import joined_script, script_digest

__all__ = ["comparison_page"]

Facts = dict[str, Any]

_CAUTION = "Figures for the licensed practitioner responsible. They do not say which of the two is better, or fits."
_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
_KINDS = {"result": "rectified model", "case": "capture", "model": "model", "report": "report only"}


def comparison_page(made: Comparison, date: str | None = None) -> str:
    """The page as HTML text.

    Parameters
    ----------
    date : str, optional
        To be printed on it, as given.
    """
    facts = made.facts
    names = f"{facts['before']['name']} and {facts['after']['name']}"
    view, look = Html(""), _look(facts)
    parts: list[tuple[str, str, Html]] = []
    if made.shapes is not None:
        s, view = facts["shapes"], view_section(made.shapes, facts)
        parts += [
            ("beside", "How much it is", tables.beside_section(facts)),
            ("sides", "Sides", sides_section(made.shapes)),
            ("map", "Map", map_section(made.shapes, s)),
            ("places", "Places", tables.places_section(s)),
            ("regions", "Regions", tables.regions_section(s)),
            ("levels", "Levels", tables.levels_section(s)),
            ("alignment", "Alignment", tables.alignment_section(s)),
        ]
    if facts["plans"] is not None:
        parts.append(("plans", "Plans", tables.plans_section(facts["plans"])))
    if facts["reports"] is not None:
        parts.append(("reports", "Reports", tables.reports_section(facts["reports"])))
    parts.append(("made", "What was compared", tables.made_section(facts)))
    parts = [part for part in parts if part[2]]
    first = [("look", "To look at", look), *([("view", "In three dimensions", view)] if view else [])]
    links = "".join(f"<li><a href='#{name}'>{text(words)}</a></li>" for name, words, _ in (*first, *parts))
    script = joined_script("report") if view else ""
    policy = _POLICY + (f"; script-src '{script_digest(script)}'" if script else "")
    body = [
        _header(facts, date),
        "<main id='main'>",
        f"<nav aria-label='Parts of this comparison'><ul>{links}</ul></nav>",
        *(["<div class='first'>"] if view else []),
        "<div class='gist'>",
        _glance(facts["shapes"]),
        look,
        "</div>",
        *([view, "</div>"] if view else []),
        *(html for _, _, html in parts),
        "</main>",
        _footer(facts, date),
        *([Html(f"<script>{script}</script>")] if script else []),
    ]
    return (
        "<!DOCTYPE html>\n<html lang='en'>\n<head>\n<meta charset='utf-8'>\n"
        "<meta name='viewport' content='width=device-width, initial-scale=1'>\n"
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        f"<title>{text(names)}: comparison</title>\n<style>{style('comparison: ' + names)}</style>\n</head>\n<body>\n"
        "<a class='skip' href='#main'>to the comparison</a>\n" + "\n".join(body) + "\n</body>\n</html>\n"
    )


def _header(facts: Facts, date: str | None) -> Html:
    before, after = facts["before"], facts["after"]
    who = next((v for v in (before, after) if v["case"]), None)
    head = who["case"] if who else "Two models"
    limb = f"{who['side']}, {who['amputation']}" if who else "of a limb that neither names"
    rows = [("Before", _version(before)), ("After", _version(after)), *([("Date", date)] if date else [])]
    said = "".join(f"<div><dt>{text(k)}</dt><dd>{text(v)}</dd></div>" for k, v in rows)
    looks = sum(w["severity"] == "look" for w in facts["warnings"])
    stamp = ""
    if looks:
        words = "before these figures are relied on: see below"
        stamp = f"<div class='stamp draft'><div><strong>LOOK</strong>{text(words)}</div></div>"
    return Html(
        f"<header>\n<div class='top'><div><p class='kind'>Comparison</p><h1>{text(head)}</h1>"
        f"<p class='who'>{text(limb)}</p></div>{stamp}</div>\n<dl class='said'>{said}</dl>\n"
        f"<p><strong>{text(_CAUTION)}</strong></p>\n</header>"
    )


def _version(v: Facts) -> str:
    words = [v["name"], _KINDS[v["kind"]] + (f" of {v['case']}" if v["case"] else ""), v["rulebook"], v["status"]]
    return ", ".join(word for word in words if word)


def _glance(shapes: Facts | None) -> Html:
    if shapes is None:
        return Html("")
    distance, volume = shapes["distance"], shapes["volume"]
    trimmed = volume["below_trimline_ml"] is not None
    below = " below the trimline" if trimmed else ""
    tiles = [
        (Html(f"{signed(distance['mean_mm'], 2)} mm"), text(f"mean distance of AFTER{below}, outward positive")),
        (
            Html(f"{signed(volume['below_trimline_ml'])} ml"),
            join(["volume, ", signed(volume["below_trimline_percent"], 2), " %, below the trimline"]),
        )
        if trimmed
        else (
            Html(f"{signed(volume['change_ml'])} ml"),
            join(
                [
                    "volume, ",
                    signed(volume["change_percent"], 2),
                    " %, below level ",
                    number(volume["plane_level_mm"], 0),
                ]
            ),
        ),
        _extreme(distance["largest_out"], "farthest outside"),
        _extreme(distance["largest_in"], "farthest inside"),
    ]
    return Html("<ul class='glance'>" + "".join(f"<li><b>{a}</b><span>{b}</span></li>" for a, b in tiles) + "</ul>\n")


def _extreme(found: Facts | None, words: str) -> tuple[Html, Html]:
    if found is None:
        return Html("none"), text(words)
    where = ", ".join(found["regions"]) or "no region"
    place = join([f"{words}: {where}, level ", number(found["level_mm"], 0), " mm, ", degrees(found["angle_deg"])])
    return Html(f"{signed(found['amount_mm'])} mm"), place


def _look(facts: Facts) -> Html:
    found = facts["warnings"]
    return section(
        "look",
        "What needs a look, and notes",
        warning_list(found) if found else Html("<p>Nothing was found that needs a look.</p>"),
    )


def _footer(facts: Facts, date: str | None) -> Html:
    program = facts["program"]
    made = f"{'Of ' + date + '. ' if date else ''}Made by {program['name']} {program['version']}."
    return Html(
        f"<footer><p><strong>{text(_CAUTION)}</strong></p>"
        f"<p>{text(made)} The same facts stand in comparison.json.</p></footer>"
    )
