"""The rulebook room: YAML rule files, read, checked with line numbers, inherited, resolved for one limb."""

from __future__ import annotations

from rectify.rulebook.checks import Finding, check_rulebook
from rectify.rulebook.describe import Description, describe
from rectify.rulebook.facts import FACT_WORDS, Facts, Layer, TapeValue
from rectify.rulebook.load import Rulebook, is_resolved, list_rulebooks, load_rulebook
from rectify.rulebook.plan import Plan
from rectify.rulebook.resolve import resolve
from rectify.rulebook.schema import rulebook_schema
from rectify.rulebook.tuning import Tuning, read_tune
from rectify.rulebook.write import plan_digest, plan_from_yaml, plan_to_yaml, read_plan

__all__ = [
    "FACT_WORDS",
    "Description",
    "Facts",
    "Finding",
    "Layer",
    "Plan",
    "Rulebook",
    "TapeValue",
    "Tuning",
    "check_rulebook",
    "describe",
    "is_resolved",
    "list_rulebooks",
    "load_rulebook",
    "plan_digest",
    "plan_from_yaml",
    "plan_to_yaml",
    "read_plan",
    "read_tune",
    "resolve",
    "rulebook_schema",
]
