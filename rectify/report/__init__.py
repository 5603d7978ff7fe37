"""What goes to a person: the facts of a change as plain data, their schema, and a page to read and print.

Names are loaded when they are first used: a pipeline that wants the facts does not wait for the page's pictures.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rectify.report.facts import change_facts, measure_facts, to_json
    from rectify.report.page import change_page
    from rectify.report.schema import report_schema

__all__ = ["change_facts", "change_page", "measure_facts", "report_schema", "to_json"]

_HOME = {
    "change_facts": "rectify.report.facts",
    "change_page": "rectify.report.page",
    "measure_facts": "rectify.report.facts",
    "report_schema": "rectify.report.schema",
    "to_json": "rectify.report.facts",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'rectify.report' has no attribute {name!r}")
    import importlib

    return getattr(importlib.import_module(_HOME[name]), name)
