"""The Gaussian along one way, against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from rectify.geometry.smoothing import gaussian


@pytest.mark.parametrize("sigma", [0.4, 2.0, 7.3])
@pytest.mark.parametrize(("around", "mode"), [(True, "wrap"), (False, "reflect")])
@pytest.mark.parametrize("shape", [(120,), (90, 3), (5, 4)])  # the last is shorter than the bell is wide
def test_as_scipy_has_it(sigma, around, mode, shape):
    values = np.random.default_rng(7).normal(size=shape)
    assert gaussian(values, sigma, around=around) == pytest.approx(
        gaussian_filter1d(values, sigma, axis=0, mode=mode), abs=1e-14
    )


def test_a_mirror_image_is_smoothed_to_the_same_bits():
    values = np.random.default_rng(8).normal(size=200)
    assert (gaussian(values[::-1], 3.0, around=False)[::-1] == gaussian(values, 3.0, around=False)).all()
