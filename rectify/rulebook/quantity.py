"""Values with their units, as a rulebook writes them: `6 mm`, `1/4 in`, `12 % of radius`, `+1 mm`, `45 deg`.

A quantity keeps the text it was written as. Lengths are mm from here on. Whatever lacks its unit, its sign
where one is asked for, or has one where none may be, is refused with a hint that says what to write.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from rectify.rulebook.words import Wrong, shown

__all__ = ["UNITS", "Kind", "Quantity", "QuantityError", "parse_quantity", "show_mm", "show_percent"]

Kind = Literal["length", "percent", "radius", "limb", "angle"]
Sign = Literal["none", "required", "any"]

MM_PER = {"mm": 1.0, "cm": 10.0, "in": 25.4, "inch": 25.4, "inches": 25.4}
LONGEST_MM = 2000.0  # longer than any limb: a slip of unit
_NUMBER = r"(?:\d+ +\d+/\d+|\d+/\d+|\d+(?:\.\d*)?(?:[eE][-+]?\d+)?|\.\d+(?:[eE][-+]?\d+)?)"
_PATTERN = re.compile(rf"([-+\u2212]?)\s*({_NUMBER})\s*(.*)", re.DOTALL)
_WANTED: dict[Kind, str] = {
    "length": "a length with its unit, like 6 mm, 0.5 cm or 1/4 in",
    "percent": "a percentage, like 3 %",
    "radius": "a share of the local radius, like 12 % of radius",
    "limb": "a share of the limb's length, like 50 % of limb",
    "angle": "an angle, like 45 deg",
}
UNITS: dict[Kind, str] = {
    "length": "mm",
    "percent": "%",
    "radius": "% of radius",
    "limb": "% of limb",
    "angle": "deg",
}


class QuantityError(Wrong):
    """A value that is no quantity of the kind wanted."""


@dataclass(frozen=True)
class Quantity:
    """A number of mm, percent or degrees, by kind; `text` is how it was written. A share may be held to bounds, mm."""

    value: float
    kind: Kind
    text: str
    least_mm: float | None = None
    most_mm: float | None = None

    def mm(self, radius_mm: float, limb_mm: float = math.nan) -> float:
        """As a length: a share of radius needs the mean radius there, a share of the limb its length, mm."""
        if self.kind not in ("radius", "limb"):
            return self.value
        value = self.value * (radius_mm if self.kind == "radius" else limb_mm) / 100.0
        low = -math.inf if self.least_mm is None else self.least_mm
        return min(max(value, low), math.inf if self.most_mm is None else self.most_mm)

    def __str__(self) -> str:
        return self.text


def parse_quantity(
    raw: object, *kinds: Kind, sign: Sign = "none", least: float | None = None, most: float | None = None
) -> Quantity:
    """Read one quantity of one of the kinds asked for.

    Parameters
    ----------
    raw : what the file holds; only text can carry a unit
    kinds : which kinds will do, the usual first
    sign : none (a sign is refused), required (must be there), any
    least, most : bounds of the value, inclusive, in mm, percent or degrees

    Raises
    ------
    QuantityError

    Examples
    --------
    >>> round(parse_quantity("1 1/2 in", "length").value, 9)
    38.1
    >>> parse_quantity("12 % of radius", "length", "radius").mm(50.0)
    6.0
    """
    wanted = " or ".join(_WANTED[kind] for kind in kinds)
    if isinstance(raw, bool) or not isinstance(raw, str | int | float):
        raise QuantityError(f"is {shown(raw)}", wanted=wanted)
    text = str(raw).strip()
    mark, number, unit = _split(text, kinds, wanted)
    kind = _kind_of(unit.strip(), kinds)
    if kind is None:
        raise QuantityError(f"is {text!r}", wanted=wanted, hint=_unit_hint(unit, kinds))
    value = _number(number, text, wanted)
    if kind == "length":
        value *= MM_PER[unit.strip().lower()]
    value = -value if mark in ("-", "\u2212") else value
    _check_sign(text, mark, sign)
    _check_bounds(text, value, kind, least, most)
    return Quantity(value, kind, text)


def show_mm(value: float) -> str:
    """A length for people: at most two decimals, no trailing zeros.

    Examples
    --------
    >>> show_mm(6.0), show_mm(2.604), show_mm(-0.0)
    ('6 mm', '2.6 mm', '0 mm')
    """
    return f"{_trim(value)} mm"


def show_percent(value: float) -> str:
    """A percentage for people.

    Examples
    --------
    >>> show_percent(9.75)
    '9.75 %'
    """
    return f"{_trim(value)} %"


def _trim(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _split(text: str, kinds: tuple[Kind, ...], wanted: str) -> tuple[str, str, str]:
    match = _PATTERN.fullmatch(text)
    if match is None or len(text) > 60:
        raise QuantityError(f"is {text[:60]!r}", wanted=wanted)
    mark, number, unit = match.groups()
    if not unit.strip():
        raise QuantityError(
            f"is {text} without a unit",
            wanted=wanted,
            hint=f"write {text} {UNITS[kinds[0]]}, if that is meant",
        )
    if re.match(r",\d", unit):
        raise QuantityError(f"is {text!r}", wanted=wanted, hint=f"write a point, not a comma: {text.replace(',', '.')}")
    return mark, number, unit


def _kind_of(unit: str, kinds: tuple[Kind, ...]) -> Kind | None:
    low = unit.lower()
    if "length" in kinds and low in MM_PER:
        return "length"
    if "percent" in kinds and low in ("%", "percent"):
        return "percent"
    share = re.fullmatch(r"(%|percent)\s+of\s+(radius|limb)", low)
    if share is not None and share[2] in kinds:
        return "radius" if share[2] == "radius" else "limb"
    if "angle" in kinds and low in ("deg", "°", "degrees"):
        return "angle"
    return None


def _unit_hint(unit: str, kinds: tuple[Kind, ...]) -> str:
    low = unit.strip().lower()
    if low in ("%", "percent") and ("radius" in kinds or "limb" in kinds):
        return f"say of what: {'% of radius' if 'radius' in kinds else '% of limb'}"
    if low in ("m", "metre", "meter", "µm", "um"):
        return "lengths are written in mm, cm or in"
    units = UNITS | {"length": "mm, cm or in"}
    return f"units here: {', '.join(units[kind] for kind in kinds)}"


def _number(number: str, text: str, wanted: str) -> float:
    whole, slash, below = number.rpartition("/")[0], "/" in number, number.rpartition("/")[2]
    if not slash:
        value = float(number)
    else:
        parts = whole.split()
        if int(below) == 0:
            raise QuantityError(f"is {text!r}, which divides by zero", wanted=wanted)
        value = (int(parts[0]) if len(parts) == 2 else 0) + int(parts[-1]) / int(below)
    if not math.isfinite(value):
        raise QuantityError(f"is {text!r}, which is not finite", wanted=wanted)
    return value


def _check_sign(text: str, mark: str, sign: Sign) -> None:
    if sign == "required" and not mark:
        raise QuantityError(f"is {text}, and does not say which way", wanted=f"+{text} or -{text}")
    if sign == "none" and mark:
        raise QuantityError(f"is {text}, and takes no sign", hint=f"write {text.lstrip('+-' + chr(0x2212)).strip()}")


def _check_bounds(text: str, value: float, kind: Kind, least: float | None, most: float | None) -> None:
    unit = UNITS[kind]
    if kind == "length":
        most = LONGEST_MM if most is None else most
        least = -LONGEST_MM if least is None else least
    if least is not None and value < least:
        raise QuantityError(f"is {text}, must be {_trim(least)} {unit} or more")
    if most is not None and value > most:
        raise QuantityError(f"is {text}, must be {_trim(most)} {unit} or less")
