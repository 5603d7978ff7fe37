"""Laying shapes over each other: known motions undone, and what is refused, in words."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from rectify.errors import InputError
from rectify.geometry.mesh import Mesh
from rectify.geometry.normals import vertex_normals
from rectify.geometry.rigid import inverse, largest_shift
from rectify.studies.align import align, check_one_limb
from rectify.studies.pose import TURNS, girth_mm, stand, starts
from rectify.studies.version import open_version
from rectify.synthetic import Transtibial, capsule, transtibial
from rectify.synthetic.lattice import mirrored
from tests.studies.conftest import Results, motion, moved

Write = Callable[..., Path]


def test_two_results_of_one_case_are_taken_as_they_lie(results: Results) -> None:
    found = align(open_version(results.first), open_version(results.second))
    assert found.method == "none" and np.array_equal(found.frame, np.eye(4))
    assert "one scan" in found.why


@pytest.mark.parametrize("seed", range(2))
def test_a_model_in_any_pose_is_brought_home_by_shape_to_a_hundredth_of_a_mm(
    results: Results, write: Write, seed: int
) -> None:
    frame = motion(seed)
    model = write(moved(results.mesh, frame))
    found = align(open_version(results.first), open_version(model))
    assert found.method == "shape"
    # the file's float32 at 300 mm is good to 2e-5 mm
    assert largest_shift(found.frame, inverse(frame), moved(results.mesh, frame).vertices) < 0.01
    assert found.half_within_mm is not None and found.half_within_mm < 0.001
    assert found.mirror_rms_mm is not None and found.mirror_rms_mm > 0.1


def test_a_capture_is_laid_over_its_rectified_model_by_the_half_that_was_not_changed(
    results: Results, write: Write
) -> None:
    frame = motion(5)
    model = write(moved(results.captured, frame))
    found = align(open_version(results.first), open_version(model))
    # a little more than half of it was changed, the flare included: the fit says itself how far it may be off
    off = largest_shift(found.frame, inverse(frame), moved(results.captured, frame).vertices)
    assert found.room is not None and off < min(0.5, found.room.along_mm)


def test_whichever_comes_first_the_motion_is_the_same_turned_round(results: Results, write: Write) -> None:
    model = write(moved(results.captured, motion(6)))
    there = align(open_version(results.first), open_version(model))
    back = align(open_version(model), open_version(results.first))
    assert largest_shift(there.frame @ back.frame, np.eye(4), results.mesh.vertices) < 0.01


def test_landmarks_alone_bring_home_what_they_were_put_on(results: Results, write: Write, tmp_path: Path) -> None:
    before = open_version(results.first)
    frame = motion(7)
    model = write(moved(results.mesh, frame))
    marks = tmp_path / "landmarks.yaml"
    places = moved(Mesh(np.array(list(before.marks.values())), np.zeros((0, 3), dtype=np.int64)), frame).vertices
    marks.write_text("".join(f"{n}: {p.tolist()}\n" for n, p in zip(before.marks, places, strict=True)))
    from rectify.studies.version import with_landmarks

    after = with_landmarks(open_version(model), marks, amputation="transtibial", units=None)
    found = align(before, after, "landmarks")
    assert found.method == "landmarks" and len(found.marks) == len(before.marks)
    assert largest_shift(found.frame, inverse(frame), moved(results.mesh, frame).vertices) < 0.01
    both = align(before, after)
    assert both.method == "landmarks-and-shape" and both.marks_rms_mm is not None and both.marks_rms_mm < 0.01


def test_a_model_in_the_axes_of_the_scan_needs_no_fit(results: Results, write: Write) -> None:
    before = open_version(results.first)
    assert before.scan_frame is not None
    model = write(moved(results.captured, inverse(before.scan_frame)))
    found = align(before, open_version(model), "scan")
    assert found.method == "scan"
    # positions in the report's frame are good to 1e-9 of half a metre, in the file to 2e-5 mm
    assert (
        largest_shift(found.frame, before.scan_frame, moved(results.captured, inverse(before.scan_frame)).vertices)
        < 1e-4
    )


def test_a_mirror_image_is_refused(results: Results, write: Write) -> None:
    model = write(mirrored(results.mesh))
    with pytest.raises(InputError, match="a mirror image fits better") as error:
        align(open_version(results.first), open_version(model))
    assert error.value.hint and "side" in error.value.hint


@pytest.mark.parametrize(("factor", "units"), [(1 / 25.4, "inch and mm"), (25.4, "inch and mm"), (0.1, "cm and mm")])
def test_other_units_are_noticed_by_name(results: Results, write: Write, factor: float, units: str) -> None:
    model = write(results.mesh.with_vertices(results.mesh.vertices * factor))
    with pytest.raises(InputError, match=f"as {units} do"):
        align(open_version(results.first), open_version(model))


def test_units_that_are_said_are_taken(results: Results, write: Write) -> None:
    model = write(results.mesh.with_vertices(results.mesh.vertices / 25.4))
    found = align(open_version(results.first), open_version(model, units="inch"))
    assert largest_shift(found.frame, np.eye(4), results.mesh.vertices) < 0.01


def test_a_limb_a_third_thicker_is_no_version_of_this_one(results: Results, write: Write) -> None:
    model = write(results.mesh.with_vertices(results.mesh.vertices * 1.4))
    with pytest.raises(InputError, match="the sizes differ too much") as error:
        align(open_version(results.first), open_version(model))
    assert error.value.wanted and "nothing is scaled" in error.value.wanted


def test_shapes_that_do_not_lie_over_each_other_are_refused(results: Results, write: Write) -> None:
    away = results.mesh.with_vertices(results.mesh.vertices + np.array([30.0, 0.0, 0.0]))
    with pytest.raises(InputError, match="do not lie over each other") as error:
        align(open_version(results.first), open_version(write(away)), "none")
    assert error.value.hint and "--align shape" in error.value.hint


def test_a_round_limb_that_may_turn_says_so(write: Write) -> None:
    mesh = capsule(50.0, 150.0, 4.0, 60.0)
    one, two = write(mesh, "one.stl"), write(moved(mesh, motion(2)), "two.stl")
    found = align(open_version(one), open_version(two))
    assert {w.code for w in found.warnings} >= {"alignment-unsure", "mirror-as-good"}
    assert found.half_within_mm is not None and found.half_within_mm < 0.1


def test_a_wall_reduced_all_over_is_not_called_sure(results: Results, write: Write) -> None:
    mesh = results.captured
    narrow = mesh.with_vertices(mesh.vertices - 1.5 * vertex_normals(mesh))
    found = align(open_version(results.first), open_version(write(narrow)))
    assert "alignment-unsure" in {w.code for w in found.warnings}


def test_other_sides_and_amputations_are_refused(results: Results) -> None:
    from dataclasses import replace

    one = open_version(results.first)
    for what, other in (("side", "right"), ("amputation", "transfemoral")):
        assert getattr(one, what) != other
        with pytest.raises(InputError, match=f"not the same {what}"):
            check_one_limb(one, replace(one, **{what: other}))
    (warning,) = check_one_limb(one, replace(one, code="RB-999"))
    assert warning.severity == "look" and "RB-999" in warning.message


def test_landmarks_mixed_up_left_and_right_are_refused(results: Results) -> None:
    from dataclasses import replace

    one = open_version(results.first)
    flipped = {name: place * np.array([-1.0, 1.0, 1.0]) for name, place in one.marks.items()}
    with pytest.raises(InputError, match="the landmarks fit as a mirror image"):
        align(one, replace(one, marks=flipped), "landmarks")


@pytest.mark.parametrize(
    ("how", "words"), [("sideways", "is no way to align"), ("landmarks", "cannot be aligned by landmarks")]
)
def test_what_cannot_be_done_is_said(results: Results, write: Write, how: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        align(open_version(results.first), open_version(write(results.mesh)), how)


def test_two_models_lie_in_no_known_scan(results: Results, write: Write) -> None:
    model = open_version(write(results.mesh))
    with pytest.raises(InputError, match="nothing says which scan"):
        align(model, model, "scan")


def test_an_open_limb_stands_on_its_closed_end_whatever_its_pose() -> None:
    made = transtibial(Transtibial(edge_mm=5.0))
    (upright,) = stand(made.mesh)
    (turned,) = stand(moved(made.mesh, motion(3)))
    assert upright.sure and upright.length_mm == pytest.approx(turned.length_mm, abs=1e-6)
    assert girth_mm(made.mesh, upright, 100.0) == pytest.approx(girth_mm(moved(made.mesh, motion(3)), turned, 100.0))
    # the tip lies at the origin, the top above it
    heights = moved(made.mesh, upright.frame).vertices[:, 2]
    assert heights.min() == pytest.approx(0.0, abs=3.0) and heights.max() == pytest.approx(upright.length_mm, abs=3.0)


def test_starts_go_all_round_and_mirror_when_asked() -> None:
    (one,) = stand(transtibial(Transtibial(edge_mm=6.0)).mesh)
    plain, turned = starts(one, one), starts(one, one, mirror=True)
    assert len(plain) == len(turned) == TURNS
    assert all(np.linalg.det(f[:3, :3]) == pytest.approx(1.0) for f in plain)
    assert all(np.linalg.det(f[:3, :3]) == pytest.approx(-1.0) for f in turned)
