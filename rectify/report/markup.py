"""Pieces of a page: text that is safe to show, numbers as people read them, tables with named rows and columns.

Whatever comes from a file passes through `text`; only `Html` is taken as it stands.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

__all__ = ["NONE", "Column", "Html", "degrees", "join", "listed", "number", "section", "signed", "table", "text"]


class Html(str):
    """A piece of page that is markup already."""

    __slots__ = ()


NONE = Html("<span class='none'>\u2013</span>")


def text(value: object) -> Html:
    """Anything as text in a page, escaped; Html passes, None is a dash."""
    if isinstance(value, Html):
        return value
    return NONE if value is None or value == "" else Html(html.escape(str(value), quote=True))


def join(parts: Iterable[object], between: str = "") -> Html:
    """Pieces one after the other, each escaped unless it is markup."""
    return Html(Html(between).join(text(part) for part in parts))


def number(value: float | None, decimals: int = 1) -> Html:
    """A number with its decimals, a true minus sign, a dash for None.

    Examples
    --------
    >>> number(-3.14159, 2), number(-0.04), number(2)
    ('−3.14', '0.0', '2.0')
    """
    if value is None:
        return NONE
    shown = f"{value:.{decimals}f}"
    if float(shown) == 0.0:
        shown = shown.lstrip("-")
    return Html(shown.replace("-", "\u2212"))


def signed(value: float | None, decimals: int = 1) -> Html:
    """The same with a plus before what is above zero.

    Examples
    --------
    >>> signed(1.0), signed(-1.0), signed(0.0)
    ('+1.0', '−1.0', '0.0')
    """
    shown = number(value, decimals)
    return Html("+" + shown) if value is not None and value > 0 and float(shown) > 0 else shown


def degrees(angle: float) -> Html:
    """An angle in whole degrees from 0 to 359.

    Examples
    --------
    >>> degrees(359.7), degrees(90.2)
    ('0°', '90°')
    """
    return Html(f"{round(angle) % 360}°")


def listed(items: Iterable[object], kind: str = "") -> Html:
    """A bulleted list."""
    return Html(f"<ul class='{kind}'>" + "".join(f"<li>{text(item)}</li>" for item in items) + "</ul>")


def section(name: str, heading: str, *parts: object) -> Html:
    """A part of the page under a heading that can be linked to."""
    body = "\n".join(text(part) for part in parts if part)
    head = f"<section id='{name}' aria-labelledby='{name}-h'>\n<h2 id='{name}-h'>{text(heading)}</h2>"
    return Html(f"{head}\n{body}\n</section>\n")


@dataclass(frozen=True)
class Column:
    """A column: its heading, its unit, whether it holds numbers."""

    heading: str
    unit: str = ""
    numbers: bool = True


def table(caption: str, columns: Sequence[Column], rows: Iterable[Sequence[object]], kind: str = "") -> Html:
    """A table whose first column names the rows; wide ones scroll by themselves, also by keyboard."""
    head = "".join(
        f"<th scope='col'{_number_class(c)}>{text(c.heading)}{f'<small>{text(c.unit)}</small>' if c.unit else ''}</th>"
        for c in columns
    )
    body = "\n".join(_row(columns, row) for row in rows)
    label = text(caption)
    return Html(
        f"<div class='wide' role='region' aria-label=\"{label}\" tabindex='0'><table class='{kind}'>\n"
        f"<caption>{label}</caption>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{body}\n</tbody></table></div>"
    )


def _number_class(column: Column) -> str:
    return " class='n'" if column.numbers else ""


def _row(columns: Sequence[Column], row: Sequence[object]) -> str:
    first, *rest = row
    if len(rest) == 1 and len(columns) > 2:
        cells = f"<td colspan='{len(columns) - 1}' class='said'>{text(rest[0])}</td>"
    else:
        cells = "".join(f"<td{_number_class(c)}>{text(v)}</td>" for c, v in zip(columns[1:], rest, strict=True))
    return f"<tr><th scope='row'{_number_class(columns[0])}>{text(first)}</th>{cells}</tr>"
