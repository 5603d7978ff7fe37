"""Damage does what it says: counted on the scan, against the limb it was put on."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.geometry.mesh import Mesh
from rectify.geometry.nearest import nearest
from rectify.synthetic import Transtibial, transtibial
from rectify.synthetic.damage import KINDS, REFUSED, combination, damage
from tests.synthetic.soundness import edge_counts, volume


@pytest.fixture(scope="module")
def leg():
    return transtibial(Transtibial(edge_mm=6.0))


def hit(leg, kind, seed=1):
    return damage(leg.mesh, leg.landmarks, [kind], seed)


def borders(mesh):
    """Number of border rings, by joining border edges at their ends."""
    edges, counts = edge_counts(mesh)
    left = [set(edge) for edge in edges[counts == 1].tolist()]
    rings = 0
    while left:
        ring = left.pop()
        while True:
            more = [edge for edge in left if edge & ring]
            if not more:
                break
            for edge in more:
                ring |= edge
                left.remove(edge)
        rings += 1
    return rings


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_seed_gives_the_same_scan_and_another_seed_another(leg, kind):
    one, again, other = hit(leg, kind), hit(leg, kind), hit(leg, kind, seed=2)
    assert one.mesh.vertices.tobytes() == again.mesh.vertices.tobytes()
    assert one.mesh.faces.tobytes() == again.mesh.faces.tobytes()
    assert one.done == again.done and [done.kind for done in one.done] == [kind]
    if kind != "inside-out":
        assert one.mesh.vertices.tobytes() + one.mesh.faces.tobytes() != (
            other.mesh.vertices.tobytes() + other.mesh.faces.tobytes()
        )


@pytest.mark.parametrize("kind", KINDS)
def test_what_must_be_refused_says_so_and_names_what_a_refusal_must_name(leg, kind):
    done = hit(leg, kind).done[0]
    assert done.mendable == (kind not in REFUSED)
    assert bool(done.refusal) == (kind in REFUSED)
    assert done.says


def test_a_kind_does_the_same_alone_and_among_others(leg):
    alone = hit(leg, "hole-wide", 5)
    among = damage(leg.mesh, leg.landmarks, ["noise", "hole-wide", "inside-out"], 5)
    gone = len(leg.mesh.faces) - len(alone.mesh.faces)
    assert len(leg.mesh.faces) - len(among.mesh.faces) == gone > 10
    assert np.array_equal(among.mesh.faces[:, ::-1], alone.mesh.faces)


@pytest.mark.parametrize("kind", ["hole-small", "hole-ragged", "hole-wide", "hole-huge"])
def test_a_hole_is_one_more_ring_as_wide_as_it_says(leg, kind):
    scan = hit(leg, kind)
    assert borders(scan.mesh) == borders(leg.mesh) + 1
    edges, counts = edge_counts(scan.mesh)
    top = np.unique(edge_counts(leg.mesh)[0][edge_counts(leg.mesh)[1] == 1])
    ring = scan.mesh.vertices[np.setdiff1d(np.unique(edges[counts == 1]), top)]
    across = np.linalg.norm(ring[:, None] - ring[None], axis=2).max()
    said = float(next(word for word in scan.done[0].says.split() if word.isdigit()))
    assert across == pytest.approx(said, abs=14.0)  # mm; faces of 6 mm edges go whole, on both sides


def test_noise_has_the_deviation_it_says(leg):
    scan = hit(leg, "noise")
    distance = np.linalg.norm(scan.mesh.vertices - leg.mesh.vertices, axis=1)
    assert np.sqrt((distance**2).mean()) == pytest.approx(scan.noise_mm, rel=0.05)  # of 3,000 draws
    assert scan.noise_mm == scan.done[0].noise_mm


@pytest.mark.parametrize("kind", ["lid-large", "lid-grid", "dome"])
def test_a_closed_top_is_closed_and_the_truth_is_open(leg, kind):
    scan = hit(leg, kind)
    assert borders(scan.mesh) == 0 and borders(scan.truth) == 1
    assert volume(scan.mesh) > 0
    rest = Mesh(scan.mesh.vertices, scan.mesh.faces[len(scan.truth.faces) :])
    if kind == "dome":
        assert np.ptp(rest.vertices[np.unique(rest.faces), 2]) > 5.0
    else:
        points = rest.vertices[np.unique(rest.faces)]
        away = points - points.mean(axis=0)
        assert np.abs(away @ np.linalg.svd(away)[2][2]).max() < 1e-9


def test_the_truth_of_a_cut_scan_lies_on_the_limb(leg):
    scan = damage(leg.mesh, leg.landmarks, ["noise", "lid-grid"], 3)
    points = scan.truth.vertices[np.unique(scan.truth.faces)]
    assert nearest(points, leg.mesh.vertices, leg.mesh.faces)[0].max() < 1e-9


def test_a_pose_is_a_turn_and_a_shift_of_scan_truth_and_landmarks(leg):
    scan = hit(leg, "pose")
    turn, shift = scan.pose[:3, :3], scan.pose[:3, 3]
    assert turn @ turn.T == pytest.approx(np.eye(3), abs=1e-12) and np.linalg.det(turn) > 0
    for before, after in ((leg.mesh.vertices, scan.mesh.vertices), (leg.mesh.vertices, scan.truth.vertices)):
        assert np.abs(before @ turn.T + shift - after).max() < 1e-9
    for name, points in leg.landmarks.items():
        assert np.abs(np.asarray(points) @ turn.T + shift - scan.landmarks[name]).max() < 1e-9


def test_units_scale_everything(leg):
    scan = hit(leg, "units")
    scale = scan.pose[0, 0]
    assert scale in (0.1, 0.001, 1 / 25.4, 10.0)
    assert np.abs(scan.mesh.vertices - scale * leg.mesh.vertices).max() < 1e-9


def test_sides_copies_and_gaps_leave_the_surface_where_it_is(leg):
    def area(mesh):
        a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
        return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)

    whole = area(leg.mesh)
    for kind in ("inside-out", "mixed-sides", "cracks", "degenerate-faces"):
        assert area(hit(leg, kind).mesh) == pytest.approx(whole, rel=1e-9)
    assert area(hit(leg, "gaps").mesh) == pytest.approx(whole, rel=1e-4)
    assert volume(hit(leg, "inside-out").mesh) == pytest.approx(-volume(leg.mesh))
    said = int(hit(leg, "duplicate-faces").done[0].says.split()[0])
    assert len(hit(leg, "duplicate-faces").mesh.faces) == len(leg.mesh.faces) + said


@pytest.mark.parametrize("kind", ["sheet-partial", "sheet-attached", "sheet-whole"])
def test_a_second_sheet_lies_as_far_off_as_it_says(leg, kind):
    scan = hit(leg, kind)
    extra = scan.mesh.vertices[len(leg.mesh.vertices) :]
    said = abs(float(next(word for word in scan.done[0].says.split() if word.lstrip("+-").replace(".", "").isdigit())))
    # mm; said with one decimal; beside a ridge the skin is nearer than along the normal
    assert np.median(nearest(extra, leg.mesh.vertices, leg.mesh.faces)[0]) == pytest.approx(said, abs=0.1)
    crowded = (edge_counts(scan.mesh)[1] > 2).any()
    assert crowded == (kind == "sheet-attached")


def test_flaps_and_pinches_are_what_they_are_called(leg):
    assert (edge_counts(hit(leg, "fins").mesh)[1] == 3).sum() >= 2
    edges, counts = edge_counts(hit(leg, "pinches").mesh)
    assert (np.bincount(edges[counts == 1].ravel()) > 2).any()


def test_combinations_are_of_kinds_that_go_together():
    refused = 0
    for seed in range(300):
        kinds = combination(seed)
        assert kinds == combination(seed)
        assert len(set(kinds)) == len(kinds) >= 1 and set(kinds) <= set(KINDS)
        assert sum(kind.startswith(("lid", "dome", "missing")) for kind in kinds) <= 1
        assert sum(kind in REFUSED for kind in kinds) <= 1
        refused += any(kind in REFUSED for kind in kinds)
    assert 30 < refused < 90  # one in five


def test_an_unknown_kind_is_refused(leg):
    with pytest.raises(ValueError, match="no such fault: melted"):
        damage(leg.mesh, leg.landmarks, ["melted"], 1)
