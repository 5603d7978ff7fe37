"""Distances, sums and places against closed forms and against what was planted."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.geometry.mesh import Mesh
from rectify.geometry.normals import face_areas, vertex_normals
from rectify.geometry.volume import volume
from rectify.limb.limb import Limb
from rectify.studies.difference import difference, patches, spread_of, volumes
from rectify.studies.scale import beside
from rectify.synthetic import capsule, sphere


def everywhere(mesh: Mesh) -> np.ndarray:
    return np.ones(len(mesh.vertices), dtype=bool)


def test_a_sphere_against_a_larger_one_by_closed_form() -> None:
    small, large = sphere(50.0, 1.5), sphere(53.0, 1.5)
    d = difference(small, large)
    found = spread_of(d, everywhere(small))
    sagitta = 3.0**2 / (8 * 53.0)  # mm, how far a face of 1.5 mm edges may lie inside its sphere
    for mm in (found.mean_mm, found.median_mm, found.p5_mm, found.p95_mm, found.mean_size_mm):
        assert mm == pytest.approx(3.0, abs=sagitta)
    assert found.quartiles_mm < sagitta and found.compared_percent == pytest.approx(100.0)
    # (4/3) pi ((R + d)^3 - R^3) = 100015.744 mm3 at R 50, d 3; faces lie inside their spheres, 0.01 mm on average
    assert found.volume_ml * 1000 == pytest.approx(100015.744, rel=4e-3)
    assert found.volume_ml * 1000 == pytest.approx(volume(large) - volume(small), rel=4e-3)
    assert found.area_mm2 == pytest.approx(face_areas(small.vertices, small.faces).sum(), rel=1e-12)


def test_a_capsule_against_an_offset_one_by_closed_form() -> None:
    # below the plane a wall of radius R and a half sphere: V = pi R^2 L + (2/3) pi R^3, and R -> R + d is exact
    one, two = capsule(50.0, 150.0, 2.0, 60.0), capsule(52.0, 150.0, 2.0, 60.0)
    v = volumes(difference(one, two))
    assert v.plane_level_mm == pytest.approx(-60.0 + 2.0)
    length = 150.0 + 58.0
    for ml, r in ((v.before_ml, 50.0), (v.after_ml, 52.0)):
        assert ml * 1000 == pytest.approx(np.pi * r**2 * length + 2 / 3 * np.pi * r**3, rel=1e-3)
    i = int(np.flatnonzero(v.before.levels == 50.0)[0])
    assert v.after.circumference[i] - v.before.circumference[i] == pytest.approx(4 * np.pi, rel=1e-3)
    assert v.after.ap[i] - v.before.ap[i] == pytest.approx(4.0, abs=0.01)


def planted(limb: Limb, mm: float, level: float, angle: float) -> tuple[Mesh, np.ndarray]:
    """A plateau of `mm` within 15 mm of a place, falling off to nothing at 30 mm; and the place."""
    mesh = limb.mesh
    at = limb.chart.point(np.array([level]), np.array([angle]))[0]
    off = np.linalg.norm(mesh.vertices - at, axis=1)
    height = mm * np.clip((30.0 - off) / 15.0, 0.0, 1.0)
    return mesh.with_vertices(mesh.vertices + height[:, None] * vertex_normals(mesh)), at


@pytest.mark.parametrize(("mm", "level", "angle"), [(3.0, 70.0, 100.0), (-3.0, 90.0, 215.0)])
def test_a_planted_patch_is_found_with_its_mm_and_its_place(
    transtibial_limb: Limb, mm: float, level: float, angle: float
) -> None:
    after, at = planted(transtibial_limb, mm, level, angle)
    d = difference(transtibial_limb.mesh, after)
    (found,) = patches(d)
    assert found.peak_mm == pytest.approx(mm, abs=0.05)  # mm, nearest distance on a curved wall
    middle = np.average(transtibial_limb.mesh.vertices[found.vertices], axis=0)
    assert np.linalg.norm(middle - at) < 4.0  # mm, an edge
    assert found.volume_ml == pytest.approx((volume_of(after) - volume_of(transtibial_limb.mesh)) / 1000, rel=0.1)
    # over everything the sliver volumes add up to the change of volume
    whole = float(d.volume_mm3.sum())
    assert whole == pytest.approx(volume_of(after) - volume_of(transtibial_limb.mesh), rel=0.01)


def volume_of(wall: Mesh) -> float:
    """Of the wall under a fan over its edge, which does not move here."""
    return volume(wall)


def test_what_only_one_of_them_has_is_not_compared() -> None:
    tall, short = capsule(50.0, 150.0, 3.0, 60.0), capsule(50.0, 150.0, 3.0, 20.0)
    d = difference(tall, short)
    above = tall.vertices[:, 2] > 20.0 + 1e-6
    assert not d.compared[above].any() and d.compared[tall.vertices[:, 2] < 19.0].all()
    assert np.nanmax(np.abs(d.outward)) < 0.05
    assert spread_of(d, above).compared_percent == 0.0 and np.isnan(spread_of(d, above).mean_mm)


def test_swapping_the_two_turns_the_signs_round(transtibial_limb: Limb) -> None:
    after, _ = planted(transtibial_limb, 3.0, 70.0, 100.0)
    there, back = difference(transtibial_limb.mesh, after), difference(after, transtibial_limb.mesh)
    one, two = (spread_of(d, everywhere(d.before)) for d in (there, back))
    # each is weighed by its own surface: 3 mm farther out the patch has more of it, and its flanks are steeper
    assert two.mean_mm == pytest.approx(-one.mean_mm, rel=0.1)
    assert two.volume_ml == pytest.approx(-one.volume_ml, rel=0.02)
    assert patches(back)[0].peak_mm == pytest.approx(-patches(there)[0].peak_mm, abs=0.1)
    forth, again = volumes(there), volumes(back)
    assert (forth.before_ml, forth.after_ml) == (again.after_ml, again.before_ml)


def test_quantiles_are_weighed_by_area() -> None:
    # half of a sphere moved: by area half lies 0 away and half 1, however unevenly vertices lie
    mesh = sphere(50.0, 2.0)
    far = mesh.vertices[:, 2] > 0
    d = difference(mesh, mesh.with_vertices(mesh.vertices * np.where(far, 1.02, 1.0)[:, None]))
    found = spread_of(d, everywhere(mesh))
    assert found.mean_mm == pytest.approx(0.5, abs=0.03)
    assert found.p5_mm == pytest.approx(0.0, abs=0.02) and found.p95_mm == pytest.approx(1.0, abs=0.02)


LESS, OVER = "less than was noticed", "over 0.25 mm, where it was noticed"
OVER_40 = "over 0.40 mm, where it was noticed"


@pytest.mark.parametrize(
    ("mean", "quartiles", "percent", "largest", "says"),
    [
        (0.24, 0.39, 0.5, 0.9, [LESS, LESS, "less than half a sock ply", "within one person's scatter"]),
        (-0.26, 0.41, -1.2, -1.5, [OVER, OVER_40, "about 1 sock ply less", "within what two people differ by"]),
        (1.0, 0.0, 3.4, 5.0, [OVER, LESS, "about 3 sock plies more", "more than two people differ by"]),
    ],
)
def test_figures_stand_beside_what_was_read_of_them(
    mean: float, quartiles: float, percent: float, largest: float, says: list[str]
) -> None:
    assert [b.says for b in beside(mean, quartiles, percent, largest)] == says


def test_what_cannot_be_told_is_not_held_against_anything() -> None:
    assert [b.figure for b in beside(0.1, 0.1, float("nan"), None)] == ["mean distance", "between quartiles"]


def test_each_source_named_is_in_the_evidence_list_with_its_figure() -> None:
    import yaml

    from rectify.data import rules_folder
    from rectify.studies.scale import CITATIONS

    listed = yaml.safe_load((rules_folder() / "evidence.yaml").read_text(encoding="utf-8"))["sources"]
    figures = {"sanders-2012-error": ("0.25", "0.40"), "sanders-2007-ply": ("1.1",), "convery-2003": ("2 mm", "1 mm")}
    assert set(figures) == set(CITATIONS)
    for key, numbers in figures.items():
        for text in (CITATIONS[key], listed[key]["says"]):
            assert all(number in text for number in numbers)
