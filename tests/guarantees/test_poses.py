"""Turning, moving or mirroring the capture, or writing it in another unit, changes nothing but the last digits."""

from __future__ import annotations

import shutil
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

import rectify
from rectify.data import demo_folder
from rectify.engine import Outcome
from rectify.geometry.read import read_mesh
from rectify.limb.landmarks import RawLandmark
from rectify.limb.limb import Limb
from tests import made
from tests.guarantees.drawn import LIMBS, limb, plans, rectified
from tests.guarantees.tier import examples

SAME_MM = 1e-6  # the bound for a mirrored limb
LAST_DIGITS_MM = 1e-9  # of the wall: coordinates of some 400 mm carry 6e-14 mm, some sums of them follow


@cache
def mirrored(name: str) -> Limb:
    return made.mirror_of(limb(name))


@cache
def turned(name: str, seed: int) -> Limb:
    """The same capture in another pose: turned at random, and up to 0.4 m away."""
    one = limb(name)
    turn = Rotation.random(random_state=seed).as_matrix()
    shift = np.random.default_rng(seed).uniform(-400.0, 400.0, 3)
    marks = {
        n: RawLandmark(m.points @ turn.T + shift, m.absent) for n, m in one.landmarks.items() if m.source == "marked"
    }
    mesh = one.mesh.with_vertices(one.mesh.vertices @ turn.T + shift)
    return Limb.from_capture(mesh, side=one.side, amputation=one.amputation, landmarks=marks)


def assert_same(one: Outcome, two: Outcome, back: object = 1.0, wall_mm: float = LAST_DIGITS_MM) -> None:
    """The same model, wall and membrane, and the same figures; `back` carries the second to where the first lies."""
    n = len(one.mesh.vertices)
    off = np.abs(two.closed.vertices * back - one.closed.vertices).max(axis=1)
    assert off[:n].max() < wall_mm
    assert off[n:].max() < SAME_MM
    for a, b in zip(one.regions, two.regions, strict=True):
        assert a.achieved_mm == pytest.approx(b.achieved_mm, abs=SAME_MM, nan_ok=True)
        assert a.volume_ml == pytest.approx(b.volume_ml, abs=1e-6)
        assert a.backed_off == b.backed_off and a.core_vertices == b.core_vertices
    assert one.volumes.change_ml == pytest.approx(two.volumes.change_ml, abs=1e-6)
    assert one.guarded.rounds == two.guarded.rounds
    assert [w.code for w in one.warnings] == [w.code for w in two.warnings]


@examples(8)
@given(st.sampled_from(list(LIMBS)).flatmap(lambda name: st.tuples(st.just(name), plans(limb(name), 9.0))))
def test_the_mirrored_limb_gives_the_mirrored_result(drawn):
    name, what = drawn
    one, two = rectified(limb(name), what), rectified(mirrored(name), what)
    assume(one is not None)
    assert_same(one, two, made.MIRROR)


@examples(8)
@given(
    st.sampled_from(list(LIMBS)).flatmap(lambda name: st.tuples(st.just(name), plans(limb(name), 9.0))),
    st.integers(0, 2),
)
def test_the_pose_of_the_capture_does_not_matter(drawn, seed):
    name, what = drawn
    one, two = rectified(limb(name), what), rectified(turned(name, seed), what)
    assume(one is not None)
    assert_same(one, two)
    assert np.array_equal(one.closed.faces, two.closed.faces)


# -- through the case folder ----------------------------------------------------------------------


def ply_of(vertices: np.ndarray, faces: np.ndarray) -> bytes:
    """A binary PLY with double positions: float32 would round otherwise in every unit."""
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(vertices)}\nproperty double x\nproperty double y\n"
        f"property double z\nelement face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    rows = np.empty(len(faces), dtype=[("count", "u1"), ("corners", "<i4", (3,))])
    rows["count"], rows["corners"] = 3, faces
    return head.encode() + vertices.astype("<f8").tobytes() + rows.tobytes()


def in_units(tmp_path: Path, units: str, per_mm: float, turn: np.ndarray, shift: np.ndarray) -> Path:
    """A copy of a demo case whose scan and landmarks are written in another unit and pose."""
    case = tmp_path / units
    shutil.copytree(demo_folder() / "RB-102", case)
    mesh = read_mesh(case / "scan.ply").mesh
    opened = rectify.open_case(case)
    (case / "scan.ply").write_bytes(ply_of((mesh.vertices @ turn.T + shift) * per_mm, mesh.faces))
    lines = []
    for name, mark in opened.raw_landmarks.items():
        points = ((np.atleast_2d(mark.points) @ turn.T + shift) * per_mm).tolist()
        lines.append(f"{name}: {points if len(points) > 1 else points[0]}")
    (case / "landmarks.yaml").write_text("\n".join(lines) + "\n")
    text = (case / "case.yaml").read_text()
    (case / "case.yaml").write_text(text.replace("units: mm", f"units: {units}"))
    return case


def test_units_and_pose_of_the_file_do_not_matter(tmp_path):
    results = []
    for number, (units, per_mm) in enumerate([("mm", 1.0), ("cm", 0.1), ("inch", 1 / 25.4), ("m", 0.001)]):
        turn = Rotation.random(random_state=number).as_matrix() if number else np.eye(3)
        shift = np.array([120.0, -300.0, 40.0]) * number
        results.append(rectify.apply(rectify.open_case(in_units(tmp_path, units, per_mm, turn, shift))))
    for other in results[1:]:
        assert np.abs(other.mesh.vertices - results[0].mesh.vertices).max() < SAME_MM
        assert np.array_equal(other.mesh.faces, results[0].mesh.faces)
        # what a person reads is equal to the last printed decimal, but for what names the file, its axes and its unit
        one, two = ({k: r.report[k] for k in ("volume", "levels", "regions", "checks")} for r in (results[0], other))
        assert close(one, two), units


def close(one: object, two: object) -> bool:
    """Equal, numbers to 1 of the last of three decimals; the frame differs, being the pose."""
    if isinstance(one, dict):
        return one.keys() == two.keys() and all(close(one[k], two[k]) for k in one if k != "frame")
    if isinstance(one, list):
        return len(one) == len(two) and all(map(close, one, two))
    if isinstance(one, float) and isinstance(two, float):
        return abs(one - two) <= 1.1e-3
    return one == two


def test_the_check_of_reports_can_fail():
    one = {"a": [1.0, {"b": 2.0}], "frame": 3}
    assert close(one, {"a": [1.001, {"b": 2.0}], "frame": 4})
    for other in ([1.01, {"b": 2.0}], [1.0, {"b": "2"}], [1.0]):
        assert not close(one, {"a": other, "frame": 3})


def test_a_left_limb_and_its_rulebook_need_no_other_words():
    # the same plan: angles and sides are said as the body has them
    one = limb("usual")
    assert mirrored("usual").side != one.side
    assert {n: m.spots for n, m in mirrored("usual").landmarks.items()}.keys() == dict(one.landmarks).keys()
    for name, mark in mirrored("usual").landmarks.items():
        for spot, other in zip(mark.spots, one.landmarks[name].spots, strict=True):
            assert abs(spot.station_mm - other.station_mm) < 1e-6
            assert abs((spot.angle_deg - other.angle_deg + 180.0) % 360.0 - 180.0) < 1e-6
