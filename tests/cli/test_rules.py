"""`rectify rules`: list, show, check, schema."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import pytest
import yaml

from rectify.data import rules_folder
from tests.cli.conftest import Run

PTB = "transtibial-patellar-tendon-bearing"
SHIPPED = sorted(p.stem for p in rules_folder().glob("*.yaml") if p.stem != "evidence")


def test_list_names_every_shipped_rulebook_with_its_status(run: Run) -> None:
    ended = run("rules", "list")
    assert ended.code == 0 and ended.err == ""
    rows = {line.split()[0]: line.split() for line in ended.out.splitlines()[1:]}
    assert sorted(rows) == SHIPPED
    for name in SHIPPED:
        says = yaml.safe_load((rules_folder() / f"{name}.yaml").read_text())
        assert rows[name][1:4] == [str(says["revision"]), says["status"], rows[name][3]]


def test_list_as_json(run: Run) -> None:
    told = run("rules", "list", "--json").json
    assert [entry["rulebook"] for entry in told["rulebooks"]] == SHIPPED
    assert all(len(entry["sha256"]) == 64 for entry in told["rulebooks"])


@pytest.mark.parametrize("name", SHIPPED)
def test_show_tells_every_region_with_its_reason(run: Run, name: str) -> None:
    ended = run("rules", "show", name)
    assert ended.code == 0 and ended.err == ""
    told = run("rules", "show", name, "--json").json
    assert told["key"] == name
    for region in told["regions"]:
        assert region["name"] in ended.out and region["amount"] in ended.out
        assert " ".join(region["why"].split()) in " ".join(ended.out.split())
    assert max(map(len, ended.out.splitlines())) < 160


def test_show_takes_a_file_as_well_as_a_name(run: Run) -> None:
    ended = run("rules", "show", rules_folder() / f"{PTB}.yaml")
    assert ended.code == 0 and ended.out.startswith("Transtibial, patellar-tendon-bearing\n")


def test_show_of_an_unknown_name_offers_the_nearest(run: Run) -> None:
    ended = run("rules", "show", "transtibial-patelar-tendon-bearing", "--json")
    assert ended.code == 2 and f"did you mean {PTB}?" in ended.err
    assert ended.json["error"]["kind"] == "FileError"


def test_check_passes_every_shipped_rulebook(run: Run) -> None:
    ended = run("rules", "check", *sorted(rules_folder().glob("*.yaml")))
    assert ended.code == 0
    assert [line.split(":")[1].split(",")[0] for line in ended.out.splitlines()] == [" good"] * len(SHIPPED)
    assert "evidence.yaml: the list of sources, not a rulebook" in ended.err


FAULTY = """\
format: 1
name: Faulty
amputation: transtibial
status: usable
revision: 1
regions:
  bar:
    action: reduce
    amount: 3
    at: mid-patellar-tendn
    shape: {oval: 30 mm}
    feather: -3 mm
    colour: red
"""


def test_check_tells_all_faults_of_a_file_with_their_lines_and_reads_the_next_file_too(
    run: Run, tmp_path: Path
) -> None:
    (tmp_path / "faulty.yaml").write_text(FAULTY)
    good = rules_folder() / f"{PTB}.yaml"
    ended = run("rules", "check", "faulty.yaml", good)
    assert ended.code == 2 and ended.out == f"{good}: good, 14 regions, usable, for transtibial\n"
    for line, key in ((9, "amount"), (10, "at"), (12, "feather"), (13, "colour")):
        assert f"faulty.yaml:{line}  regions.bar.{key}: " in ended.err
    assert "did you mean mid-patellar-tendon?" in ended.err


def test_check_as_json_has_every_fault_with_line_and_key(run: Run, tmp_path: Path) -> None:
    (tmp_path / "faulty.yaml").write_text(FAULTY)
    ended = run("rules", "check", "faulty.yaml", rules_folder() / f"{PTB}.yaml", "--json")
    assert ended.code == 2 and ended.json["exit_code"] == 2
    faulty, good = ended.json["files"]
    assert (faulty["good"], good["good"]) == (False, True)
    assert {(f["line"], f["key"]) for f in faulty["error"]["faults"]} >= {
        (9, "regions.bar.amount"),
        (12, "regions.bar.feather"),
        (13, "regions.bar.colour"),
    }


def test_the_schema_is_a_schema_and_takes_the_shipped_rulebooks(run: Run) -> None:
    schema = run("rules", "schema").json
    jsonschema.Draft202012Validator.check_schema(schema)
    for name in SHIPPED:
        jsonschema.validate(yaml.safe_load((rules_folder() / f"{name}.yaml").read_text()), schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(yaml.safe_load(FAULTY), schema)


def test_the_schema_of_the_report_can_be_had_too(run: Run) -> None:
    jsonschema.Draft202012Validator.check_schema(run("rules", "schema", "--of", "report").json)
