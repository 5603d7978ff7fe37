"""What goes to a person: the facts of a change as plain data, their schema, and a page to read and print.

Names are loaded when they are first used: a pipeline that wants the facts does not wait for the page's pictures.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rectify.lazily import from_homes

if TYPE_CHECKING:
    from rectify.report.facts import change_facts, measure_facts, to_json
    from rectify.report.page import change_page
    from rectify.report.schema import report_schema

__all__ = ["change_facts", "change_page", "measure_facts", "report_schema", "to_json"]

__getattr__ = from_homes(
    __name__,
    {
        "change_facts": "facts",
        "change_page": "page",
        "measure_facts": "facts",
        "report_schema": "schema",
        "to_json": "facts",
    },
)
