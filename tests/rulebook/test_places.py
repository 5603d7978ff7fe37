"""Places in words against the closed forms of a cylinder with a half sphere."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rectify.limb.spot import Spot
from rectify.rulebook.fields import Context
from rectify.rulebook.parts import LevelPlace, Moves, Place, RingPlace
from rectify.rulebook.places import Places, wrap
from rectify.rulebook.words import Wrong
from tests.rulebook.fake import CapsuleChart, mark, transtibial

R = 50.0
PLACES = Places(transtibial(CapsuleChart(radius=R)))


def place(**says: object) -> Place:
    return Place.model_validate({key.replace("_", "-"): value for key, value in says.items()}, context=Context())


def level(**says: object) -> LevelPlace:
    return LevelPlace.model_validate(says)


def degrees(arc_mm: float) -> float:
    return math.degrees(arc_mm / R)


def near(spot: Spot, station: float, angle: float) -> bool:
    """Within rounding of a closed form: 1e-9 mm and degrees."""
    return abs(spot.station_mm - station) < 1e-9 and abs(wrap(spot.angle_deg - angle)) < 1e-9


@pytest.mark.parametrize(
    ("says", "station", "angle"),
    [
        ({"at": "fibular-head"}, 14.0, 115.0),
        ({"at": "fibular-head", "distal": "12 mm"}, 26.0, 115.0),
        ({"at": "fibular-head", "proximal": "12 mm"}, 2.0, 115.0),
        ({"at": "fibular-head", "posterior": "10 mm"}, 14.0, 115.0 + degrees(10)),
        ({"at": "fibular-head", "anterior": "10 mm"}, 14.0, 115.0 - degrees(10)),
        ({"at": "mid-patellar-tendon", "lateral": "10 mm"}, 0.0, degrees(10)),
        ({"at": "mid-patellar-tendon", "medial": "10 mm"}, 0.0, -degrees(10)),
        ({"at": "popliteal", "lateral": "10 mm"}, 5.0, 180.0 - degrees(10)),
        ({"at": "popliteal", "medial": "10 mm"}, 5.0, 180.0 + degrees(10)),
        ({"at": "medial-hamstring", "medial": "10 mm"}, -10.0, -145.0 + degrees(10)),
        ({"at": "medial-hamstring", "posterior": "10 mm"}, -10.0, -145.0 - degrees(10)),
        ({"at": "mid-patellar-tendon", "angle": "180 deg", "distal": "3 mm"}, 3.0, 180.0),
        ({"at": "mid-patellar-tendon", "angle": "270 deg"}, 0.0, -90.0),
        ({"at": "mid-patellar-tendon", "lateral": "20 % of radius", "distal": "10 % of radius"}, 5.0, degrees(10)),
    ],
)
def test_words_move_a_place_as_the_closed_form_says(says: dict[str, object], station: float, angle: float) -> None:
    assert near(PLACES.spot(place(**says)), station, angle)


@pytest.mark.parametrize(
    ("at", "side", "match"),
    [
        ("mid-patellar-tendon", "anterior", "anterior is already"),
        ("mid-patellar-tendon", "posterior", "posterior is opposite, so either way round"),
        ("popliteal", "posterior", "posterior is already"),
        ("lateral-condyle", "lateral", "lateral is already"),
        ("lateral-condyle", "medial", "medial is opposite"),
    ],
)
def test_a_side_that_may_be_either_way_round_is_refused(at: str, side: str, match: str) -> None:
    with pytest.raises(Wrong, match=match) as caught:
        PLACES.spot(place(at=at, **{side: "5 mm"}))
    assert caught.value.keys == (side,)


@given(st.floats(-180.0, 180.0), st.sampled_from(["anterior", "lateral", "posterior", "medial"]))
def test_towards_a_side_never_leads_away_from_it(angle: float, side: str) -> None:
    target = {"anterior": 0.0, "lateral": 90.0, "posterior": 180.0, "medial": 270.0}[side]
    try:
        sign = PLACES.towards(angle, side)
    except Wrong:
        turn = abs(wrap(angle - target))
        assert turn < 10.0 + 1e-9 or turn > 170.0 - 1e-9
        return
    assert abs(wrap(angle + sign * 5.0 - target)) < abs(wrap(angle - target))


@given(st.floats(-1e4, 1e4))
def test_wrapped_angles_lie_in_the_half_open_circle_and_mean_the_same(angle: float) -> None:
    wrapped = wrap(angle)
    assert -180.0 < wrapped <= 180.0
    assert math.isclose(math.cos(math.radians(wrapped)), math.cos(math.radians(angle)), abs_tol=1e-9)


def test_a_point_of_a_line_needs_to_be_told_where() -> None:
    with pytest.raises(Wrong, match="tibial-crest is a line on this limb") as caught:
        PLACES.spot(place(at="tibial-crest"))
    assert caught.value.hint == "say where along it: part: 50 %"
    # three points: (35, 2), (60, -2), (90, -2); the first leg is hypot(25, arc of 4 degrees), the second 30
    first = math.hypot(25.0, R * math.radians(4.0))
    half = (first + 30.0) / 2
    expected = 35.0 + 25.0 * half / first if half <= first else 60.0 + half - first
    spot = PLACES.spot(place(at="tibial-crest", part="50 %"))
    assert spot.station_mm == pytest.approx(expected, abs=1e-9)
    assert near(PLACES.spot(place(at="tibial-crest", part="0 %")), 35.0, 2.0)
    assert near(PLACES.spot(place(at="tibial-crest", part="100 %")), 90.0, -2.0)


def test_a_path_takes_of_a_line_what_lies_between_its_neighbours() -> None:
    line = PLACES.path([place(at="tibial-tubercle"), place(at="tibial-crest"), place(at="distal-tibia")])
    assert [spot.station_mm for spot in line.spots] == [21.0, 35.0, 60.0, 90.0, 110.0]
    back = PLACES.path([place(at="distal-tibia"), place(at="tibial-crest"), place(at="tibial-tubercle")])
    assert [spot.station_mm for spot in back.spots] == [110.0, 90.0, 60.0, 35.0, 21.0]
    assert back.length_mm == pytest.approx(line.length_mm, abs=1e-9)
    past = Places(transtibial(tibial_crest=mark(CapsuleChart(), (10, 0), (60, -2), (115, 0))))
    inside = past.path([place(at="tibial-tubercle"), place(at="tibial-crest"), place(at="distal-tibia")])
    assert [spot.station_mm for spot in inside.spots] == [21.0, 60.0, 110.0]


def test_a_line_is_as_long_as_its_legs_and_points_along_it_are_where_they_should_be() -> None:
    line = PLACES.line([Spot(0.0, 0.0), Spot(30.0, 0.0), Spot(30.0, degrees(40.0))])
    assert line.length_mm == pytest.approx(70.0, abs=1e-9)
    assert near(line.spot(15.0), 15.0, 0.0)
    assert near(line.spot(50.0), 30.0, degrees(20.0))
    assert near(line.spot(-5.0), 0.0, 0.0) and near(line.spot(500.0), 30.0, degrees(40.0))
    cut = line.cut(10.0, 60.0, [20.0])
    assert [round(spot.station_mm, 9) for spot in cut] == [10.0, 20.0, 30.0, 30.0]


def test_a_line_across_the_back_takes_the_shorter_way_over_the_seam() -> None:
    line = PLACES.line([Spot(0.0, 170.0), Spot(0.0, -170.0)])
    assert line.length_mm == pytest.approx(R * math.radians(20.0), abs=1e-9)
    assert abs(line.spot(line.length_mm / 2).angle_deg) == pytest.approx(180.0, abs=1e-9)


def test_a_shifted_straight_path_keeps_its_distance_all_along() -> None:
    line = PLACES.line([Spot(20.0, 0.0), Spot(60.0, 0.0), Spot(110.0, 0.0)])
    moved = PLACES.shifted(line, "lateral", 15.0)
    assert all(
        near(spot, station, degrees(15.0)) for spot, station in zip(moved.spots, (20.0, 60.0, 110.0), strict=True)
    )
    other = PLACES.shifted(line, "medial", 15.0)
    assert all(spot.angle_deg == pytest.approx(-degrees(15.0), abs=1e-9) for spot in other.spots)


def test_a_shifted_bent_path_is_parallel_to_both_its_legs() -> None:
    # a bend of a right angle in the unrolled plane: down 40, then lateral 40; shifted 10 medial
    line = PLACES.line([Spot(0.0, 20.0), Spot(40.0, 20.0), Spot(80.0, 20.0 + degrees(40.0))])
    moved = PLACES.shifted(line, "medial", 10.0)
    corner = moved.spots[1]
    # closed form: the mitre of two lines at distance 10 from each leg
    lean = math.atan2(40.0, 40.0)
    x, y = -10.0, 10.0 * math.tan(lean / 2)
    assert corner.angle_deg == pytest.approx(20.0 + degrees(x), abs=1e-9)
    assert corner.station_mm == pytest.approx(40.0 + y, abs=1e-9)


def test_a_path_round_the_limb_has_no_lateral_side() -> None:
    line = PLACES.line([Spot(0.0, 30.0), Spot(0.0, 60.0)])
    with pytest.raises(Wrong, match="runs round the limb"):
        PLACES.shifted(line, "lateral", 5.0)


@pytest.mark.parametrize(
    ("says", "expected"),
    [
        ({"at": "mid-patellar-tendon"}, 0.0),
        ({"at": "mid-patellar-tendon", "distal": "50 mm"}, 50.0),
        ({"at": "inflection", "proximal": "10 mm"}, 110.0),
        ({"at": "distal-end", "proximal": "30 mm"}, 120.0 + R - 30.0),
        ({"at": "tibial-crest", "part": "100 %"}, 90.0),
    ],
)
def test_levels_are_measured_along_the_axis_round_the_end_too(says: dict[str, object], expected: float) -> None:
    assert PLACES.level(level(**says)) == pytest.approx(expected, abs=1e-9)


@given(st.floats(-50.0, 169.9))
def test_the_station_of_a_level_has_that_level(wanted: float) -> None:
    station = PLACES.station_at(wanted)
    # closed form: on the wall the same; on the half sphere level = centre + R sin((s - centre) / R)
    found = station if station <= 120.0 else 120.0 + R * math.sin((station - 120.0) / R)
    assert found == pytest.approx(wanted, abs=1e-6)  # mm; 40 halvings of 79 mm


def test_a_level_past_the_end_is_the_pole() -> None:
    assert PLACES.station_at(500.0) == pytest.approx(PLACES.chart.pole_mm, abs=1e-6)


def test_the_least_sure_landmark_speaks_for_an_anchor() -> None:
    chart = CapsuleChart()
    limb = transtibial(
        fibular_head=mark(chart, (14, 115), source="estimated", uncertainty_mm=6.0),
        distal_fibula=mark(chart, (100, 95), source="mark", uncertainty_mm=1.0),
    )
    anchor = Places(limb).anchor(Spot(50.0, 100.0), ["distal-fibula", "fibular-head"])
    assert (anchor.landmark, anchor.source, anchor.uncertainty_mm) == ("distal-fibula", "estimated", 6.0)


def test_an_open_section_takes_the_radius_of_the_next_closed_one() -> None:
    class Open(CapsuleChart):
        def mean_radius(self, station: float) -> float:
            return float("nan") if station < 10.0 else station

    assert Places(transtibial(Open())).radius(5.0) == 11.0

    class Never(CapsuleChart):
        def mean_radius(self, station: float) -> float:  # noqa: ARG002 - open everywhere
            return float("nan")

    with pytest.raises(Wrong, match="no closed section"):
        Places(transtibial(Never())).radius(5.0)


def test_moving_by_nothing_keeps_the_exact_bits() -> None:
    spot = Spot(14.123456789, 115.987654321)
    assert PLACES.moved(spot, Moves()) is spot
    assert PLACES.spot(RingPlace.model_validate({"at": "fibular-head"})) == Spot(14.0, 115.0)
