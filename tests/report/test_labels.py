"""Where names go on a crowded map."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rectify.report.labels import Label, place_labels

FRAME = (0.0, 0.0, 400.0, 300.0)
NONE = np.zeros((0, 4))


def boxes(labels: list[Label], middles: np.ndarray) -> np.ndarray:
    half = np.array([[label.width, label.height] for label in labels]) / 2
    return np.concatenate([middles - half, middles + half], axis=1)


def overlapping(placed: np.ndarray) -> int:
    low = np.maximum(placed[:, None, :2], placed[None, :, :2])
    high = np.minimum(placed[:, None, 2:], placed[None, :, 2:])
    cut = ((high - low) > 1e-9).all(axis=2)
    return int(np.triu(cut, 1).sum())


def test_a_lone_name_lies_on_its_place_or_just_beside_it() -> None:
    on, beside = (place_labels([Label((200.0, 150.0), 60.0, 14.0, c)], FRAME, NONE)[0] for c in (True, False))
    assert on.tolist() == [200.0, 150.0]
    assert 0 < np.linalg.norm(beside - [200.0, 150.0]) < 40


def test_a_name_beside_its_place_does_not_cover_its_mark() -> None:
    mark = np.array([[198.0, 148.0, 202.0, 152.0]])
    label = [Label((200.0, 150.0), 60.0, 8.0, False)]
    placed = boxes(label, place_labels(label, FRAME, mark))
    assert overlapping(np.concatenate([placed, mark])) == 0


@given(st.lists(st.tuples(st.floats(20, 380), st.floats(20, 280), st.floats(20, 70)), min_size=1, max_size=14))
def test_names_keep_out_of_each_others_way_and_inside_the_frame(spots: list[tuple[float, float, float]]) -> None:
    labels = [Label((x, y), w, 12.0, True) for x, y, w in spots]
    placed = boxes(labels, place_labels(labels, FRAME, NONE))
    assert overlapping(placed) == 0  # 14 names of 70 by 12 find room on 400 by 300
    assert (placed[:, :2] >= 0).all() and (placed[:, 2] <= 400).all() and (placed[:, 3] <= 300).all()


def test_where_there_is_no_room_no_name_is_left_out() -> None:
    labels = [Label((50.0, 50.0), 90.0, 40.0, True) for _ in range(9)]
    assert np.isfinite(place_labels(labels, (0.0, 0.0, 100.0, 100.0), NONE)).all()


def test_the_same_names_are_laid_down_alike() -> None:
    labels = [Label((200.0 + i, 150.0), 60.0, 14.0, True) for i in range(6)]
    assert np.array_equal(place_labels(labels, FRAME, NONE), place_labels(labels, FRAME, NONE))
