"""The viewer's own files, and its modules put together as one script for a page that must stand alone.

The modules are plain ES modules, served one by one to a browser that can fetch them. A page opened from a disk cannot
import: for it each module becomes a function that gives back what it exports. That asks for imports that each stand
on one line and name what they take, which the modules keep to; anything else is an error here.
"""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from pathlib import Path

__all__ = ["joined_script", "script_digest", "static_folder", "viewer_style"]

_IMPORT = re.compile(r'^import \{ ([^}]+) \} from "\./([a-z_]+)\.js";$', re.MULTILINE)
_EXPORT = re.compile(r"^export (?:async )?(?:function|class|const) (\w+)", re.MULTILINE)
_TAIL = re.compile(r"export\s*\{([^}]*)\};?(?=\s*(?:/\*.*\*/\s*)?\Z)", re.DOTALL)


def static_folder() -> Path:
    """Where the viewer's scripts, its style sheet and the vendored library with its licence lie."""
    return Path(__file__).resolve().parent / "static"


@cache
def viewer_style() -> str:
    """The style sheet of everything that the viewer draws."""
    return (static_folder() / "viewer.css").read_text(encoding="utf-8")


@cache
def joined_script(entry: str) -> str:
    """A module and all it imports as one classic script, every module once.

    Parameters
    ----------
    entry : str
        A module's name without its ending, such as `report`.

    Raises
    ------
    ValueError
        A module imports or exports in a way that cannot be joined.
    """
    order: list[str] = []
    _collect(entry, order, ())
    body = "\n".join(_as_function(name) for name in order)
    return f'(() => {{\n"use strict";\n{body}\n}})();\n'


def script_digest(script: str) -> str:
    """What a content security policy calls an inline script, so that it runs and no other does."""
    return "sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")


def _text(name: str) -> str:
    return (static_folder() / f"{name}.js").read_text(encoding="utf-8")


def _collect(name: str, order: list[str], above: tuple[str, ...]) -> None:
    if name in above:
        raise ValueError(f"{name}.js imports itself by way of {' and '.join(above)}")
    for found in _IMPORT.finditer(_text(name)):
        if found[2] not in order:
            _collect(found[2], order, (*above, name))
    order.append(name)


def _as_function(name: str) -> str:
    """One module as `const m_name = (() => { ...; return { its exports }; })();`."""
    text = _text(name)
    text = _IMPORT.sub(lambda found: f"const {{ {_renamed(found[1], ' as ', ': ')} }} = m_{found[2]};", text)
    names = [f"{found[1]}" for found in _EXPORT.finditer(text)]
    text = re.sub(r"^export (?=(?:async )?(?:function|class|const) )", "", text, flags=re.MULTILINE)
    tail = _TAIL.search(text)
    if tail:
        names += [_exported(part) for part in tail[1].split(",") if part.strip()]
        text = text[: tail.start()] + text[tail.end() :]
    if re.search(r"^\s*(?:import|export)\b", text, re.MULTILINE):
        raise ValueError(f"{name}.js imports or exports in a way that cannot be joined")
    if "</script" in text.lower():
        raise ValueError(f"{name}.js would end the page's script early")
    return f"const m_{name} = (() => {{\n{text}\nreturn {{ {', '.join(names)} }};\n}})();"


def _renamed(names: str, before: str, after: str) -> str:
    return ", ".join(part.strip().replace(before, after) for part in names.split(","))


def _exported(part: str) -> str:
    """`a as B` as `B: a`, `a` as itself."""
    inside, _, outside = part.strip().partition(" as ")
    return f"{outside}: {inside}" if outside else inside
