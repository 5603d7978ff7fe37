"""Walls of limbs with folds planted in them: what a scan, a hand or a guard that fails could make of a surface.

Every fold moves vertices and leaves faces alone. None of them is gentle on purpose: most of them cross, many do not,
and what counts is that two ways of looking agree.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np

from rectify.geometry.crossings import Spine
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Floats, Ints, Mesh, Points
from rectify.synthetic import Transfemoral, Transtibial, capsule, transfemoral, transtibial
from tests import made

__all__ = ["BODIES", "FOLDS", "Wall", "wall"]

UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, eq=False)
class Wall:
    """An open wall, the half-line inside it, and its border rings."""

    mesh: Mesh
    spine: Spine
    edges: list[Ints]


def _capsule(edge_mm: float) -> Wall:
    mesh = capsule(50.0, 150.0, edge_mm, 60.0)
    return Wall(mesh, Spine(np.array([0.0, 0.0, -150.0]), UP), border_loops(mesh))


def _limb(params: Transtibial | Transfemoral) -> Wall:
    limb = made.limb_from(transtibial(params) if isinstance(params, Transtibial) else transfemoral(params))
    return Wall(limb.mesh, Spine(np.array([0.0, 0.0, -limb.chart.centre_mm]), UP), [limb.cap.loop])


BODIES: dict[str, Callable[[], Wall]] = {
    "capsule, 6 mm": lambda: _capsule(6.0),
    "capsule, 12 mm": lambda: _capsule(12.0),
    "transtibial": lambda: _limb(Transtibial(edge_mm=6.0)),
    "conical": lambda: _limb(Transtibial(edge_mm=8.0, end="conical", length=190.0)),
    "overhanging": lambda: _limb(Transtibial(edge_mm=7.0, end="redundant", side="left")),
    "transfemoral": lambda: _limb(Transfemoral(edge_mm=9.0)),
}


@cache
def wall(name: str) -> Wall:
    """One of BODIES, made once."""
    return BODIES[name]()


# -- places ---------------------------------------------------------------------------------------


def _unit(x: Floats) -> Floats:
    return np.asarray(x / np.linalg.norm(x))


def _place(body: Wall, rng: np.random.Generator) -> int:
    """A vertex: anywhere, near the pole, at the edge, or behind, where angles jump from 180 to -180."""
    v = body.mesh.vertices
    where = rng.integers(4)
    if where == 0:
        return int(rng.integers(len(v)))
    if where == 1:
        return int(np.argsort(v[:, 2])[rng.integers(12)])
    if where == 2:
        ring = body.edges[0]
        return int(ring[rng.integers(len(ring))])
    behind = np.abs(np.arctan2(v[:, 0], -v[:, 1])) + 0.01 * np.abs(v[:, 2] - rng.uniform(-140.0, 40.0))
    return int(np.argmin(behind))


def _out(body: Wall, at: Points) -> Floats:
    """Away from the spine at a place."""
    end = body.spine.end
    away = at - (end + max(0.0, float((at - end) @ UP)) * UP)
    return _unit(away) if np.linalg.norm(away) > 1e-6 else -UP


def _near(v: Points, at: Points, reach: float) -> Floats:
    return np.asarray(np.exp(-(np.linalg.norm(v - at, axis=1) ** 2) / (2 * reach * reach)))[:, None]


def _closest(v: Points, at: Points, count: int) -> Ints:
    return np.argsort(np.linalg.norm(v - at, axis=1))[:count]


# -- folds ----------------------------------------------------------------------------------------

Fold = Callable[[Wall, Points, np.random.Generator], Points]


def spike(body: Wall, v: Points, rng: np.random.Generator) -> Points:
    """One to three vertices pushed in, past the middle or through the far wall."""
    at = v[_place(body, rng)]
    v[_closest(v, at, int(rng.integers(1, 4)))] += -_out(body, at) * rng.uniform(20.0, 140.0) + rng.normal(0.0, 15.0, 3)
    return v


def flap(body: Wall, v: Points, rng: np.random.Generator) -> Points:
    """A patch of skin lifted and laid over its neighbourhood."""
    at = v[_place(body, rng)]
    out = _out(body, at)
    aside = _unit(np.cross(out, rng.normal(size=3)))
    lifted = np.minimum(1.5 * _near(v, at, rng.uniform(8.0, 20.0)), 1.0)
    return np.asarray(v + lifted * (out * rng.uniform(-2.0, 8.0) + aside * rng.uniform(20.0, 70.0)))


def rolled_edge(body: Wall, v: Points, rng: np.random.Generator) -> Points:  # noqa: ARG001  one signature for all
    """The top rolled in or out and down over a part of its circle: the edge doubles back."""
    high = np.maximum((v[:, 2] - np.quantile(v[:, 2], 0.93)) / 12.0, 0.0)
    part = high * np.clip(np.cos(np.arctan2(v[:, 0], v[:, 1]) - rng.uniform(0.0, 2 * np.pi)), 0.0, 1.0)
    out = v[:, :2] / (np.linalg.norm(v[:, :2], axis=1, keepdims=True) + 1e-9)
    v[:, :2] += float(rng.choice([-1.0, 1.0])) * rng.uniform(1.0, 9.0) * part[:, None] * out
    v[:, 2] -= rng.uniform(8.0, 30.0) * part
    return v


def pinched_pole(body: Wall, v: Points, rng: np.random.Generator) -> Points:  # noqa: ARG001  one signature for all
    """The lowest points pinched together or turned inside out."""
    low = np.argsort(v[:, 2])[: rng.integers(6, 60)]
    middle = v[low].mean(axis=0)
    v[low] = middle + (v[low] - middle) * rng.uniform(-1.2, 0.6, 3) + rng.normal(size=3) * rng.uniform(0.0, 25.0)
    return v


def overhang(body: Wall, v: Points, rng: np.random.Generator) -> Points:
    """A place slid up or down: it shades what lies beside it, and often crosses nothing."""
    at = v[_place(body, rng)]
    move = _out(body, at) * rng.uniform(-8.0, 8.0) + UP * rng.uniform(-60.0, 60.0)
    return np.asarray(v + _near(v, at, rng.uniform(8.0, 20.0)) * move)


def noise(body: Wall, v: Points, rng: np.random.Generator) -> Points:
    """A place so rough that its faces fold over each other, or only nearly."""
    at = v[_place(body, rng)]
    rough = np.linalg.norm(v - at, axis=1) < rng.uniform(10.0, 60.0)
    v[rough] += rng.normal(0.0, float(rng.choice([0.2, 1.0, 3.0, 8.0])), (int(rough.sum()), 3))
    return v


def dent(body: Wall, v: Points, rng: np.random.Generator) -> Points:
    """A place pushed in, up to through the far wall."""
    at = v[_place(body, rng)]
    return np.asarray(v - _near(v, at, rng.uniform(5.0, 20.0)) * _out(body, at) * rng.uniform(40.0, 140.0))


def knot(body: Wall, v: Points, rng: np.random.Generator) -> Points:
    """Neighbours that have changed places."""
    near = _closest(v, v[_place(body, rng)], int(rng.integers(3, 20)))
    v[near] = v[rng.permutation(near)]
    return v


def twist(body: Wall, v: Points, rng: np.random.Generator) -> Points:
    """Skin wrung round its own normal."""
    at = v[_place(body, rng)]
    out, turn = _out(body, at), _near(v, at, rng.uniform(6.0, 20.0)) * rng.uniform(-8.0, 8.0)
    away = v - at
    along = (away @ out)[:, None] * out
    return np.asarray(at + (away - along) * np.cos(turn) + np.cross(out, away) * np.sin(turn) + along)


def shear(body: Wall, v: Points, rng: np.random.Generator) -> Points:
    """A large part carried aside."""
    at = v[_place(body, rng)]
    return np.asarray(v + _near(v, at, rng.uniform(15.0, 40.0)) * rng.normal(size=3) * rng.uniform(5.0, 50.0))


FOLDS: dict[str, Fold] = {
    "spike": spike,
    "flap": flap,
    "rolled edge": rolled_edge,
    "pinched pole": pinched_pole,
    "overhang": overhang,
    "noise": noise,
    "dent": dent,
    "knot": knot,
    "twist": twist,
    "shear": shear,
}
