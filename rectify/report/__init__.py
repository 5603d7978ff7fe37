"""What goes to a person: the facts of a change as plain data, their schema, and a page to read and print."""

from __future__ import annotations

from rectify.report.facts import change_facts, measure_facts, to_json
from rectify.report.page import change_page
from rectify.report.schema import report_schema

__all__ = ["change_facts", "change_page", "measure_facts", "report_schema", "to_json"]
