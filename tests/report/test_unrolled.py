"""The unrolled map: the right move at the right place, the right side on the right side."""

from __future__ import annotations

import base64
import io
import re
from dataclasses import replace
from xml.etree import ElementTree

import matplotlib.image
import numpy as np
import pytest
from matplotlib.figure import Figure

from rectify.engine import Outcome, rectify_limb
from rectify.limb.landmarks import Landmark
from rectify.limb.limb import Limb
from rectify.limb.spot import Spot
from rectify.report.map_marks import draw_landmarks
from rectify.report.unrolled import unrolled_map
from rectify.report.unrolled_field import displacement_field
from rectify.rulebook.plan import Brim
from tests import made
from tests.report.conftest import demo


def moved_by(limb: Limb, wanted: np.ndarray) -> Outcome:
    """An outcome whose every vertex went a given way along its normal."""
    still = rectify_limb(limb, made.plan())
    vertices = limb.mesh.vertices + wanted[:, None] * still.asked.places.normals
    return replace(still, mesh=limb.mesh.with_vertices(vertices))


def wave(stations: np.ndarray, angles: np.ndarray) -> np.ndarray:
    return 2.0 * np.cos(np.radians(angles - 150.0)) + 0.01 * stations


def test_the_field_shows_the_move_at_each_station_and_angle(capsule_limb: Limb) -> None:
    stations, angles = capsule_limb.chart.locate(capsule_limb.mesh.vertices)
    field = displacement_field(moved_by(capsule_limb, wave(stations, angles)))
    wall = field.stations < capsule_limb.chart.centre_mm
    wanted = wave(field.stations[wall, None], field.angles[None, :])
    # linear between vertices 3 mm apart on a radius of 50 mm: 2 (0.06)² / 8 = 0.0009 mm; the seam lies at 180
    assert np.abs(field.move[wall] - wanted).max() < 2e-3


def test_the_cap_is_filled_to_the_pole(capsule_limb: Limb) -> None:
    field = displacement_field(moved_by(capsule_limb, np.full(len(capsule_limb.mesh.vertices), 1.5)))
    assert np.abs(field.move - 1.5).max() < 1e-9


def test_where_no_skin_was_captured_there_is_no_move(transfemoral_limb: Limb) -> None:
    field = displacement_field(moved_by(transfemoral_limb, np.ones(len(transfemoral_limb.mesh.vertices))))
    places = np.broadcast_arrays(field.stations[:, None], field.angles[None, :])
    captured = transfemoral_limb.chart.is_captured(*(p.ravel() for p in places)).reshape(field.move.shape)
    assert 0.02 < np.isnan(field.move).mean() < 0.4
    assert (np.isfinite(field.move) == captured).mean() > 0.99  # the two differ along the edge, by a face


def test_a_mirrored_limb_has_the_same_field(transtibial_limb: Limb) -> None:
    def field(limb: Limb):
        return displacement_field(rectify_limb(limb, made.plan(made.build_up("outside", 4.0, Spot(60.0, 90.0)))))

    right, left = field(transtibial_limb), field(made.mirror_of(transtibial_limb))
    both = np.isfinite(right.move) & np.isfinite(left.move)
    assert both.mean() > 0.9 and np.abs(right.move - left.move)[both].max() < 1e-3  # mm


def test_a_filled_hole_is_told(capsule_limb: Limb) -> None:
    stations, angles = capsule_limb.chart.locate(capsule_limb.mesh.vertices)
    hole = np.flatnonzero((np.abs(stations - 60.0) < 12.0) & (np.abs(angles - 40.0) < 12.0))
    field = displacement_field(rectify_limb(replace(capsule_limb, invented=hole), made.plan()))
    row, column = np.nonzero(field.filled)
    assert field.stations[row].mean() == pytest.approx(60.0, abs=1.5)
    assert field.angles[column].mean() == pytest.approx(40.0, abs=1.5)
    assert not displacement_field(rectify_limb(capsule_limb, made.plan())).filled.any()


def texts(svg: str) -> dict[str, float]:
    """Words of the map and how far right each stands, in points."""
    out = {}
    for node in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text"):
        moved = re.search(r"translate\(([\d.]+)", node.get("transform", ""))
        out["".join(node.itertext())] = float(moved[1] if moved else node.get("x", "nan"))
    return out


def test_the_map_is_the_same_twice_and_names_regions_and_landmarks() -> None:
    outcome = demo("RB-102").outcome
    svg = unrolled_map(outcome)
    assert svg == unrolled_map(outcome)
    words = texts(svg)
    assert {r.region.name for r in outcome.regions} <= set(words)
    assert {"medial-joint-line", "inflection ±2 mm", "trimline", "end cap"} <= set(words)
    assert not re.search(r"\d{4}-\d\d-\d\d", svg)  # no date


def test_lateral_lies_left_on_a_right_limb_and_right_on_a_left_one() -> None:
    right, left = (texts(unrolled_map(demo(code).outcome)) for code in ("RB-102", "RB-103"))
    assert right["lateral"] < right["anterior"] < right["medial"]
    assert left["medial"] < left["anterior"] < left["lateral"]
    assert right["fibular-head"] < right["tibial-crest"] and left["tibial-crest"] < left["fibular-head"]


@pytest.mark.parametrize("side", ["right", "left"])
def test_the_colours_lie_where_the_names_say(capsule_limb: Limb, side: str) -> None:
    limb = capsule_limb if side == "right" else made.mirror_of(capsule_limb)
    svg = unrolled_map(rectify_limb(limb, made.plan(made.build_up("outside", 5.0, Spot(60.0, 90.0)))))
    painted = max(re.findall(r"data:image/png;base64,([^\"]*)", svg), key=len)
    picture = matplotlib.image.imread(io.BytesIO(base64.b64decode(painted)), format="png")
    row, column = np.nonzero(picture[..., 0] - picture[..., 2] > 0.2)  # brown: built up
    share = column.mean() / picture.shape[1]
    assert share == pytest.approx(0.25 if side == "right" else 0.75, abs=0.01)  # 90 degrees of 360
    station = limb.chart.top_mm + row.mean() / picture.shape[0] * (limb.chart.pole_mm - limb.chart.top_mm)
    assert station == pytest.approx(60.0, abs=2.0)


def test_each_source_of_a_landmark_has_its_own_mark(capsule_limb: Limb) -> None:
    def mark(name: str, angle: float, source: str, unsure: float = 0.0) -> Landmark:
        point = capsule_limb.chart.point(np.array([50.0]), np.array([angle]))
        return Landmark(name, point, (Spot(50.0, angle),), source, unsure)  # type: ignore[arg-type]

    marks = {
        m.name: m
        for m in (
            mark("tibial-tubercle", 10.0, "marked"),
            mark("fibular-neck", 100.0, "computed"),
            mark("popliteal", 170.0, "estimated", 10.0),
        )
    }
    gone = Landmark("distal-fibula", np.zeros((0, 3)), (), absent=True)
    limb = replace(capsule_limb, landmarks={**capsule_limb.landmarks, **marks, "distal-fibula": gone})
    ax = Figure().add_subplot()
    names = draw_landmarks(ax, rectify_limb(limb, made.plan()))
    drawn = [
        (line.get_marker(), str(line.get_markerfacecolor()), round(float(line.get_xdata()[0]))) for line in ax.lines
    ]
    assert ("o", "#20262b", -10) in drawn and ("o", "white", -100) in drawn
    assert ("o", "white", -170) in drawn and any(marker == "x" and x == -170 for marker, _, x in drawn)
    wanted = [
        "fibular-neck",
        "mid-patellar-tendon",
        "popliteal ±10 mm",
        "tibial-tubercle",
    ]  # the end is the pole: no name
    rings = [line.get_xydata() for line in ax.lines if len(line.get_xdata()) > 50]
    assert len(rings) == 2  # one, and its other part on the far side of the seam
    assert np.ptp(rings[0][:, 1]) == pytest.approx(20.0)  # mm along, to scale
    assert np.ptp(rings[0][:, 0]) == pytest.approx(2 * np.degrees(10.0 / 50.0), rel=0.01)  # degrees around
    assert sorted(n.lines[0] for n in names) == wanted


def test_the_trimline_is_drawn_where_the_rulebook_has_one(capsule_limb: Limb) -> None:
    ring = Brim(tuple(Spot(-20.0, angle) for angle in (0.0, 90.0, 180.0, -90.0)))
    with_brim, without = (
        texts(unrolled_map(rectify_limb(capsule_limb, made.plan(brim=brim)))) for brim in (ring, None)
    )
    assert "trimline" in with_brim and "trimline" not in without


def test_a_name_with_signs_of_a_formula_is_written_as_it_is(capsule_limb: Limb) -> None:
    plan = made.plan(made.build_up("a$b_{c}$", 4.0, Spot(60.0, 0.0)))
    assert "a$b_{c}$" in texts(unrolled_map(rectify_limb(capsule_limb, plan)))


def test_a_map_of_nothing_moved_is_drawn(capsule_limb: Limb) -> None:
    assert "anterior" in texts(unrolled_map(rectify_limb(capsule_limb, made.plan())))
