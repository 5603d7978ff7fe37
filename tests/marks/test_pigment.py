"""The amount of pencil per vertex: known shares of ink, mixed by hand, on a flat sheet."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.errors import CaseError
from rectify.marks.colours import COLOURS, PencilColour, pencil_colour
from rectify.marks.pigment import background, pigment

PLASTER = np.array([236.0, 232.0, 221.0])


def sheet(size: int = 120, step: float = 1.0) -> np.ndarray:
    x, y = np.meshgrid(np.arange(size) * step, np.arange(size) * step)
    return np.stack([x.ravel(), y.ravel(), np.zeros(size * size)], axis=1)


def squares(points: np.ndarray, shares: list[float]) -> np.ndarray:
    """The ink of 6 mm squares in a row, one per share."""
    ink = np.zeros(len(points))
    for k, share in enumerate(shares):
        middle = np.array([15.0 + 25.0 * k, 60.0])
        ink[np.abs(points[:, :2] - middle).max(axis=1) <= 3.0] = share
    return ink


def coloured(points, ink, rgb, light=1.0, grain=0.0, seed=0):
    """Ink mixed into plaster by its share, then lit, then grey grain: what the estimate has to undo."""
    mixed = PLASTER + ink[:, None] * (np.asarray(rgb, dtype=float) - PLASTER)
    noise = grain * np.random.default_rng(seed).normal(size=(len(points), 1))
    return np.clip(np.round(mixed * np.reshape(light, (-1, 1)) + noise), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("word", COLOURS)
def test_the_amount_is_the_share_of_ink_that_was_mixed_in_under_light_that_halves(word):
    points = sheet()
    shares = [1.0, 1.0, 0.6, 1.0]
    ink = squares(points, shares)
    light = 1.0 - 0.5 * points[:, 0] / points[:, 0].max()
    found = pigment(points, coloured(points, ink, COLOURS[word], light), pencil_colour(word))
    assert found.found
    for k, share in enumerate(shares):
        middle = np.abs(points[:, :2] - [15.0 + 25.0 * k, 60.0]).max(axis=1) <= 2.0
        # 0.06: whole steps of 255 in half light, and the background 4 mm cells see
        assert np.median(found.amount[middle]) == pytest.approx(share, abs=0.06)
    bare = np.abs(points[:, 1] - 60.0) > 12.0
    assert np.abs(found.amount[bare]).max() < 0.12


def test_the_pencils_own_colour_is_learnt_when_the_word_is_only_near_it():
    points = sheet()
    rgb = (70, 90, 190)  # bluer than the word
    found = pigment(points, coloured(points, squares(points, [1.0] * 4), rgb), pencil_colour("blue-violet"))
    assert found.found and np.abs(found.rgb - rgb).max() < 6.0  # of 255


@pytest.mark.parametrize(
    ("ink", "sought"),
    [
        ("green", "blue-violet"),
        ("red", "blue"),
        ("blue-violet", "red"),
        ("blue", "black"),
        ("black", "violet"),
        ("brown", "green"),
    ],
)
def test_ink_of_another_colour_is_not_found(ink, sought):
    points = sheet()
    colours = coloured(points, squares(points, [1.0] * 4), COLOURS[ink], grain=3.0)
    assert not pigment(points, colours, pencil_colour(sought)).found


@pytest.mark.parametrize("word", COLOURS)
def test_grey_grain_and_a_shadow_across_are_no_pencil(word):
    points = sheet()
    shadow = 1.0 - 0.35 * np.exp(-(((points[:, 1] - 60.0) / 15.0) ** 2))
    colours = coloured(points, np.zeros(len(points)), (0, 0, 0), shadow, grain=9.0)
    assert not pigment(points, colours, pencil_colour(word)).found


def test_the_background_follows_light_and_passes_over_ink():
    points = sheet()
    ink = squares(points, [1.0] * 4)
    light = 1.0 - 0.3 * points[:, 0] / points[:, 0].max()
    values = coloured(points, ink, COLOURS["blue-violet"], light).astype(float)
    found = background(points, values, np.ones(len(points), dtype=bool))
    inner = (points[:, :2] > 18).all(axis=1) & (points[:, :2] < 101).all(axis=1)  # a median leans inward at the rim
    assert np.abs(found - PLASTER * light[:, None])[inner].max() < 4.0  # of 255


def test_a_pencil_of_the_surfaces_own_colour_is_refused():
    points = sheet(40)
    with pytest.raises(CaseError, match="cannot be told from the surface"):
        pigment(points, coloured(points, np.zeros(len(points)), (0, 0, 0)), PencilColour("#e8e4d8", (232, 228, 216)))


def test_a_black_surface_is_refused():
    points = sheet(40)
    with pytest.raises(CaseError, match="too dark"):
        pigment(points, np.full((len(points), 3), 9, dtype=np.uint8), pencil_colour("red"))
