"""The model from five sides: size, silhouette, sides, colours."""

from __future__ import annotations

import io

import matplotlib.image
import numpy as np
import pytest

from rectify.engine import rectify_limb
from rectify.limb.limb import Limb
from rectify.limb.spot import Spot
from rectify.report.four_sides import VIEWS, Picture, four_sides
from tests import made
from tests.report.conftest import demo


def pixels(picture: Picture) -> np.ndarray:
    return matplotlib.image.imread(io.BytesIO(picture.png), format="png")


def views(limb: Limb, *regions) -> dict[str, Picture]:
    return {p.view: p for p in four_sides(rectify_limb(limb, made.plan(*regions)))}


def brown(picture: Picture) -> np.ndarray:
    """(k, 2) rows and columns of pixels coloured as built up."""
    p = pixels(picture)
    return np.argwhere((p[..., 0] - p[..., 2] > 0.2) & (p[..., 0] > 0.3))


def test_there_is_one_small_picture_of_each_view_and_it_is_the_same_twice() -> None:
    outcome = demo("RB-102").outcome
    pictures = four_sides(outcome)
    assert tuple(p.view for p in pictures) == VIEWS
    assert all(len(p.png) <= 80_000 for p in pictures)
    assert [p.png for p in pictures] == [p.png for p in four_sides(outcome)]
    assert all(pixels(p).shape[:2] == (p.height, p.width) for p in pictures)


def test_a_noisy_scan_still_gives_small_pictures(transtibial_limb: Limb) -> None:
    noisy = made.noisy(transtibial_limb, 0.3)
    assert all(len(p.png) <= 80_000 for p in four_sides(rectify_limb(noisy, made.plan())))


def test_the_silhouette_of_a_capsule_is_a_rectangle_and_half_a_disc(capsule_limb: Limb) -> None:
    picture = views(capsule_limb)["anterior"]
    covered = (pixels(picture)[..., :3].min(axis=2) < 0.985).sum()
    scale = picture.height / (260.0 + 6.0)  # px per mm: 60 + 150 + 50 mm tall, 3 mm of margin either side
    area = (100.0 * 210.0 + np.pi * 50.0**2 / 2) * scale**2
    assert covered == pytest.approx(area, rel=0.015)  # the border is 1 % of it


def test_what_is_built_up_in_front_is_seen_from_the_front_and_not_from_behind(capsule_limb: Limb) -> None:
    seen = views(capsule_limb, made.build_up("front", 5.0, Spot(60.0, 0.0)))
    front = brown(seen["anterior"])
    assert front[:, 1].mean() == pytest.approx(seen["anterior"].width / 2, abs=2.0)
    # level 60 mm is 120 of 260 mm from the top
    assert front[:, 0].mean() == pytest.approx(seen["anterior"].height * (120 + 3) / 266, abs=4.0)
    assert len(brown(seen["posterior"])) == 0


@pytest.mark.parametrize("side", ["right", "left"])
def test_lateral_is_where_the_caption_says(capsule_limb: Limb, side: str) -> None:
    limb = capsule_limb if side == "right" else made.mirror_of(capsule_limb)
    seen = views(limb, made.build_up("outside", 5.0, Spot(60.0, 90.0)))
    assert len(brown(seen["lateral"])) > 500 and len(brown(seen["medial"])) == 0
    for name in ("anterior", "posterior"):
        lateral_right = seen[name].right_is == "lateral"
        assert (brown(seen[name])[:, 1].mean() > seen[name].width / 2) == lateral_right
    assert seen["anterior"].right_is == ("medial" if side == "right" else "lateral")


@pytest.mark.parametrize("side", ["right", "left"])
def test_anterior_is_where_the_caption_of_a_side_says(capsule_limb: Limb, side: str) -> None:
    limb = capsule_limb if side == "right" else made.mirror_of(capsule_limb)
    seen = views(limb, made.build_up("front", 5.0, Spot(60.0, 0.0)))
    for name in ("lateral", "medial"):
        anterior_right = seen[name].right_is == "anterior"
        assert (brown(seen[name])[:, 1].mean() > seen[name].width / 2) == anterior_right


def test_the_end_is_seen_from_the_end_with_the_front_up(capsule_limb: Limb) -> None:
    seen = views(capsule_limb, made.build_up("tip", 5.0, Spot(175.0, 0.0)))["distal"]
    assert brown(seen)[:, 0].mean() < seen.height / 2


def test_outlines_are_drawn_in_pencil_dashed_round_a_reduction(capsule_limb: Limb) -> None:
    def violet(*regions) -> int:
        p = pixels(views(capsule_limb, *regions)["anterior"])
        return int(((p[..., 2] - p[..., 1] > 0.12) & (p[..., 0] - p[..., 1] > 0.02)).sum())

    # next to no amount, so that the ground is pale either way
    solid = violet(made.build_up("front", 0.1, Spot(60.0, 0.0)))
    dashed = violet(made.reduction("front", 0.1, Spot(60.0, 0.0)))
    assert violet() == 0 and solid > 150
    assert 0.4 < dashed / solid < 0.8  # drawn for 3.6 of every 6 mm
