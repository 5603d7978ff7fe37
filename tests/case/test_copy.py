"""A good socket duplicated: what was captured comes back to the bit, but for what is worn and what tunings change."""

from __future__ import annotations

import numpy as np
import pytest

import rectify
from rectify.case import open_case, release_blockers, write_release
from rectify.errors import CaseError
from rectify.geometry.mesh import Mesh
from rectify.limb.offset import offset_limb
from rectify.synthetic import Transtibial, transtibial
from rectify.synthetic.files import ply_bytes

ORIGIN = ("mid-patellar-tendon",)


@pytest.fixture(scope="module")
def leg():
    return transtibial(Transtibial(edge_mm=4.0, pressed=3.0))


def write(folder, leg, more: str = "", layers: str = "[{liner: 6 mm}, {sock: 1 mm}]", marks=ORIGIN):
    folder.mkdir()
    mesh = Mesh(leg.mesh.vertices, leg.mesh.faces[:, ::-1])  # seen from inside
    (folder / "scan.ply").write_bytes(ply_bytes(mesh))
    lines = [f"{name}: [{', '.join(f'{x:.4f}' for x in leg.landmarks[name])}]" for name in marks]
    (folder / "landmarks.yaml").write_text("\n".join(lines) + "\n")
    (folder / "case.yaml").write_text(
        "format: 1\ncase: RB-903\nside: right\namputation: transtibial\nlandmarks: landmarks.yaml\n"
        f"scan: {{file: scan.ply, units: mm, surface: socket-inside, layers: {layers}}}\n"
        "limb: {tissue: average, sensation: normal, circulation: normal, skin: intact, volume: stable}\n"
        f"rulebook: transtibial-patellar-tendon-bearing\n{more}"
    )
    return open_case(folder)


@pytest.fixture(scope="module")
def plain(leg, tmp_path_factory):
    return rectify.apply(write(tmp_path_factory.mktemp("copy") / "a", leg))


def test_with_the_same_worn_the_copy_is_the_socket_to_the_bit(plain):
    assert np.array_equal(plain.outcome.mesh.vertices, plain.case.captured.mesh.vertices)
    assert plain.plan.regions == () and plain.plan.overall is None and plain.plan.end is None
    report = plain.report
    assert report["scan"]["rectified"] is True and report["regions"] == {}
    assert report["volume"]["change_ml"] == 0.0
    (said,) = [w for w in report["warnings"] if w["code"] == "rectified-already"]
    assert said["severity"] == "note" and said["message"] in report["rulebook"]["conditions"]


def test_a_copy_needs_no_mark_but_its_origin_to_be_released(plain):
    assert release_blockers(plain.case, plain.plan) == ()
    write_release(plain.case, plain.plan, by="KW-cpo", on="2026-11-20")
    again = rectify.apply(open_case(plain.case.folder))
    assert (again.standing.status, again.exit_code) == ("released", 0)


def test_socks_that_are_left_out_of_the_copy_are_taken_up_by_its_shape(leg, tmp_path):
    case = write(tmp_path / "a", leg, "wear: [{liner: 6 mm}]\n")
    result = rectify.apply(case)
    inward = offset_limb(case.captured, -1.0).mesh.vertices
    assert np.array_equal(result.outcome.mesh.vertices, inward)
    told = next(step for step in result.report["capture"] if step["code"] == "offset")
    assert told["message"] == "surface moved 1 mm in: sock 1 mm not worn again"


def test_a_change_moves_its_own_place_and_nothing_else(leg, tmp_path):
    tune = "{by: KW-cpo, on: 2026-11-20, why: too tight behind, regions: {popliteal: {change: -2 mm}}}"
    case = write(tmp_path / "a", leg, f"tune: [{tune}]\n", marks=(*ORIGIN, "popliteal"))
    result = rectify.apply(case)
    before, after = case.captured.mesh.vertices, result.outcome.mesh.vertices
    moved = np.linalg.norm(after - before, axis=1)
    facts = result.report["regions"]["popliteal"]
    assert (facts["action"], facts["rulebook_mm"], facts["change_mm"], facts["asked_mm"]) == ("build-up", 0.0, 2.0, 2.0)
    assert facts["achieved_mm"] == pytest.approx(2.0, abs=0.05)
    assert moved.max() == pytest.approx(2.0, abs=0.05) and result.report["volume"]["change_ml"] > 0
    assert (moved == 0.0).mean() > 0.8 and before[moved > 0, 1].max() < 0.0  # behind the axis only
    # what the change rests on is marked: nothing is estimated
    assert {mark["source"] for mark in result.report["landmarks"].values()} <= {"marked", "computed"}


def test_a_change_over_bone_that_nobody_marked_is_estimated_and_stays_a_draft(leg, tmp_path):
    tune = "{by: KW-cpo, on: 2026-11-20, why: redness, regions: {fibular-head: {change: +1 mm}}}"
    case = write(tmp_path / "a", leg, f"tune: [{tune}]\n")
    result = rectify.apply(case)
    assert result.report["landmarks"]["fibular-head"]["source"] == "estimated"
    with pytest.raises(CaseError, match="fibular-head is estimated"):
        write_release(case, result.plan, by="KW-cpo", on="2026-11-20")


def test_a_tape_of_the_limb_is_not_held_against_a_socket(leg, tmp_path):
    tape = "tape: [{measure: circumference, at: mid-patellar-tendon, distal: 50 mm, value: 250 mm}]\n"
    report = rectify.apply(write(tmp_path / "a", leg, tape)).report
    assert report["tape"][0]["agrees"] is None
    (told,) = [w for w in report["warnings"] if w["code"] == "tape-not-compared"]
    assert told["message"].endswith("the capture is rectified, the limb is not")
