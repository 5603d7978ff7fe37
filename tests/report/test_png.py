"""PNG bytes, read back by another reader."""

from __future__ import annotations

import io

import matplotlib.image
import numpy as np
import pytest

from rectify.report.png import png_bytes


@pytest.mark.parametrize("shape", [(1, 1, 3), (7, 5, 3), (40, 33, 4)])
@pytest.mark.parametrize("kind", ["noise", "ramp", "flat"])
def test_what_was_written_is_read_back(shape: tuple[int, int, int], kind: str) -> None:
    if kind == "noise":
        picture = np.random.default_rng(0).integers(0, 256, shape).astype(np.uint8)
    elif kind == "ramp":
        picture = np.broadcast_to(np.arange(shape[0])[:, None, None] * 5 % 256, shape).astype(np.uint8)
    else:
        picture = np.full(shape, 200, dtype=np.uint8)
    read = matplotlib.image.imread(io.BytesIO(png_bytes(picture)), format="png")
    assert np.array_equal(np.round(read * 255).astype(np.uint8), picture)


def test_the_same_picture_gives_the_same_bytes_and_an_even_one_few() -> None:
    picture = np.full((200, 200, 3), 240, dtype=np.uint8)
    assert png_bytes(picture) == png_bytes(picture.copy())
    assert len(png_bytes(picture)) < 1000
