"""`rectify measure`: the limb's measures, against the tape and against another program's sections."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh

import rectify
from tests.cli.conftest import Run


def test_measure_prints_levels_lengths_and_the_tape_and_writes_nothing(
    run: Run, demo_case: Path, tmp_path: Path
) -> None:
    before = sorted(tmp_path.rglob("*"))
    ended = run("measure", demo_case)
    assert ended.code == 0 and sorted(tmp_path.rglob("*")) == before
    for word in ("RB-101, left transtibial", "level mm  circumference", "length mm", "distal-end", "tape mm", "agrees"):
        assert word in ended.out


def test_measures_agree_with_sections_by_trimesh(run: Run, demo_case: Path) -> None:
    told = run("measure", demo_case, "--json").json
    limb = rectify.open_case(demo_case).captured
    solid = trimesh.Trimesh(limb.mesh.vertices, limb.mesh.faces, process=False)
    rows = [row for row in told["levels"] if row["circumference_mm"] is not None]
    assert len(rows) > 10
    for row in rows[::3]:
        path = solid.section(plane_origin=[0, 0, -row["level_mm"]], plane_normal=[0, 0, 1])
        points = path.vertices[:, :2]
        hull = shapely.convex_hull(shapely.multipoints(points))
        assert row["circumference_mm"] == pytest.approx(hull.length, abs=1e-3)  # the printed decimals
        assert row["ap_mm"] == pytest.approx(np.ptp(points[:, 1]), abs=1e-3)
        assert row["ml_mm"] == pytest.approx(np.ptp(points[:, 0]), abs=1e-3)


def test_the_step_between_levels_may_be_chosen(run: Run, demo_case: Path) -> None:
    levels = [row["level_mm"] for row in run("measure", demo_case, "--step", "25", "--json").json["levels"]]
    assert levels == [level for level in np.arange(-200.0, 400.0, 25.0) if levels[0] <= level <= levels[-1]]


@pytest.mark.parametrize("step", ["0.5", "101", "nan", "-3", "inf"])
def test_a_step_that_makes_no_sense_is_refused(run: Run, demo_case: Path, step: str) -> None:
    ended = run("measure", demo_case, "--step", step)
    assert ended.code == 2 and "is not 1 to 100 mm" in ended.err


def test_a_tape_that_disagrees_is_said(run: Run, demo_case: Path) -> None:
    file = demo_case / "case.yaml"
    text = file.read_text()
    assert "value: 363 mm" in text
    file.write_text(text.replace("value: 363 mm", "value: 320 mm"))
    ended = run("measure", demo_case)
    assert ended.code == 0 and "DISAGREES" in ended.out
    assert "look: circumference at mid-patellar-tendon: the tape says 320 mm" in ended.err


def test_a_tape_that_lies_all_one_way_is_told_with_what_that_is_as_much_as(run: Run, demo_case: Path) -> None:
    file = demo_case / "case.yaml"
    text = file.read_text()
    for value in (363, 364, 339):  # 2 pi times 5.1 mm, as a 6 mm liner lies out when it is donned
        assert f"value: {value} mm" in text
        text = text.replace(f"value: {value} mm", f"value: {value - 32} mm")
    file.write_text(text)
    ended = run("measure", demo_case)
    assert ended.code == 0 and ended.out.count("DISAGREES") == 3
    assert "all 3 circumferences of the capture are larger than the tape's, by 31." in ended.err
    assert "as much as a 6 mm liner that the case does not declare" in ended.err


def test_levels_that_a_clinic_records_stand_in_a_table_of_their_own(run: Run, demo_case: Path) -> None:
    rows = {row["name"]: row for row in run("measure", demo_case, "--json").json["references"]}
    assert next(iter(rows)) == "proximal" and list(rows)[-1] == "distal-end"
    assert rows["mid-patellar-tendon"]["level_mm"] == 0.0 and rows["distal-end"]["circumference_mm"] is None
    assert "reference level" in run("measure", demo_case).out
