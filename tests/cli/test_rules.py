"""`rectify rules`: list, show, check, schema."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import pytest
import yaml

from rectify.data import demo_folder, rules_folder
from tests.cli.conftest import Run

PTB, TSB = "transtibial-patellar-tendon-bearing", "transtibial-total-surface-bearing"
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


# -- the picture, and what amounts rest on -----------------------------------------------------------


def test_show_draws_the_limb_laid_flat(run: Run, tmp_path: Path) -> None:
    picture = tmp_path / "map.png"
    ended = run("rules", "show", PTB, "--picture", picture)
    assert ended.code == 0 and "generated transtibial limb" in ended.err
    assert picture.read_bytes().startswith(b"\x89PNG\r\n")
    again = run("rules", "show", PTB, "--picture", picture)
    assert again.code == 2 and "is there already" in again.err
    for bad, said in (("map.jpg", "ends in .png"), ("nowhere/map.png", "has no folder")):
        ended = run("rules", "show", PTB, "--picture", tmp_path / bad, "--json")
        assert ended.code == 2 and said in ended.err and not (tmp_path / bad).exists()


def test_show_for_a_case_lists_regions_from_proximal_to_distal_with_their_side(run: Run, tmp_path: Path) -> None:
    case, picture = demo_folder() / "RB-102", tmp_path / "case.png"
    ended = run("rules", "show", PTB, "--case", case, "--picture", picture)
    assert ended.code == 0 and picture.stat().st_size > 10_000
    lines = ended.out.splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("REGIONS")) + 2
    rows = [line.split() for line in lines[start : start + 14]]
    levels = [float(next(word for word in row[5:] if word.lstrip("-").isdigit())) for row in rows]
    assert levels == sorted(levels) and len(levels) == 14
    sides = {row[0]: " ".join(row) for row in rows}
    assert " anterior " in sides["patellar-tendon"] and " lateral " in sides["fibular-head"]
    assert " +1.00 " in sides["fibular-head"] and " 3.0-6.0 " in sides["fibular-head"]


def test_show_says_on_what_the_amounts_rest(run: Run, tmp_path: Path) -> None:
    told = run("rules", "show", TSB, "--json").json["standing"]
    assert (told["amounts"], told["with_source"]) == (9, 1)
    by_key = {source["key"]: source for source in told["sources"]}
    assert by_key["jasken-2018"]["sure"] == "read-text" and "Jasken J" in by_key["jasken-2018"]["citation"]
    ended = run("rules", "show", TSB)
    assert "Of 9 amounts 1 rest on a source" in ended.out and "(read in its text)" in ended.out
    none = run("rules", "show", PTB).out
    assert "Of 15 amounts 0 rest on a source" in none
    # a folder's own list counts too
    (tmp_path / "evidence.yaml").write_text(
        "format: 1\nsources:\n  ours:\n    citation: Forty of our own models, measured\n"
        "    says: 4.8 mm.\n    sure: computed\n"
    )
    (tmp_path / "ours.yaml").write_text(
        f"format: 1\nextends: {PTB}\nname: Ours\nstatus: draft\nrevision: 1\n"
        "regions:\n  patellar-tendon: {amount: 4.8 mm, evidence: ours}\n"
    )
    ours = run("rules", "show", tmp_path / "ours.yaml").out
    assert "Of 15 amounts 1 rest on a source" in ours and "Forty of our own models" in ours
