"""The angle that every kind of move adds between neighbouring faces: falls, overall reduction, end, walls, flare.

Two faces that share an edge are flat, so the slope of a move over them differs by at most the largest second derivative
K of the move's height times their longest edge L, and their angle by no more: slopes turn into angles by arctan. So

    added <= intended crease + L K          (radians)

and besides what the curvature k of the surface does to a move of h: lengths shrink to 1 - k h under an inward one, and
where the smoothed normal leans by b off a face, the face turns by h k b. On a cylinder of radius R, for an amount a
over a feather f, where B and S are the largest second and first derivative of the fall:

    fall        smooth  6t^5 - 15t^4 + 10t^3   B = 10 / sqrt 3 = 5.774 (t = 1/2 -+ sqrt 3 / 6)   S = 15/8
                cosine  (1 - cos pi t) / 2     B = pi^2 / 2 = 4.935 (at both ends)               S = pi / 2
                run-out t^3 (4 - 3t)           B = 12 (at the core; 4 at t = 1/3)                S = 16 / 9
    region      a B / f^2
    overall     p of the radius, fading over f: p R B / f^2. Between two rows alone the percentage is straight: at each
                of them it turns by R (p2 - p1) / D, which is intended. Where a disc of radius r is spared with a fade
                of f, the level makes it up: sigma = (r + f / 2) / (pi R) of it at most, F = 1 / (1 - sigma), and with
                s1 = sigma S / f, s2 = sigma B / f^2:  p R (F B / f^2 + 2 (S / f) F^2 s1 + F^2 s2 + 2 F^3 s1^2)
    end         a over D of level, q the smooth step; on a ball of radius R, s the sine and c the cosine of how far
                round a place is. A pad: the most of a (q'' c^2 / D^2 - q' s / (D R)). Lengthened, with g = a q' / D
                and g1 = a q'' c / D^2: of (1 + g - R s c g1) / (s^2 + c^2 (1 + g)^2) / R - 1 / R
    squeeze     a of a width, e = a / 2R: a/2 (max(B / f^2, 3 / R^2) + 2 S / (f R)), and ((1 + e) / (1 - e)^2 - 1) / R
                where the circle has become an ellipse
    flatten     a deep: at an angle u the skin lies x = R cos u - (R - a) outside of the plane and goes m(x) inwards: x
                itself, 0 inside of it, and between, over a corner of c, (x + c)^2 / 4c. K is the largest eigenvalue of
                [[m q'' / f^2, m' q' / f], [m' q' / f, m'' q]] over all u and t. With no corner the skin turns where it
                meets the plane by arccos(1 - a / R), which is intended
    raise       of a wall that leans by g, H high, over a feather f: max(g H B / f^2, 4.63 g / f) + 1.78 g S / f; 4.63
                and 1.78 are the most of t q'' + 2 q' and t q' + q
    shelf       along a meridian it turns by a right angle less its tilt at either corner, which is intended: no more
                than L / r in any edge, r the radius of the rim, and no more than that turn. Over the feathers at its
                two sides, where a place goes m and one beside it along the meridian by 2 sin(turn / 2) more, there
                comes (m B / f^2 + 2 S sin(turn / 2) / f) / cos^2(turn / 2) to it: a half turned sheet is so much
                shorter. That one is no close bound: some four times what is measured
    flare       2 out / over^2 (a parabola up and its mirror on); where it runs out round the limb over an arc of f, the
                largest eigenvalue of [[h'' w, h' w' / f], [h' w' / f, h w'' / f^2]] over all of either, h its height
                and w the smooth step. At a corner of the trimline the two sides meet: where it turns by v with a radius
                of r, so far inside of it as d they bend by 1 / (r - d) within the arc, and by 2 sin(v / 2) at once past
                it, times the slope there, 2 out / over (1 - d / over). With r of `over` or more that is no more than
                2 out / over^2 again; else an edge of L sees 4 sin(v / 2) out / over (1 - d / over) at most, with
                d = r - L / (2 sin(v / 2)) or 0: a crease of the line itself, which is intended
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import acos, atan2, cos, pi, radians, sin

import numpy as np
import pytest

from rectify.engine import Outcome, rectify_limb
from rectify.engine.blend import fallen
from rectify.engine.weights import region_weight
from rectify.limb.limb import Limb
from rectify.limb.spot import Spot
from rectify.rulebook.plan import Band, Brim, End, Form, Oval, Plan, Sector, Spare
from tests import made
from tests.guarantees.test_dihedral import BEND, ROUNDING, SLOPE, angles, directions, pairs_of
from tests.guarantees.tier import LONG
from tests.made import build_up, overall, plan, reduction, region

R = 40.0
EDGES = (1.5, 2.0, 3.0, 4.0, 6.0) if LONG else (3.0, 6.0)
B, S = BEND["smooth"], SLOPE["smooth"]
AT = Spot(55.0, 0.0)


def test_the_rise_of_a_raised_wall_has_the_derivatives_that_are_used():
    t = np.linspace(0.0, 1.0, 20_001)
    first = np.gradient(t * fallen(t, "smooth"), t)
    assert first.max() == pytest.approx(1.78, abs=0.01)
    assert np.gradient(first, t).max() == pytest.approx(4.63, abs=0.01)


@dataclass(frozen=True)
class Bent:
    """A plan on a limb, and by how much it may turn neighbours: by `crease` wherever it is, and by `per_mm` of edge."""

    limb: Callable[[float], Limb]
    plan: Callable[[Limb], Plan]
    per_mm: Callable[[Limb], float]
    crease: float | Callable[[np.ndarray], np.ndarray] = 0.0  # of edges so long
    least: float = 0.4  # of the bound at its place is added at worst; no idle bound


def tube(edge_mm: float) -> Limb:
    return made.capsule_limb(R, 120.0, edge_mm, 50.0)


def cone(edge_mm: float) -> Limb:
    return made.cone_limb(60.0, 40.0, edge_mm)


# -- regions, overall reduction, end --------------------------------------------------------------


def one_region(make: Callable[..., object], fall: str) -> Bent:
    # the run-out's largest bend is a jump at the core: only a long feather shows it whole
    mm, extent, f = (8.0, 100.0, 30.0) if fall == "run-out" else (5.0, 56.0, 16.0)
    one = make("one", mm, AT, Oval(extent, extent) if make is reduction else Oval(40.0, 40.0), f, fall=fall)

    def per_mm(limb: Limb) -> float:
        stretch = region_weight(one, limb.chart, limb.edge_mm).stretch
        return mm * BEND[fall] / f**2 * (1.0 + stretch) ** 2

    return Bent(tube, lambda _: plan(one), per_mm, least=0.3 if fall == "run-out" else 0.4)


P, FADE, ROWS_MM = 0.06, 25.0, 40.0


def spared() -> float:
    f, r = 15.0, 12.0
    sigma = (r + f / 2) / (pi * R)
    more, s1, s2 = 1.0 / (1.0 - sigma), sigma * S / f, sigma * B / f**2
    return P * R * (more * B / f**2 + 2 * S / f * more**2 * s1 + more**2 * s2 + 2 * more**3 * s1**2)


T = np.linspace(0.0, 1.0, 2001)
Q, Q1, Q2 = T**3 * (6 * T**2 - 15 * T + 10), 30 * T**2 * (1 - T) ** 2, 60 * T * (1 - T) * (1 - 2 * T)


def at_the_end(kind: str) -> Bent:
    a = 6.0

    def per_mm(limb: Limb) -> float:
        over = limb.end_level_mm - limb.inflection_mm
        s = np.clip((limb.inflection_mm + over * T - limb.chart.centre_mm) / R, 0.0, 1.0)
        c = np.sqrt(1.0 - s**2)
        if kind == "pad":
            return float(np.abs(a * (Q2 * c**2 / over**2 - Q1 * s / (over * R))).max())
        g, g1 = a * Q1 / over, a * Q2 * c / over**2
        bent = (1.0 + g - R * s * c * g1) / (s**2 + c**2 * (1.0 + g) ** 2) / R - 1.0 / R
        return float(max(np.abs(bent).max(), (g / R).max()))

    return Bent(tube, lambda limb: plan(end=End(kind, a, limb.inflection_mm)), per_mm)


# -- walls that are formed ------------------------------------------------------------------------


def squeezed() -> Bent:
    a, f = 6.0, 25.0
    e = a / (2 * R)
    bend = a / 2 * (max(B / f**2, 3.0 / R**2) + 2 * S / (f * R)) + ((1 + e) / (1 - e) ** 2 - 1) / R
    one = region("squeeze", "squeeze", a, AT, Band(30.0, 80.0), f, blend="outside", form=Form(narrow="ml"))
    return Bent(tube, lambda _: plan(one), lambda _: bend)


def flattened(corner: float) -> Bent:
    a, f = 5.0, 15.0
    u = np.linspace(0.0, pi / 2, 1501)[:, None]
    x = R * np.cos(u) - (R - a)
    x1, x2 = -np.sin(u), -np.cos(u) / R
    rounded = np.abs(x) < corner
    m = np.where(rounded, (x + corner) ** 2 / (4 * corner or 1.0), np.maximum(x, 0.0))
    m1 = np.where(rounded, (x + corner) / (2 * corner or 1.0), x > 0)
    bent = np.where(rounded, 1.0 / (2 * corner or 1.0), 0.0) * x1**2 + m1 * x2
    one, two, both = m * Q2 / f**2, bent * Q, m1 * x1 * Q1 / f
    most = np.abs(one + two) / 2 + np.sqrt(((one - two) / 2) ** 2 + both**2)
    form = Form(faces_deg=0.0, in_mm=12.0, out_mm=0.0, corner_mm=corner)
    wall = region("flat", "flatten", a, AT, Oval(60.0, 100.0), f, blend="outside", form=form)
    if corner:
        return Bent(tube, lambda _: plan(wall), lambda _: float(most.max()))
    # its crease lies along the meridians, the largest bend across them: no place has both
    return Bent(tube, lambda _: plan(wall), lambda _: float(most.max()), acos(1.0 - a / R), 0.3)


def raised() -> Bent:
    f, lean, high = 20.0, 20.0 / 210.0, 60.0
    bend = max(lean * high * B / f**2, 4.63 * lean / f) + 1.78 * lean * S / f
    form = Form(faces_deg=0.0, in_mm=20.0, out_mm=20.0, corner_mm=2.0)
    one = region("wall", "raise", 40.0, Spot(0.0, 0.0), Sector(50.0), f, blend="outside", form=form)
    return Bent(cone, lambda _: plan(one), lambda _: bend)


OUT, OVER = 6.0, 20.0


def bent_flare(where: str) -> float:
    """Of a flare along a level line, all round or of one side."""
    if where == "all":
        return 2 * OUT / OVER**2
    f = R * radians(30.0)
    d = np.linspace(-1.0, 1.0, 2001)[:, None]  # above the line, of `over`
    high = OUT * np.where(d < 0, (1 + d) ** 2, 2 - (1 - d) ** 2)
    one, two = 2 * OUT / OVER**2 * Q, high * Q2 / f**2
    both = 2 * OUT / OVER * (1 - np.abs(d)) * Q1 / f
    return float((np.abs(one + two) / 2 + np.sqrt(((one - two) / 2) ** 2 + both**2)).max())


def flared(where: str) -> Bent:
    level = tuple(Spot(0.0, angle) for angle in (0.0, 90.0, 180.0, -90.0))
    one = plan(brim=Brim(level, flare_out_mm=OUT, flare_over_mm=OVER, flare_where=where))
    return Bent(tube, lambda _: one, lambda _: bent_flare(where))


def at_a_corner(radius: float) -> Bent:
    """The line comes down to a corner in front."""
    line = (Spot(25.0, 0.0), Spot(0.0, 90.0), Spot(0.0, 180.0), Spot(0.0, -90.0))
    one = plan(brim=Brim(line, radius, flare_out_mm=OUT, flare_over_mm=OVER, flare_where="all"))
    turn = 2 * sin(atan2(25.0, R * pi / 2))  # 2 sin(v / 2)

    def crease(long: np.ndarray) -> np.ndarray:
        return 2 * OUT / OVER * turn * (1.0 - np.maximum(radius - long / turn, 0.0) / OVER)

    if radius >= OVER:
        return Bent(tube, lambda _: one, lambda _: 2 * OUT / OVER**2)
    return Bent(tube, lambda _: one, lambda _: 2 * OUT / OVER**2, crease, 0.25)


CASES: dict[str, Bent] = {
    **{f"a build-up, {fall}": one_region(build_up, fall) for fall in BEND},
    **{f"a reduction, {fall}": one_region(reduction, fall) for fall in BEND},
    "overall, one percentage": Bent(
        tube,
        lambda _: plan(overall=overall((30.0, 100 * P), (70.0, 100 * P), fade=FADE)),
        lambda _: P * R * B / FADE**2,
    ),
    "overall, from 2 to 6 %": Bent(
        tube,
        lambda _: plan(overall=overall((30.0, 2.0), (30.0 + ROWS_MM, 100 * P), fade=FADE)),
        lambda _: P * R * B / FADE**2,
        R * (P - 0.02) / ROWS_MM,
    ),
    "overall, a disc spared": Bent(
        tube,
        lambda _: plan(
            overall=overall((10.0, 100 * P), (90.0, 100 * P), fade=FADE, spare=(Spare(spots=(AT,), radius_mm=12.0),))
        ),
        lambda _: spared(),
    ),
    "the end padded": at_the_end("pad"),
    "the end lengthened": at_the_end("lengthen"),
    "a squeeze": squeezed(),
    "a flat wall, its corner rounded by 4 mm": flattened(4.0),
    "a flat wall, its corner left": flattened(0.0),
    "a raised wall": raised(),
    "a flare all round": flared("all"),
    "a flare behind": flared("posterior"),
    "a flare at a corner left sharp": at_a_corner(0.0),
    "a flare at a corner rounded by less than it is wide": at_a_corner(8.0),
    "a flare at a corner rounded by as much": at_a_corner(20.0),
}  # fmt: skip


def added_and_bound(
    outcome: Outcome, per_mm: float, crease: float | Callable[[np.ndarray], np.ndarray]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """For each pair of neighbours: what was added over the capture, the bound, and their longest edge."""
    start, end, faces = outcome.limb.mesh.vertices, outcome.mesh.vertices, outcome.limb.mesh.faces
    normals, pairs = outcome.asked.places.normals, pairs_of(faces)
    added = np.abs(angles(end, faces, pairs) - angles(start, faces, pairs))
    sides = np.stack([np.linalg.norm(start[faces[:, i]] - start[faces[:, i - 1]], axis=1) for i in range(3)])
    turns = np.stack([np.linalg.norm(normals[faces[:, i]] - normals[faces[:, i - 1]], axis=1) for i in range(3)])
    curved = (turns / sides).max(axis=0)
    height = np.einsum("ij,ij->i", end - start, normals)[faces]
    own = directions(start, faces)
    lean = np.stack([np.linalg.norm(np.cross(normals[faces[:, i]], own), axis=1) for i in range(3)]).max(axis=0)
    tilt = np.abs(height).max(axis=1) * curved * lean

    def of_both(per_face: np.ndarray) -> np.ndarray:
        return np.maximum(per_face[pairs[:, 0]], per_face[pairs[:, 1]])

    shrunk = 1.0 - of_both(np.maximum(-height.min(axis=1), 0.0) * curved)
    long = of_both(sides.max(axis=0))
    crease = crease(long) if callable(crease) else crease
    return added, crease + long * per_mm / shrunk**2 + tilt[pairs[:, 0]] + tilt[pairs[:, 1]], long


def carried_out(name: str, edge_mm: float) -> tuple[Outcome, float]:
    case = CASES[name]
    limb = case.limb(edge_mm)
    outcome = rectify_limb(limb, case.plan(limb))
    assert outcome.guarded.rounds == 0
    return outcome, case.per_mm(limb)


@pytest.mark.parametrize("name", CASES)
def test_no_more_than_the_second_derivative_allows_and_not_much_less(name, tell):
    worst = 0.0
    for edge_mm in EDGES:
        outcome, per_mm = carried_out(name, edge_mm)
        added, bound, _ = added_and_bound(outcome, per_mm, CASES[name].crease)
        assert (added <= bound + ROUNDING).all(), f"{edge_mm} mm: {np.degrees((added - bound).max()):.2f} degrees over"
        i = int(np.argmax(added))
        worst = max(worst, added[i] / bound[i])
        tell(
            f"angle added, {name}, {edge_mm:g} mm edges: {np.degrees(added[i]):.1f} deg, {added[i] / bound[i]:.2f} of "
            "the bound there"
        )
    assert worst > CASES[name].least


# -- a shelf ---------------------------------------------------------------------------------------

DEPTH, TILT, CORNER, RIM, SIDE = 16.0, radians(8.0), 6.0, 3.0, 25.0
TURN = pi / 2 - TILT


def shelf(edge_mm: float) -> tuple[Outcome, np.ndarray, np.ndarray]:
    """A seat at the back, (k,) pairs that are whole on it, and pairs that lie in its feathers."""
    form = Form(faces_deg=180.0, tilt_deg=8.0, corner_mm=CORNER)
    at = Spot(-5.0, 180.0)
    seat = region("seat", "shelf", DEPTH, at, Sector(40.0), SIDE, blend="outside", form=form)
    limb = tube(edge_mm)
    outcome = rectify_limb(limb, plan(seat))
    assert outcome.guarded.rounds == 0
    weight = outcome.asked.weight[0][limb.mesh.faces]
    pairs = pairs_of(limb.mesh.faces)
    whole = (weight == 1.0).all(axis=1)[pairs].all(axis=1)
    return outcome, whole, ~whole


def shelf_bounds(outcome: Outcome) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What was added at each pair, what the fold itself may, and what it may in the feathers."""
    m = float(np.linalg.norm(outcome.asked.form, axis=1).max())
    side = (m * B / SIDE**2 + 2 * S * sin(TURN / 2) / SIDE) / cos(TURN / 2) ** 2
    added, bound, long = added_and_bound(outcome, side, 0.0)
    fold = np.minimum(TURN, long / RIM)
    level = added_and_bound(outcome, 0.0, 0.0)[1]  # what curvature and lean come to
    return added, fold + level, np.minimum(fold + bound, TURN + bound)


@pytest.mark.parametrize("edge_mm", EDGES)
def test_a_shelf_turns_at_its_corners_as_far_as_its_radii_say_and_no_more(edge_mm, tell):
    outcome, whole, feathers = shelf(edge_mm)
    added, fold, beside = shelf_bounds(outcome)
    assert (added[whole] <= fold[whole] + ROUNDING).all()
    assert (added[feathers] <= beside[feathers] + ROUNDING).all()
    i = int(np.argmax(np.where(whole, added, 0.0)))
    j = int(np.argmax(np.where(feathers, added, 0.0)))
    assert added[i] > 0.4 * fold[i]
    tell(
        f"angle added, a shelf, {edge_mm:g} mm edges: {np.degrees(added[i]):.0f} deg, {added[i] / fold[i]:.2f} of the "
        f"bound there; in its feathers {np.degrees(added[j]):.0f} deg, {added[j] / beside[j]:.2f}"
    )


def test_a_shelf_folded_sharper_than_it_was_to_be_breaks_the_bound():
    form = Form(faces_deg=180.0, tilt_deg=8.0, corner_mm=0.0)
    limb = tube(2.0)
    outcome = rectify_limb(
        limb, plan(region("seat", "shelf", DEPTH, Spot(-5.0, 180.0), Sector(40.0), SIDE, blend="outside", form=form))
    )
    added, fold, _ = shelf_bounds(outcome)
    assert (added > fold).any()


# -- the bounds can be broken ----------------------------------------------------------------------


@pytest.mark.parametrize("name", CASES)
def test_a_planted_crease_breaks_the_bound(name):
    # where nothing else moves, one vertex pulled out by three edges: its faces turn by 74 degrees
    outcome, per_mm = carried_out(name, 4.0)
    v = outcome.mesh.vertices
    i = int(np.argmin(np.linalg.norm(v - [0.0, -R, -55.0], axis=1)))
    v[i] += [0.0, -12.0, 0.0]
    added, bound, _ = added_and_bound(outcome, per_mm, CASES[name].crease)
    assert (added > bound).any()


def test_a_fall_with_kinks_breaks_the_bound_on_a_fine_scan(monkeypatch):
    # a straight fall turns by a / f at the outline and at the core, however fine the mesh is
    monkeypatch.setattr("rectify.engine.weights.fallen", lambda t, _: np.clip(t, 0.0, 1.0))
    case = CASES["a build-up, smooth"]
    limb = case.limb(2.5)
    added, bound, _ = added_and_bound(rectify_limb(limb, case.plan(limb)), case.per_mm(limb), 0.0)
    assert (added > bound).any()
