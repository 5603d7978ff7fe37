"""The published schema: every report fits it, and nothing may be missing, added or of another kind."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest

from rectify.report import report_schema
from rectify.synthetic import CASES
from tests import made
from tests.report.conftest import Write, demo, patches, released, reported, write_case

SCHEMA = report_schema()
CHECK = jsonschema.Draft202012Validator(SCHEMA)
Path = tuple[str | int, ...]


def faults(facts: Any) -> list[str]:
    return [f"{'.'.join(map(str, e.absolute_path))}: {e.message}" for e in CHECK.iter_errors(facts)]


def objects(value: Any, path: Path = ()) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Every object of a report, with the way to it."""
    if isinstance(value, dict):
        yield path, value
        for key, inner in value.items():
            yield from objects(inner, (*path, key))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from objects(inner, (*path, i))


def at(facts: Any, path: Path) -> Any:
    for key in path:
        facts = facts[key]
    return facts


@pytest.fixture(scope="module")
def facts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """A report with something under every key."""
    case = write_case(tmp_path_factory.mktemp("cases"), "tape: [{measure: ap, at: mid-patellar-tendon, value: 100 mm}]")
    return reported(case, patches())[0]


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"].endswith("2020-12/schema")


@pytest.mark.parametrize("code", [case.code for case in CASES])
def test_every_demo_cases_report_fits(code: str) -> None:
    assert faults(demo(code).report) == []


def test_reports_of_plans_written_by_hand_fit(write: Write) -> None:
    case = write("tape: [{measure: ap, at: mid-patellar-tendon, value: 100 mm}]", marks="fibular-head: absent\n")
    assert faults(reported(case, patches(), released())[0]) == []
    assert faults(reported(case, made.plan())[0]) == []


def test_every_missing_key_is_a_fault(facts: dict[str, Any]) -> None:
    kinds = {tuple(k if isinstance(k, str) else 0 for k in path): path for path, _ in objects(facts)}
    removed = 0
    for path in kinds.values():
        if path in (("regions",), ("landmarks",)) or path[:1] == ("tune",):
            continue  # their keys are names, or what somebody wrote
        for key in at(facts, path):
            less = copy.deepcopy(facts)
            del at(less, path)[key]
            assert faults(less), f"{path} without {key} still fits"
            removed += 1
    assert removed > 150


def test_every_added_key_is_a_fault(facts: dict[str, Any]) -> None:
    for path, _ in objects(facts):
        if path not in (("regions",), ("landmarks",)) and path[:1] != ("tune",):
            more = copy.deepcopy(facts)
            at(more, path)["surprise"] = 1
            assert faults(more), f"{path} takes a key that nobody knows"


@pytest.mark.parametrize(
    ("path", "wrong"),
    [
        (("status",), "final"),
        (("format",), 2),
        (("regions", "front", "asked_mm"), "4 mm"),
        (("regions", "front", "asked_mm"), -4.0),
        (("regions", "front", "core_xyz"), [1.0, 2.0]),
        (("regions", "front", "action"), "added"),
        (("checks", "frame"), [[1.0, 0.0, 0.0, 0.0]]),
        (("checks", "bodies"), 1.5),
        (("volume", "before_ml"), None),
        (("rulebook", "sha256"), "abc"),
    ],
)
def test_a_wrong_kind_of_value_is_a_fault(facts: dict[str, Any], path: Path, wrong: Any) -> None:
    other = copy.deepcopy(facts)
    at(other, path[:-1])[path[-1]] = wrong
    assert len(faults(other)) >= 1


def test_the_facts_stand_in_the_schemas_order() -> None:
    facts = demo("RB-102").report
    assert list(facts) == list(SCHEMA["properties"])
    region = SCHEMA["properties"]["regions"]["additionalProperties"]["properties"]
    assert list(facts["regions"]["popliteal"]) == list(region)


def test_every_number_says_its_unit_or_what_it_is() -> None:
    def numbers(schema: Any, key: str = "") -> Iterator[tuple[str, str]]:
        if isinstance(schema, dict):
            if "number" in ([schema["type"]] if isinstance(schema.get("type"), str) else schema.get("type", [])):
                yield key, schema.get("description", "")
            for name, inner in schema.items():
                yield from numbers(inner, key if name in ("items", "anyOf", "properties", "prefixItems") else name)
        elif isinstance(schema, list):
            for inner in schema:
                yield from numbers(inner, key)

    told = list(numbers(SCHEMA))
    assert len(told) > 80
    for key, description in told:
        assert re.search(r"\d decimals", description), key
        if key.endswith(("_mm", "_mm2", "_ml", "_deg", "_percent", "xyz")):
            assert re.match(r"mm|ml|degrees|percent", description), key
