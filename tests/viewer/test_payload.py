"""The payload, read by its description: what it holds is what the engine made, to its rounding."""

from __future__ import annotations

import zlib
from base64 import b64decode
from dataclasses import replace

import numpy as np
import pytest

from rectify.viewer import MOST_FACES, pack, packed_text, scene_of
from rectify.viewer.scene import LEVEL_COLUMNS
from tests.viewer.conftest import demo, scene
from tests.viewer.reading import read


def test_positions_moves_and_faces_come_back() -> None:
    outcome = demo("RB-102").outcome
    head, arrays = read(pack(scene("RB-102")))
    size = np.ptp(outcome.limb.mesh.vertices, axis=0).max()
    captured, shift = arrays["captured"].reshape(-1, 3), arrays["shift"].reshape(-1, 3)
    assert np.abs(captured - outcome.limb.mesh.vertices).max() <= 0.51 * size / 65535  # half a step of 16 bits
    assert np.abs(captured + shift - outcome.mesh.vertices).max() < 0.01  # mm
    assert np.abs(arrays["move"] - outcome.move).max() < 5e-4
    assert np.array_equal(arrays["faces"].reshape(-1, 3), outcome.limb.mesh.faces)
    count = len(outcome.limb.mesh.faces)
    assert head["view"] == {"faces": count, "of": count, "simplified": False}


def test_what_did_not_move_has_no_shift_at_all() -> None:
    outcome = demo("RB-102").outcome
    _, arrays = read(pack(scene("RB-102")))
    still = (outcome.mesh.vertices == outcome.limb.mesh.vertices).all(axis=1)
    assert still.sum() > 100 and not arrays["shift"].reshape(-1, 3)[still].any() and not arrays["move"][still].any()


def test_levels_are_those_of_the_report() -> None:
    result = demo("RB-102")
    head, arrays = read(pack(scene("RB-102")))
    rows = arrays["levels"].reshape(-1, len(LEVEL_COLUMNS))
    assert head["level_columns"] == list(LEVEL_COLUMNS) and (np.diff(rows[:, 0]) == 2.0).all()
    for row in result.report["levels"]:
        (mine,) = rows[rows[:, 0] == row["level_mm"]]
        for key, value in row.items():
            if key in LEVEL_COLUMNS:
                found = mine[LEVEL_COLUMNS.index(key)]
                assert np.isnan(found) if value is None else found == pytest.approx(value, abs=1e-3)  # mm, as printed


def test_outlines_lie_on_the_captured_surface_and_names_where_their_regions_are() -> None:
    result = demo("RB-102")
    head, arrays = read(pack(scene("RB-102")))
    captured = arrays["captured"].reshape(-1, 3)
    corners, weights = arrays["spot_corners"].reshape(-1, 3), arrays["spot_weights"].reshape(-1, 3)
    places = np.einsum("ij,ijk->ik", weights, captured[corners])
    assert np.abs(weights.sum(axis=1) - 1.0).max() < 1e-6
    assert [r["name"] for r in head["regions"]] == list(result.report["regions"])
    assert {line["region"] for line in head["outlines"]} == set(range(len(head["regions"])))
    for region in head["regions"]:
        anchor = result.report["regions"][region["name"]]["anchor"]
        x, y, z = places[region["spot"]]
        assert -z == pytest.approx(anchor["level_mm"], abs=0.5)  # mm: the chart's radius is linear between cells
        off = (np.degrees(np.arctan2(head["lateral"] * x, y)) - anchor["angle_deg"] + 180.0) % 360.0 - 180.0
        assert abs(off) < 1.5 or np.hypot(x, y) < 20.0  # degrees; at the end degrees grow wide
    for mark in head["landmarks"]:
        fact = result.report["landmarks"][mark["name"]]
        assert mark["source"] == fact["source"] and mark["uncertainty_mm"] == fact["uncertainty_mm"]


def test_the_region_of_a_vertex_is_the_one_that_weighs_there() -> None:
    outcome = demo("RB-102").outcome
    _, arrays = read(pack(scene("RB-102")))
    for i in range(len(outcome.plan.regions)):
        core = outcome.asked.core(i, outcome.plan)
        assert (arrays["region_of"][core] == i + 1).all()
    nothing = (outcome.asked.weight == 0).all(axis=0)
    assert not arrays["region_of"][nothing].any()


def test_a_large_surface_is_simplified_and_its_figures_are_not() -> None:
    outcome = demo("RB-102").outcome
    whole, light = scene("RB-102"), scene_of(outcome, case="RB-102", most_faces=5_000)
    head, arrays = read(pack(light))
    assert head["view"]["simplified"] and head["view"]["of"] == len(outcome.limb.mesh.faces) < MOST_FACES
    assert head["view"]["faces"] == len(arrays["faces"]) / 3 <= 5_000
    assert np.array_equal(light.levels, whole.levels, equal_nan=True)
    assert np.array_equal(light.captured, outcome.limb.mesh.vertices[light.view.kept])
    assert np.array_equal(light.move, outcome.move[light.view.kept])


def test_filled_holes_are_told_where_there_are_any() -> None:
    assert "filled" not in read(pack(scene("RB-102")))[1]
    some = replace(scene("RB-102"), filled=np.arange(len(scene("RB-102").move)) % 7 == 0)
    assert np.array_equal(read(pack(some))[1]["filled"] == 1, some.filled)


def test_the_same_scene_is_the_same_bytes_and_its_text_unpacks_to_them() -> None:
    payload = pack(scene("RB-106"))
    assert payload == pack(scene_of(demo("RB-106").outcome, case="RB-106"))
    text = packed_text(payload)
    assert text.isascii() and zlib.decompress(b64decode(text)) == payload


def test_left_limbs_say_that_lateral_is_the_other_way() -> None:
    sides = {demo(code).case.side: read(pack(scene(code)))[0]["lateral"] for code in ("RB-102", "RB-101", "RB-106")}
    assert sides == {side: 1.0 if side == "right" else -1.0 for side in sides}
