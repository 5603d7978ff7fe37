"""The session: changes accepted or refused whole, undo and redo, versions, and work that outlives a killed bench."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest

import rectify
from rectify.errors import CaseError, InputError
from rectify.workbench.changes import Overlay, RegionChange
from rectify.workbench.session import Session, Stale
from tests.running import contents, run_in

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def session(folder):
    one = Session(folder, today=lambda: "2026-11-25")
    yield one
    one.close()


def tune(session: Session, amount: float, name: str = "fibular-head", why: str = "red") -> None:
    change = RegionChange(amount=amount, why=why)
    session.change(session.revision, lambda overlay, _: overlay.with_region(name, change))


def asked(session: Session, name: str = "fibular-head") -> float:
    return next(region.asked_mm for region in session.tried().plan.regions if region.name == name)


def test_a_change_is_in_the_plan_at_once_and_in_the_shape_a_moment_later(session):
    before = session.made(wait_s=60).result.mesh
    tune(session, 4.4)
    assert asked(session) == 4.4
    after = session.made(wait_s=60).result
    assert not np.array_equal(after.mesh.vertices, before.vertices)
    found = next(region for region in after.outcome.regions if region.region.name == "fibular-head")
    assert found.achieved_mm == pytest.approx(4.4, abs=0.05)  # mm, the bound of what is achieved


def test_what_the_rulebook_does_not_allow_changes_nothing(session, folder):
    before, files = session.revision, contents(folder)
    with pytest.raises(InputError, match="past the limit"):
        tune(session, 44.0)
    assert session.revision == before and session.state.overlay.is_empty and contents(folder) == files


def test_undo_and_redo_go_back_and_forth_and_a_new_change_ends_what_could_be_redone(session):
    for amount in (4.0, 4.5, 5.5):
        tune(session, amount)
    session.undo(session.revision)
    assert asked(session) == 4.5
    session.undo(session.revision)
    session.redo(session.revision)
    assert asked(session) == 4.5
    tune(session, 3.5)
    assert not session.can["redo"]
    with pytest.raises(CaseError, match="nothing to redo"):
        session.redo(session.revision)


def test_of_two_windows_the_slower_is_told_and_nothing_of_either_is_lost(session):
    seen = session.revision
    tune(session, 4.0)
    with pytest.raises(Stale, match="another window"):
        session.change(seen, lambda overlay, _: overlay.with_region("distal-tibia", RegionChange(amount=6)))
    assert set(session.state.overlay.regions) == {"fibular-head"}


def test_what_is_saved_the_command_applies_to_the_same_bytes(session, folder, tmp_path):
    tune(session, 4.4)
    tune(session, 6.0, "distal-tibia", "tender")
    number = session.save(session.revision, by="JT-cpo", why="first fitting")
    made = session.version(number).result
    here = made.save(tmp_path / "here", without=("page",))
    ended = run_in(tmp_path, "apply", folder, "--out", tmp_path / "there", "--without", "page")
    assert ended.code == 4
    assert contents(here) == contents(tmp_path / "there")


def test_going_back_is_a_state_of_its_own_that_can_be_undone_and_saved(session):
    tune(session, 4.4)
    first = session.save(session.revision, by="JT-cpo", why="one")
    tune(session, 5.5)
    session.save(session.revision, by="JT-cpo", why="two")
    session.go_back_to(session.revision, first)
    assert asked(session) == 4.4 and session.can["save"]
    third = session.save(session.revision, by="JT-cpo", why="one was better")
    assert third == 3 and asked(session) == 4.4
    assert [saved.says.from_ for saved in session.versions()] == [0, 1, 1]
    session.undo(session.revision)
    session.undo(session.revision)
    assert asked(session) == 5.5


def test_there_is_nothing_to_save_where_nothing_changed(session):
    with pytest.raises(CaseError, match="nothing has changed"):
        session.save(session.revision, by="JT-cpo", why="x")


@pytest.mark.parametrize(("by", "why"), [("Jo Doe", "x"), ("", "x"), ("JT-cpo", ""), ("JT-cpo", "a\nb")])
def test_a_save_needs_initials_and_a_reason(session, folder, by, why):
    tune(session, 4.4)
    with pytest.raises(InputError):
        session.save(session.revision, by=by, why=why)
    assert not list((folder / "versions").glob("0*.yaml")) and session.state.overlay.regions


def test_a_landmark_goes_to_the_scans_own_axes_and_back(session):
    limb = session.tried().limb
    point = limb.landmarks["fibular-head"].points[0]
    own = session.to_scan(point)[0]
    case = session.tried().case
    assert np.allclose(own, case.raw_landmarks["fibular-head"].points[0] / case.mm, atol=6e-4)  # mm, as written


def test_what_was_not_saved_is_offered_back_after_the_bench_ended(folder):
    one = Session(folder)
    tune(one, 4.4)
    one.close()
    two = Session(folder)
    try:
        assert two.left_over.overlay.regions["fibular-head"].amount == 4.4
        tune(two, 6.0, "distal-tibia")  # the left-over stays while other work is done
        two.undo(two.revision)
        two.take_up(two.revision)
        assert asked(two) == 4.4 and two.left_over is None
        two.save(two.revision, by="JT-cpo", why="taken up")
    finally:
        two.close()
    assert not list((folder / "versions").glob("unsaved*"))


def test_it_can_be_thrown_away(folder):
    one = Session(folder)
    tune(one, 4.4)
    one.close()
    two = Session(folder)
    two.throw_away(two.revision)
    two.close()
    three = Session(folder)
    assert three.left_over is None
    three.close()


def test_nothing_is_offered_that_no_longer_fits_or_cannot_be_read(folder):
    (folder / "versions").mkdir()
    for i, text in enumerate(["not json", json.dumps({"format": 1, "case": "RB-102", "base": 7, "overlay": {}})]):
        (folder / "versions" / f"unsaved-2026010{i}-000000-00.json").write_text(text)
    one = Session(folder)
    assert one.left_over is None
    one.close()


def test_a_second_bench_on_one_case_is_refused(session):
    with pytest.raises(CaseError, match="open in another workbench"):
        Session(session.folder)


def test_a_case_that_stands_on_a_resolved_plan_is_refused(folder, tmp_path):
    assert run_in(tmp_path, "apply", folder, "--out", tmp_path / "o", "--without", "page").code == 0
    (folder / "plan.yaml").write_bytes((tmp_path / "o" / "plan.yaml").read_bytes())
    text = (folder / "case.yaml").read_text().replace("transtibial-patellar-tendon-bearing", "plan.yaml")
    (folder / "case.yaml").write_text(text)
    with pytest.raises(CaseError, match="resolved plan"):
        Session(folder)


def test_a_bench_killed_while_it_saves_leaves_every_version_whole(folder):
    """Saves one version after another until it is killed, at a moment of its own each time."""
    program = textwrap.dedent("""
        import sys
        from rectify.case.version import newest, saved_text, write_saved
        from pathlib import Path
        folder = Path(sys.argv[1])
        print("ready", flush=True)
        while True:
            number = newest(folder) + 1
            tune = [{"by": "JT", "on": "2026-11-25", "why": "x" * 200, "regions": {"fibular-head": {"amount": "5 mm"}}}]
            write_saved(folder, number, saved_text(number, case="RB-102", made_from=number - 1, by="JT",
                        on="2026-11-25", why="try", tune=tune * 40))
    """)
    for wait in (0.02, 0.05, 0.11):
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        run = subprocess.Popen([sys.executable, "-c", program, str(folder)], stdout=subprocess.PIPE, env=environment)
        assert run.stdout.readline() == b"ready\n"
        try:
            run.wait(timeout=wait)
        except subprocess.TimeoutExpired:
            run.kill()
        run.wait()
        run.stdout.close()
    session = Session(folder)
    try:
        saved = session.versions()
        assert saved and len(saved) == len(list((folder / "versions").glob("0*.yaml")))
        assert all(len(one.tune) == 40 for one in saved)
    finally:
        session.close()


def test_a_folder_that_cannot_be_written_is_told_at_the_save_and_the_work_stays(session, folder, monkeypatch):
    tune(session, 4.4)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("rectify.case.version.os.fsync", full)
    with pytest.raises(InputError, match="cannot be saved"):
        session.save(session.revision, by="JT-cpo", why="x")
    assert asked(session) == 4.4 and not list((folder / "versions").glob("0*.yaml"))
    monkeypatch.undo()
    assert session.save(session.revision, by="JT-cpo", why="x") == 1


def test_the_same_overlay_is_the_same_state_whatever_the_order_it_came_in(session):
    one = Overlay().with_region("a", RegionChange(amount=1)).with_region("b", RegionChange(amount=2))
    two = Overlay().with_region("b", RegionChange(amount=2)).with_region("a", RegionChange(amount=1))
    assert one == two
    assert rectify.open_case(session.folder).code == session.code
