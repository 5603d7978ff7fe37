"""Painted impressions: a limb by formula with pencil marks whose places, kinds and sizes are known.

Nothing here is taken from the finder: ink is laid by distance to what was drawn, on plaster with grain, shading
from one side, the warmth of a lamp, and pencil that did not come through everywhere.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.geometry.normals import vertex_normals
from rectify.marks import Mark
from rectify.synthetic import SyntheticLimb, Transtibial, transtibial

PLASTER = np.array([236.0, 232.0, 221.0])
STROKE_MM = 2.6


@dataclass(frozen=True, eq=False)
class Drawn:
    """A mark as drawn.

    kind : dot | cross | ring | outline | line
    place : (3,) its middle on the surface (of a line, half way along)
    size_mm : a dot's or ring's diameter, a cross's arm to arm, an outline's and a line's length
    curve : (k, 3) what the pencil followed, for lines and outlines
    turned : degrees, of a cross
    dashed : of a ring or line, dash and gap alike, mm; 0 for none
    """

    kind: str
    place: Points
    size_mm: float
    name: str | None = None
    curve: Points = field(default_factory=lambda: np.zeros((0, 3)))
    turned: float = 0.0
    dashed: float = 0.0


@dataclass(frozen=True)
class Look:
    """How the painted surface looks. `grain` in 255ths; the others are shares."""

    rgb: tuple[int, int, int] = (82, 68, 160)
    strength: float = 0.9
    patchy: float = 0.25
    grain: float = 4.0
    shading: float = 0.35
    warmth: float = 0.06
    blotches: float = 0.04
    plaster: tuple[float, float, float] = (236.0, 232.0, 221.0)
    seed: int = 0


def dot(place: Points, diameter: float = 7.0, name: str | None = None) -> Drawn:
    return Drawn("dot", np.asarray(place), diameter, name)


def cross(place: Points, across: float = 16.0, name: str | None = None, turned: float = 0.0) -> Drawn:
    return Drawn("cross", np.asarray(place), across, name, turned=turned)


def ring(place: Points, diameter: float, name: str | None = None, dashed: float = 0.0) -> Drawn:
    return Drawn("ring", np.asarray(place), diameter, name, dashed=dashed)


def line(mesh: Mesh, through: Points, name: str | None = None, dashed: float = 0.0) -> Drawn:
    curve = on_surface(mesh, dense(np.asarray(through)))
    length = float(np.linalg.norm(np.diff(curve, axis=0), axis=1).sum())
    return Drawn("line", curve[len(curve) // 2], length, name, curve, dashed=dashed)


def outline(mesh: Mesh, centre: Points, along: float, around: float, name: str | None = None) -> Drawn:
    """A rounded rectangle about a place, its long side along the limb's z."""
    out, up, side = _plane(mesh, centre)
    turn = np.linspace(0, 2 * np.pi, 240)
    reach = (np.abs(np.cos(turn) / (along / 2)) ** 4 + np.abs(np.sin(turn) / (around / 2)) ** 4) ** -0.25
    flat = centre + (reach * np.cos(turn))[:, None] * up + (reach * np.sin(turn))[:, None] * side + 2.0 * out
    curve = on_surface(mesh, flat)
    length = float(np.linalg.norm(np.diff(curve, axis=0), axis=1).sum())
    return Drawn("outline", np.asarray(centre), length, name, curve)


def dense(points: Points, step: float = 0.5) -> Points:
    gone = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    at = np.linspace(0.0, gone[-1], max(2, int(gone[-1] / step)))
    return np.stack([np.interp(at, gone, points[:, i]) for i in range(3)], axis=1)


def on_surface(mesh: Mesh, points: Points) -> Points:
    """The nearest points of the surface, by a dense sampling of its faces; within 0.4 mm."""
    a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
    shares = np.array([[i, j, 4 - i - j] for i in range(5) for j in range(5 - i)]) / 4.0
    near = np.concatenate([p * a + q * b + r * c for p, q, r in shares])
    return near[cKDTree(near).query(points)[1]]


def paint(mesh: Mesh, drawn: Sequence[Drawn], look: Look = Look()) -> Mesh:
    """The mesh with vertex colours: plaster, and the marks on it."""
    rng = np.random.default_rng(look.seed)
    v = mesh.vertices
    ink = np.zeros(len(v))
    for mark in drawn:
        ink = np.maximum(ink, _ink(mesh, mark, rng))
    thin = _field(v, rng, 1.6)
    ink *= np.clip((thin - np.quantile(thin, look.patchy)) / 0.35 + 0.5, 0.15, 1.0) if look.patchy else 1.0
    return coloured(mesh, ink * look.strength, look, rng)


def coloured(mesh: Mesh, ink: Floats, look: Look, rng: np.random.Generator | None = None) -> Mesh:
    """The mesh with vertex colours, `ink` (n,) of it pencil."""
    rng = rng or np.random.default_rng(look.seed)
    v, normals = mesh.vertices, vertex_normals(mesh)
    light = rng.normal(size=3)
    light /= np.linalg.norm(light)
    where = (v - v.mean(axis=0)) / np.ptp(v, axis=0).max()
    bright = 1.0 - look.shading * (0.5 - 0.5 * (0.6 * normals @ light + 0.8 * where @ light))
    bright = bright * (1.0 + look.blotches * _field(v, rng, 25.0))
    tint = 1.0 + look.warmth * np.outer(where @ rng.normal(size=3), [1.0, 0.1, -1.0])
    base = np.asarray(look.plaster)
    mixed = base + ink[:, None] * (np.asarray(look.rgb, dtype=np.float64) - base)
    grain = look.grain * (rng.normal(size=(len(v), 1)) + 0.25 * rng.normal(size=(len(v), 3)))
    grain = grain + look.grain * _field(v, rng, 2.0)[:, None]
    colours = np.clip(np.round(mixed * bright[:, None] * tint + grain), 0, 255).astype(np.uint8)
    return Mesh(mesh.vertices, mesh.faces, colours)


def stained(mesh: Mesh, place: Points, radius: float, look: Look, strength: float = 0.7) -> Mesh:
    """Plaster with one soft blotch of the pencil's colour."""
    gap = np.linalg.norm(mesh.vertices - place, axis=1)
    return coloured(mesh, strength * np.exp(-0.5 * (gap / (0.6 * radius)) ** 2), look)


def as_impression(mesh: Mesh, places: Mapping[str, Points], seed: int) -> tuple[Mesh, dict[str, Points]]:
    """The same in an arbitrary pose."""
    turn = Rotation.random(random_state=seed).as_matrix()
    shift = np.random.default_rng(seed).uniform(-300, 300, 3)
    moved = Mesh(mesh.vertices @ turn.T + shift, mesh.faces, mesh.colours)
    return moved, {name: np.atleast_2d(p) @ turn.T + shift for name, p in places.items()}


def usual_marks(limb: SyntheticLimb, seed: int) -> list[Drawn]:
    """What a transtibial cast carries: rings, a line, dots and crosses, as different hands draw them."""
    rng = np.random.default_rng(seed)
    at = {name: np.atleast_2d(p) for name, p in limb.landmarks.items()}
    crest = np.concatenate([at["tibial-tubercle"], at["tibial-crest"]])[1 if rng.random() < 0.5 else 0 :]
    marks = [
        ring(at["patella-centre"][0], rng.uniform(36, 48), "patella-centre", dashed=rng.choice([0.0, 0.0, 5.0])),
        line(limb.mesh, crest, "tibial-crest", dashed=rng.choice([0.0, 0.0, 6.0])),
    ]
    head = at["fibular-head"][0]
    marks += [
        [ring(head, rng.uniform(20, 30), "fibular-head")],
        [ring(head, rng.uniform(22, 30), "fibular-head"), dot(head, 6.0, "fibular-head")],
        [cross(head, 16.0, "fibular-head", turned=rng.uniform(0, 90))],
        [dot(head, rng.uniform(5, 9), "fibular-head")],
    ][rng.integers(4)]
    for name in ("mid-patellar-tendon", "tibial-tubercle", "distal-tibia", "distal-fibula"):
        marks.append(_spot(at[name][0], name, rng))
    for name in ("medial-tibial-flare", "popliteal", "medial-hamstring", "lateral-hamstring"):
        if rng.random() < 0.6:
            marks.append(_spot(at[name][0], name, rng))
    return marks


def _spot(place: Points, name: str, rng: np.random.Generator) -> Drawn:
    if rng.random() < 0.3:
        return cross(place, rng.uniform(13, 18), name, turned=rng.uniform(0, 90))
    return dot(place, rng.uniform(5.0, 9.0), name)


def _plane(mesh: Mesh, centre: Points) -> tuple[Points, Points, Points]:
    """Outward, up and aside at a place."""
    near = np.linalg.norm(mesh.vertices - centre, axis=1) < 8.0
    out = vertex_normals(mesh)[near].sum(axis=0)
    out /= np.linalg.norm(out)
    up = np.array([0.0, 0.0, 1.0]) - out[2] * out
    up /= np.linalg.norm(up)
    return out, up, np.cross(up, out)


def _ink(mesh: Mesh, mark: Drawn, rng: np.random.Generator) -> Floats:
    v, half = mesh.vertices, STROKE_MM / 2
    if mark.kind in ("line", "outline"):
        gap, index = cKDTree(mark.curve).query(v)
        ink = _soft(half - gap)
        gone = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(mark.curve, axis=0), axis=1))])
        return ink * _dash(gone[index], mark.dashed)
    out, up, side = _plane(mesh, mark.place)
    off = v - mark.place
    near = np.abs(off @ out) < 0.6 * mark.size_mm + 6.0
    x, y = off @ side, off @ up
    rho, turn = np.hypot(x, y), np.arctan2(y, x)
    if mark.kind == "dot":
        wobble = 1.0 + 0.08 * np.cos(2 * turn + rng.uniform(0, 6)) + 0.05 * np.cos(3 * turn + rng.uniform(0, 6))
        ink = _soft(mark.size_mm / 2 * wobble - rho)
    elif mark.kind == "ring":
        radius = mark.size_mm / 2
        wobble = radius * (1.0 + 0.03 * np.cos(2 * turn + rng.uniform(0, 6)))
        ink = _soft(half - np.abs(rho - wobble)) * _dash((turn + np.pi) * radius, mark.dashed)
    else:
        a = np.radians(mark.turned)
        p, q = x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a)
        reach = mark.size_mm / 2
        ink = np.maximum(
            np.minimum(_soft(half - np.abs(p)), _soft(reach - np.abs(q))),
            np.minimum(_soft(half - np.abs(q)), _soft(reach - np.abs(p))),
        )
    return np.where(near, ink, 0.0)


def _soft(inside: Floats) -> Floats:
    return np.clip(0.5 + inside / 0.8, 0.0, 1.0)


def _dash(gone: Floats, dash: float) -> Floats:
    if dash == 0:
        return np.ones_like(gone)
    return ((gone % (dash + 4.0)) < dash).astype(np.float64)


def _field(points: Points, rng: np.random.Generator, length: float) -> Floats:
    """A smooth random field of unit spread and about this correlation length."""
    waves = rng.normal(size=(80, 3)) / length
    phase = rng.uniform(0, 2 * np.pi, 80)
    return np.cos(points @ waves.T + phase).sum(axis=1) / np.sqrt(40.0)


def hand(limb: SyntheticLimb, seed: int, share: float = 0.75) -> list[Drawn]:
    """Marks at some of a limb's landmarks, of any amputation, as some hand may draw them; the origin among them."""
    rng = np.random.default_rng([seed, 5])
    out = []
    for name, points in limb.landmarks.items():
        at = np.atleast_2d(points)
        if name.startswith("mark") or name == "distal-end":
            continue
        if name not in ("mid-patellar-tendon", "perineum") and rng.random() > share * _OFTEN.get(name, 0.5) / 0.6:
            continue
        if len(at) > 1:
            out.append(line(limb.mesh, at, name))
        elif name in _ROUND_MM and rng.random() < 0.6:
            out.append(ring(at[0], _ROUND_MM[name] * rng.uniform(0.85, 1.2), name))
        else:
            out.append(_spot(at[0], name, rng))
    return out


def as_marks(mesh: Mesh, drawn: Sequence[Drawn], confidence: float = 0.97) -> tuple[Mark, ...]:
    """What a finder that misses nothing would give."""
    out = []
    for mark in drawn:
        near = np.argmin(np.linalg.norm(mesh.vertices - mark.place, axis=1))
        size = mark.size_mm / np.pi if mark.kind == "outline" else mark.size_mm
        curve, out_of = mark.curve, _plane(mesh, mark.place)[0]
        out.append(
            Mark(mark.kind, mark.place, curve, out_of, size, STROKE_MM, 30.0, confidence, np.array([near]))  # type: ignore[arg-type]
        )
    return tuple(out)


# how often these are marked, and how large they are drawn where they are drawn round: our own choice
_OFTEN = {
    "patella-centre": 0.7,
    "patella-apex": 0.25,
    "tibial-tubercle": 0.8,
    "tibial-crest": 0.8,
    "fibular-head": 0.9,
    "fibular-neck": 0.15,
    "distal-tibia": 0.8,
    "distal-fibula": 0.6,
    "medial-joint-line": 0.1,
    "popliteal-crease": 0.1,
    "greater-trochanter": 0.7,
    "ischial-tuberosity": 0.7,
    "adductor-longus": 0.7,
}
_ROUND_MM = {"patella-centre": 43.0, "fibular-head": 25.0, "greater-trochanter": 45.0}


def usual_limb(seed: int, edge_mm: float) -> SyntheticLimb:
    """A transtibial limb of varied length, girth and side."""
    rng = np.random.default_rng([seed, 11])
    return transtibial(
        Transtibial(
            side=str(rng.choice(["left", "right"])),
            length=rng.uniform(115, 200),
            bulk=rng.uniform(290, 420),
            knee_bend=rng.uniform(2, 16),
            edge_mm=edge_mm,
        )
    )
