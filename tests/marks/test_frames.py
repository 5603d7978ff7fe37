"""The frame that marks are placed in is the limb's own, whatever was amputated."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.geometry.mesh import Mesh
from rectify.limb.landmarks import RawLandmark, raw_landmarks
from rectify.limb.limb import Limb
from rectify.marks import propose_names
from rectify.marks.anatomy import ANATOMY
from rectify.marks.frames import frame_of_landmarks, given_name
from rectify.synthetic import (
    AnkleDisarticulation,
    KneeDisarticulation,
    Transfemoral,
    Transhumeral,
    Transradial,
    Transtibial,
    ankle_disarticulation,
    knee_disarticulation,
    transfemoral,
    transhumeral,
    transradial,
    transtibial,
)
from tests.made import posed
from tests.marks.paint import as_marks, dot

LIMBS = {
    "transtibial": lambda: transtibial(Transtibial(edge_mm=6.0)),
    "transfemoral": lambda: transfemoral(Transfemoral(edge_mm=8.0)),
    "knee-disarticulation": lambda: knee_disarticulation(KneeDisarticulation(side="left", edge_mm=7.0)),
    "ankle-disarticulation": lambda: ankle_disarticulation(AnkleDisarticulation(edge_mm=7.0)),
    "transradial": lambda: transradial(Transradial(edge_mm=5.0)),
    "transhumeral": lambda: transhumeral(Transhumeral(edge_mm=6.0)),
}


@pytest.mark.parametrize("amputation", LIMBS)
def test_it_is_the_limbs_own_to_the_last_digits(amputation):
    made = LIMBS[amputation]()
    mesh, marks = posed(made.mesh, made.landmarks, seed=4)
    limb = Limb.from_capture(mesh, side=made.side, amputation=amputation, landmarks=marks)
    frame = frame_of_landmarks(mesh, made.side, amputation, marks)
    # mm and unit vectors: the edge's middle is summed in another order
    assert frame is not None and np.abs(frame - limb.frame).max() < 1e-8
    name = next(n for n, raw in marks.items() if len(raw.points) == 1 and n != "distal-end")
    drawn = dot(marks[name].points[0], 8.0, name)
    reading = propose_names(as_marks(mesh, [drawn]), mesh, side=made.side, amputation=amputation, landmarks=marks)
    assert reading.marks[0].level_mm == pytest.approx(limb.landmarks[name].level_mm, abs=1e-6)
    given = (name, True) if amputation in ANATOMY else (None, False)  # of the others a person names the marks
    assert [(p.name, p.given) for p in reading.proposals] == [given]


def test_without_what_fixes_it_or_an_open_top_there_is_none():
    made = LIMBS["transtibial"]()
    marks = raw_landmarks(made.landmarks)
    assert frame_of_landmarks(made.mesh, "right", "transtibial", {}) is None
    low = {"mid-patellar-tendon": RawLandmark(np.array([[0.0, 0.0, made.mesh.vertices[:, 2].min() - 5.0]]))}
    assert frame_of_landmarks(made.mesh, "right", "transtibial", low) is None  # no limb below the origin
    closed = Mesh(made.mesh.vertices, np.concatenate([made.mesh.faces, made.mesh.faces[:, ::-1]]))
    assert frame_of_landmarks(closed, "right", "transtibial", marks) is None


def test_a_mark_is_the_landmark_given_within_a_hands_scatter():
    made = LIMBS["transtibial"]()
    head = made.landmarks["fibular-head"]
    drawn = [dot(head + np.array([0.0, 0.0, gap]), 8.0, "fibular-head") for gap in (0.0, 8.5, 9.5)]
    marks = as_marks(made.mesh, drawn)
    given = {"fibular-head": RawLandmark(head[None]), "distal-fibula": RawLandmark(np.zeros((0, 3)), absent=True)}

    class Site:
        def __init__(self, i: int) -> None:
            self.marks = (i,)

    off = [float(np.linalg.norm(mark.place - head)) for mark in marks]
    names = [given_name(marks, Site(i), given) for i in range(3)]  # type: ignore[arg-type]
    assert names == ["fibular-head" if gap < 9.0 else None for gap in off] and None in names
