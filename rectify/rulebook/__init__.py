"""The rulebook room: YAML rule files, read, checked with line numbers, inherited, resolved for one limb."""

from __future__ import annotations

from rectify.rulebook.facts import FACT_WORDS, Facts, Layer, TapeValue
from rectify.rulebook.load import Rulebook, is_resolved, list_rulebooks, load_rulebook
from rectify.rulebook.plan import Plan
from rectify.rulebook.resolve import resolve
from rectify.rulebook.tuning import Tuning, read_tune
from rectify.rulebook.write import plan_digest, plan_to_yaml, read_plan

__all__ = [
    "FACT_WORDS",
    "Facts",
    "Layer",
    "Plan",
    "Rulebook",
    "TapeValue",
    "Tuning",
    "is_resolved",
    "list_rulebooks",
    "load_rulebook",
    "plan_digest",
    "plan_to_yaml",
    "read_plan",
    "read_tune",
    "resolve",
]
