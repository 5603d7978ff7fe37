"""Check sockets of made-up positives: figures against closed forms, files that agree with them, the mirrored limb."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rectify.errors import FileError, InputError, OutputError
from rectify.fabrication.check_socket import CheckSocket, SocketSpec, make_socket
from rectify.fabrication.fitting import Fitting
from rectify.fabrication.positive import Positive, positive, read_positive, with_trimline
from rectify.fabrication.shell import Wall
from rectify.geometry.read import read_mesh
from rectify.geometry.volume import volume
from tests.fabrication.bodies import circle, closed_capsule, mirrored

R = 50.0


def report(side: str = "right", status: str = "released", **more: Any) -> dict[str, Any]:
    return {"case": "DM-014", "side": side, "amputation": "transtibial", "status": status, "warnings": [], **more}


def curve(points: np.ndarray, beyond: float = 0.0) -> dict[str, Any]:
    return {"case": "DM-014", "units": "mm", "beyond_capture_mm": beyond, "points": points.tolist()}


def model(side: str = "right", beyond: float = 0.0, **more: Any) -> Positive:
    body, line = closed_capsule(R, 100.0, 4.0), circle(R, 0.0)
    if side == "left":
        body, line = mirrored(body), line * [-1.0, 1.0, 1.0]
    return positive(report(side, **more), body, curve(line, beyond), b"the curve")


SPEC = SocketSpec(Wall(4.0, 5.0, 6.0), Fitting(hole_mm=8.0, boss_mm=45.0, flexion_deg=5.0, adduction_deg=3.0))


@pytest.fixture(scope="module")
def socket() -> CheckSocket:
    return make_socket(model(), SPEC)


def test_the_figures_say_what_was_asked_and_what_came_of_it(socket: CheckSocket) -> None:
    facts = socket.facts
    wall = facts["wall"]
    assert (wall["asked_mm"], wall["brim_asked_mm"], wall["end_asked_mm"]) == (4.0, 5.0, 6.0)
    for way in ("inside_to_outside", "outside_to_inside"):
        assert 3.9 < wall[way]["minimum_mm"] < wall[way]["mean_mm"] < wall[way]["maximum_mm"] < 6.2
        assert 0.0 <= wall[way]["most_below_asked_mm"] <= 0.1
    assert facts["brim"]["length_mm"] == pytest.approx(2 * np.pi * R, rel=2e-3)
    assert facts["shell"]["material_ml"] == pytest.approx(volume(socket.mesh) / 1000.0, abs=1e-3)
    # half a ball and a tube of 97.5 mm
    assert facts["shell"]["inside_area_cm2"] == pytest.approx((2 * np.pi * R**2 + 2 * np.pi * R * 97.5) / 100, rel=2e-3)
    assert facts["donning"]["along_axis"]["narrower_mm"] == 0.0 and facts["donning"]["along_axis"]["at"] is None
    assert facts["look"] == [] and facts["units"] == "mm" and facts["frame"].startswith("limb:")


def test_files_agree_with_the_figures_and_with_each_other(socket: CheckSocket, tmp_path: Path) -> None:
    folder = socket.save(tmp_path / "out")
    assert sorted(p.name for p in folder.iterdir()) == [
        "DM-014-socket.3mf",
        "DM-014-socket.stl",
        "files.json",
        "socket-report.json",
    ]
    assert json.loads((folder / "socket-report.json").read_text()) == json.loads(json.dumps(socket.facts))
    stl, mf = (read_mesh(folder / f"DM-014-socket.{kind}") for kind in ("stl", "3mf"))
    same = mf.mesh.vertices[_order(mf.mesh)].astype(np.float32)  # nine digits of a float32 give it back
    assert mf.units == "mm" and np.array_equal(stl.mesh.vertices.astype(np.float32), same)
    assert volume(stl.mesh) == pytest.approx(volume(socket.mesh), rel=1e-12)
    assert (folder / "DM-014-socket.stl").read_bytes()[:80].startswith(b"rectify check socket, binary STL, units: mm")
    with pytest.raises(OutputError, match="exists already"):
        socket.save(folder)
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    make_socket(model(), SPEC).save(folder, replace=True)
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


def _order(mesh: Any) -> np.ndarray:
    """Vertices by their first appearance in the faces."""
    _, first = np.unique(mesh.faces.ravel(), return_index=True)
    return mesh.faces.ravel()[np.sort(first)]


def test_the_left_limb_has_the_mirrored_socket(socket: CheckSocket) -> None:
    left = make_socket(model("left"), SPEC)
    assert left.seat.centre == pytest.approx(socket.seat.centre * [-1, 1, 1], abs=0.01)
    assert left.seat.up == pytest.approx(socket.seat.up * [-1, 1, 1], abs=1e-9)
    # where two faces are equally near, the one that is moved out differs: 0.02 mm in places, 0.002 mm on the whole
    assert volume(left.mesh) == pytest.approx(volume(socket.mesh), rel=5e-4)
    one, other = socket.facts["fitting"], left.facts["fitting"]
    for key, value in one["line_at_level_0"].items():
        assert other["line_at_level_0"][key] == pytest.approx(value, abs=0.02)


def test_what_a_person_must_look_at_goes_into_the_figures() -> None:
    warnings = [
        {"severity": "look", "message": "the fibular head is estimated"},
        {"severity": "note", "message": "nothing"},
    ]
    made = make_socket(model(beyond=37.0, status="draft", warnings=warnings))
    assert made.facts["look"] == [
        "the fibular head is estimated",
        "37 mm of the trimline lie where no skin was captured: the brim there follows the model's open edge",
    ]
    assert made.facts["status"] == "draft"


def test_without_a_trimline_there_is_no_socket() -> None:
    with pytest.raises(InputError, match="has no trimline") as caught:
        make_socket(positive(report(), closed_capsule(R, 100.0, 8.0), None, b""))
    assert caught.value.exit_code == 2 and "--trimline FILE" in str(caught.value.hint)


# -- a result's folder -----------------------------------------------------------------------------


def test_a_folder_that_is_no_result_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="is neither a case nor a result") as caught:
        read_positive(tmp_path)
    assert caught.value.found == "no change-report.json in it"
    with pytest.raises(FileError, match="is neither a case nor a result") as caught:
        read_positive(tmp_path / "nowhere")
    assert caught.value.found == "no such folder"


def test_a_result_without_its_model_says_why_that_may_be(tmp_path: Path) -> None:
    (tmp_path / "change-report.json").write_text(json.dumps(report()))
    with pytest.raises(FileError, match="holds no model") as caught:
        read_positive(tmp_path)
    assert "a limit was breached" in str(caught.value.hint)


@pytest.mark.parametrize("spoilt", [{"case": "../x"}, {"case": 3}])
def test_a_report_that_names_no_case_is_refused(tmp_path: Path, spoilt: dict[str, Any]) -> None:
    (tmp_path / "change-report.json").write_text(json.dumps(report() | spoilt))
    with pytest.raises(FileError, match="is not a report of this program"):
        read_positive(tmp_path)


@pytest.mark.parametrize("spoilt", [{"side": "middle"}, {"warnings": 3}, {"status": "perhaps"}])
def test_a_report_with_nonsense_in_it_is_refused(spoilt: dict[str, Any]) -> None:
    with pytest.raises(FileError, match="is not a report of this program"):
        positive(report() | spoilt, closed_capsule(R, 100.0, 8.0), None, b"")


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"case": "DM-999", "units": "mm", "points": [[0, 0, 0]]}, "is the trimline of another case"),
        ({"case": "DM-014", "units": "inch", "points": [[0, 0, 0]]}, "has no units this program writes"),
        ({"case": "DM-014", "units": "mm", "points": []}, "holds no curve"),
        ({"case": "DM-014", "units": "mm"}, "holds no curve"),
        ({"case": "DM-014", "units": "mm", "points": [[0, 0], [1, 1]]}, "holds no curve"),
        ({"case": "DM-014", "units": "mm", "points": [["a", 0, 0]]}, "holds no curve"),
        ({"case": "DM-014", "units": "mm", "points": [[1e999, 0, 0]]}, "holds no curve"),
    ],
)
def test_a_curve_file_that_is_none_is_refused(tmp_path: Path, facts: dict[str, Any], words: str) -> None:
    path = tmp_path / "line.json"
    path.write_text(json.dumps(facts))
    with pytest.raises(FileError, match=words):
        with_trimline(model(), path)
