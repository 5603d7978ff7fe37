"""The requests of the page: what is shown, what is changed, what is refused, what is taken out."""

from __future__ import annotations

import json
import struct

import numpy as np
import pytest

import rectify
from rectify.engine import rectify_limb
from rectify.viewer import scene_of
from rectify.workbench.hand import hand_of
from tests.running import run_in


def test_the_state_tells_every_region_with_its_bounds_and_every_landmark_with_its_source(bench):
    state = bench.state
    plan = bench.session.tried().plan
    assert [r["name"] for r in state["regions"]] == [r.name for r in plan.regions]
    assert all(
        r["allow_mm"] is None or r["allow_mm"][0] <= r["rulebook_mm"] <= r["allow_mm"][1] for r in state["regions"]
    )
    assert {m["source"] for m in state["landmarks"]} <= {"marked", "mark", "computed", "estimated"}
    assert state["base"] == 0 and state["versions"] == [] and not state["can"]["save"]


def test_only_news_are_told(bench):
    revision = bench.state["revision"]
    assert bench.ask("GET", f"/api/state?after={revision}").status == 204
    bench.post("region", name="fibular-head", change={"amount": 4.4})
    assert bench.ask("GET", f"/api/state?after={revision}").json["revision"] == revision + 1


def test_a_change_comes_back_in_state_shape_and_figures(bench):
    before = bench.get("/api/shape").body
    answer = bench.post("region", name="fibular-head", change={"amount": 4.4, "why": "red"})
    assert answer.status == 200 and answer.json["overlay"]["regions"]["fibular-head"]["amount"] == 4.4
    assert bench.get("/api/shape").body != before
    assert bench.get("/api/found").json["regions"]["fibular-head"]["achieved_mm"] == pytest.approx(4.4, abs=0.05)


def test_a_refusal_is_a_sentence_with_what_would_be_right(bench):
    answer = bench.post("region", name="fibular-head", change={"amount": 7})
    (fault,) = answer.json["faults"]
    assert answer.status == 422 and "6 mm" in fault["wanted"] + fault.get("hint", "") and bench.state["overlay"] == {}
    assert bench.post("region", name="fibula-head", change={"amount": 4}).status == 422
    assert bench.post("region", name="fibular-head", change={"amont": 4}).status == 422
    assert bench.ask("POST", "/api/region", b"{not json").status == 422


def test_past_what_is_allowed_goes_only_with_a_reason_and_never_past_a_limit(bench):
    more = {"amount": 7, "feather": 15, "beyond": "old scar"}
    assert bench.post("region", name="fibular-head", change=more).status == 200
    assert bench.post("region", name="fibular-head", change={**more, "amount": 40}).status == 422
    tuned = next(r for r in bench.state["regions"] if r["name"] == "fibular-head")["tuned"]
    assert any("old scar" in (change["beyond_allow"] or "") for change in tuned)


def test_another_window_is_answered_with_what_stands_now(bench):
    answer = bench.ask("POST", "/api/region", {"revision": 99, "name": "fibular-head", "change": {"amount": 4}})
    assert answer.status == 409 and answer.json["state"]["revision"] == bench.state["revision"]


def test_a_region_left_out_can_come_back(bench):
    off = bench.post("region", name="tibial-crest", change={"off": True, "why": "padded"}).json
    assert [r["on"] for r in off["regions"] if r["name"] == "tibial-crest"] == [False]
    on = bench.post("region", name="tibial-crest", change=None).json
    assert all(r["on"] for r in on["regions"]) and on["overlay"] == {}


def test_a_region_moves_and_grows_where_it_is_told(bench):
    before = next(r for r in bench.state["regions"] if r["name"] == "patellar-tendon")
    state = bench.post("region", name="patellar-tendon", change={"distal": 5, "along": 4}).json
    after = next(r for r in state["regions"] if r["name"] == "patellar-tendon")
    assert after["anchor"]["level_mm"] - before["anchor"]["level_mm"] == pytest.approx(5, abs=0.5)  # mm: along the skin
    assert after["shape"]["along_mm"] - before["shape"]["along_mm"] == pytest.approx(4, abs=1e-6)


def test_a_landmark_is_placed_accepted_made_absent_and_put_back(bench):
    mark = next(m for m in bench.state["landmarks"] if m["name"] == "distal-fibula")
    x, y, z = mark["points"][0]
    state = bench.post("landmark", name="distal-fibula", place=[[x, y, z + 4]]).json
    moved = next(m for m in state["landmarks"] if m["name"] == "distal-fibula")
    assert moved["level_mm"] == pytest.approx(mark["level_mm"] - 4, abs=0.01) and moved["source"] == "marked"
    gone = bench.post("landmark", name="distal-fibula", place="absent").json
    assert next(m for m in gone["landmarks"] if m["name"] == "distal-fibula")["absent"]
    back = bench.post("landmark", name="distal-fibula", place="as-was").json
    assert back["overlay"] == {} and next(m for m in back["landmarks"] if m["name"] == "distal-fibula") == mark


def test_a_landmark_off_the_limb_is_refused(bench):
    answer = bench.post("landmark", name="fibular-head", place=[[500.0, 0.0, 0.0]])
    assert answer.status == 422 and bench.state["overlay"] == {}


def test_a_region_drawn_by_hand_is_carried_out_with_its_amount(bench):
    drawn = {"action": "build-up", "amount": 3, "feather": 9, "ring": [[90, 165], [90, 195], [120, 195], [120, 165]]}
    assert bench.post("drawn", name="graft", drawn=drawn).status == 200
    assert bench.get("/api/found").json["regions"]["graft"]["achieved_mm"] == pytest.approx(3, abs=0.1)  # mm
    assert bench.post("drawn", name="graft", drawn=None).json["overlay"] == {}
    assert bench.post("drawn", name="fibular-head", drawn=drawn).status == 422  # a name that is taken


def test_the_end_takes_another_amount(bench):
    assert bench.state["end"] is not None
    state = bench.post("end", change={"amount": 5, "why": "end contact"}).json
    assert state["end"]["amount_mm"] == 5.0


def test_findings_are_kept_with_the_version(bench):
    found = [{"kind": "redness", "where": "fibular-head", "minutes": 12}]
    assert bench.post("findings", findings=found).status == 200
    proposals = bench.ask("GET", "/api/proposals").json
    assert any(p["change"].get("region") == "fibular-head" for p in proposals)
    saved = bench.post("save", by="JT-cpo", why="after fitting one").json
    assert saved["base"] == 1 and saved["versions"][0]["findings"][0]["minutes"] == 12
    assert bench.get("/api/found").status == 200  # the report carries them, too


@pytest.mark.parametrize("kind", ["stl", "3mf", "facts", "plan"])
def test_what_is_taken_out_is_what_the_command_writes(bench, folder, tmp_path, kind):
    bench.post("region", name="fibular-head", change={"amount": 4.4, "why": "red"})
    bench.post("save", by="JT-cpo", why="first fitting")
    answer = bench.ask("GET", f"/api/out/1/{kind}")
    assert run_in(tmp_path, "apply", folder, "--out", tmp_path / "o", "--without", "page").code == 4
    name = answer.headers["content-disposition"].split('"')[1]
    assert (tmp_path / "o" / name).read_bytes() == answer.body


def test_two_versions_are_compared(bench):
    bench.post("region", name="fibular-head", change={"amount": 4.0, "why": "red"})
    bench.post("save", by="JT-cpo", why="one")
    told = bench.ask("GET", "/api/compare?a=0&b=1").json
    row = next(r for r in told["regions"] if r["name"] == "fibular-head")
    assert (row["asked_mm_a"], row["asked_mm_b"]) == (5.0, 4.0)
    assert told["apart"]["largest_mm"] == pytest.approx(-1.0, abs=0.1)  # mm: one less, at the core
    assert bench.ask("GET", "/api/compare?a=1&b=1").json["regions"] == []
    assert bench.ask("GET", "/api/compare?a=0&b=9").status == 422


def test_the_lines_of_the_hand_lead_where_the_engine_goes(folder):
    """Half a mm more along the lines against the engine's own result with half a mm more."""
    case = rectify.open_case(folder)
    limb, plan = case.resolved(sets=["fibular-head.amount=4mm"])
    outcome = rectify_limb(limb, plan)
    more = rectify_limb(*case.resolved(sets=["fibular-head.amount=4.5mm"]))
    kept = scene_of(outcome).view.kept
    raw = hand_of(outcome, "fibular-head", kept)
    (count,) = struct.unpack_from("<I", raw)
    at = np.frombuffer(raw, "<u4", count, 4)
    lines = np.frombuffer(raw, "<f4", 3 * count, 4 + 4 * count).reshape(-1, 3)
    moves = np.frombuffer(raw, "<f4", count, 4 + 16 * count)
    followed = outcome.mesh.vertices[kept].copy()
    followed[at] += 0.5 * lines
    assert np.abs(followed - more.mesh.vertices[kept]).max() < 0.02  # mm; the guard eases some of the feather
    assert np.abs(outcome.move[kept][at] + 0.5 * moves - more.move[kept][at]).max() < 0.02


def test_a_region_that_is_not_there_has_no_lines(bench):
    assert bench.get("/api/hand/nothing").status == 404


def test_the_state_is_plain_json_and_small(bench):
    assert len(json.dumps(bench.state, allow_nan=False)) < 60_000  # bytes
