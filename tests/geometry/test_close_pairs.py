"""Close pairs, against a look at every pair."""

from __future__ import annotations

import numpy as np
import pytest

from rectify.geometry.close_pairs import pairs_within


def all_pairs(points, reach):
    """Every pair, looked at."""
    apart = np.linalg.norm(points[:, None] - points[None], axis=2)
    one, two = np.nonzero(np.triu(apart <= reach, k=1))
    return {tuple(pair) for pair in np.stack([one, two], axis=1).tolist()}


@pytest.mark.parametrize("reach", [0.0, 0.05, 0.5, 3.0])
@pytest.mark.parametrize("kind", ["ring", "cloud", "plane", "twice", "crowd"])
def test_every_pair_is_found_once(kind, reach):
    rng = np.random.default_rng(7)
    turn = rng.uniform(0, 2 * np.pi, 150)
    points = {
        "ring": np.stack([10 * np.cos(turn), 10 * np.sin(turn), 0 * turn], axis=1),
        "cloud": rng.normal(size=(120, 3)),
        "plane": np.concatenate([np.full((100, 1), 3.0), rng.integers(0, 9, (100, 2)).astype(float)], axis=1),
        "twice": np.repeat(rng.normal(size=(60, 3)), 2, axis=0),
        "crowd": np.concatenate([rng.normal(size=(200, 3)) * 0.01, rng.normal(size=(40, 3))]),
    }[kind]
    found = pairs_within(points, reach).tolist()
    assert {tuple(pair) for pair in found} == all_pairs(points, reach)
    assert len({tuple(pair) for pair in found}) == len(found)


def test_few_points_have_few_pairs():
    assert pairs_within(np.zeros((0, 3)), 1.0).shape == (0, 2)
    assert pairs_within(np.zeros((1, 3)), 1.0).shape == (0, 2)
    assert pairs_within(np.zeros((2, 3)), 0.0).tolist() == [[0, 1]]
    assert len(pairs_within(np.zeros((65, 3)), 1.0)) == 65 * 64 / 2  # as many steps as are made, and no more needed
    assert len(pairs_within(np.zeros((66, 3)), 1.0)) == 66 * 65 / 2
