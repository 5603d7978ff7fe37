"""Pieces of graphs, against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from rectify.geometry.pieces import pieces


@pytest.mark.parametrize("seed", range(30))
def test_random_graphs_fall_apart_as_scipy_says(seed):
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 300))
    one, other = rng.integers(0, count, (2, int(rng.integers(0, 2 * count))))
    graph = coo_matrix((np.ones(len(one)), (one, other)), (count, count))
    number, label = connected_components(graph, directed=False)
    found, own = pieces(count, one, other)
    assert found == number
    assert own.tolist() == label.tolist()  # scipy numbers by the first thing too


@pytest.mark.parametrize("order", ["rising", "falling", "random", "star"])
def test_a_long_chain_and_a_star_are_one_piece(order):
    count = 5000
    names = np.arange(count)
    if order == "falling":
        names = names[::-1]
    elif order == "random":
        names = np.random.default_rng(1).permutation(count)
    one = np.full(count - 1, count - 1) if order == "star" else names[:-1]
    number, label = pieces(count, one, names[1:] if order != "star" else np.arange(count - 1))
    assert number == 1 and not label.any()


def test_nothing_and_things_alone():
    none = np.zeros(0, dtype=np.int64)
    assert pieces(0, none, none)[0] == 0
    number, label = pieces(3, none, none)
    assert number == 3 and label.tolist() == [0, 1, 2]
    assert pieces(2, np.array([1]), np.array([1]))[0] == 2  # hanging together with itself
