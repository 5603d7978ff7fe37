"""Limbs that differ as people do: every parameter of the generators drawn, and then their proportions too.

The generators lay each landmark at one place about the knee or the groin. Here a made limb is carried by a smooth
map of (level, angle): marks and shape move together, so a tubercle lies 12 or 34 mm below the origin and a fibular
head at 85 or 125 degrees, with its bulge under it. How far things are moved is our own choice, wide enough for limbs
that differ from the averages by half. The origin is marked by a hand, off by a few mm.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from rectify.errors import MeshError
from rectify.geometry.mesh import Floats, Mesh, Points
from rectify.limb.landmarks import Landmark, RawLandmark, on_chart, raw_landmarks
from rectify.limb.limb import Limb
from rectify.synthetic import SyntheticLimb, Transfemoral, Transtibial, mirrored, transfemoral, transtibial

REACH_MM = 28.0  # how far about a place its own move is felt
SHORTEST = 0.28  # of the girth at the origin: below it a bulbous limb's sections say little of where its axis runs
HAND_MM = 3.0  # standard deviation of the mark at the origin, along and around
ZERO = {"transtibial": ("mid-patellar-tendon",), "transfemoral": ("perineum", "anterior-thigh")}

# standard deviations of a place's own move: mm along, degrees around
_OWN = {
    "transtibial": {
        "mid-patellar-tendon": (0.0, 0.0),
        "patella-apex": (2.0, 1.5),
        "patella-centre": (4.0, 2.5),
        "tibial-tubercle": (4.0, 3.0),
        "medial-joint-line": (4.0, 5.0),
        "medial-tibial-flare": (6.0, 6.0),
        "fibular-head": (6.0, 10.0),
        "fibular-neck": (3.0, 4.0),
        "medial-condyle": (7.0, 10.0),
        "lateral-condyle": (7.0, 9.0),
        "medial-hamstring": (12.0, 7.0),
        "lateral-hamstring": (12.0, 6.0),
        "popliteal": (1.0, 6.0),
        "tibial-crest": (0.0, 3.0),
        "distal-tibia": (5.0, 4.0),
        "distal-fibula": (6.0, 8.0),
    },
    "transfemoral": {
        "perineum": (0.0, 0.0),
        "anterior-thigh": (0.0, 0.0),
        "ischial-tuberosity": (6.0, 7.0),
        "adductor-longus": (8.0, 6.0),
        "femoral-triangle": (6.0, 6.0),
        "greater-trochanter": (9.0, 9.0),
        "gluteal-fold": (8.0, 3.0),
        "lateral-femoral-shaft": (8.0, 6.0),
        "distal-femur": (7.0, 15.0),
    },
}
# shares of another place's own move, along and around: the neck is on the head, and a fibula is straight
_GOES_WITH = {"fibular-neck": ("fibular-head", (1.0, 1.0)), "distal-fibula": ("fibular-head", (0.0, 0.6))}
_SOFT = 0.15  # places that ask for different moves close to each other meet halfway
_KNEE_STRETCH = 0.20  # standard deviation: distances about the knee differ by that share, all together
_LEAN_DEG = 9.0  # standard deviation, per 100 mm of level: the shank's front turns on the way down


@dataclass(frozen=True, eq=False)
class Varied:
    """A limb whose landmarks are known, and what a sparing hand marked of it.

    Parameters
    ----------
    made : SyntheticLimb
    marks : name -> RawLandmark
        Where everything truly is, but for the origin and what fixes angle 0, which a hand marked.
    """

    made: SyntheticLimb
    marks: dict[str, RawLandmark]

    def limb(self, *more: str) -> Limb:
        """The limb with the origin, what fixes angle 0, and `more` marked."""
        keep = {*ZERO[self.made.amputation], *more}
        marks = {name: mark for name, mark in self.marks.items() if name in keep}
        return Limb.from_capture(self.made.mesh, side=self.made.side, amputation=self.made.amputation, landmarks=marks)


def varied(seed: int, amputation: str = "transtibial", edge_mm: float = 5.0, proportions: float = 1.0) -> Varied:
    """A limb by its seed; `proportions` scales how far its proportions stray from the generator's."""
    rng = np.random.default_rng([seed, 71])
    while True:
        try:
            made = _leg(rng, edge_mm) if amputation == "transtibial" else _thigh(rng, edge_mm)
            wide = made.facts["length_mm"] < SHORTEST * made.facts["circumference_mm"]
            moved = None if wide else _carried(made, rng, proportions)
        except MeshError:
            continue  # features too large for the girth drawn
        if moved is not None:
            break
    if rng.random() < 0.5:
        flip = np.array([-1.0, 1.0, 1.0])
        moved = replace(
            moved, side="left", mesh=mirrored(moved.mesh), landmarks={n: p * flip for n, p in moved.landmarks.items()}
        )
    marks = raw_landmarks(moved.landmarks)
    for name in ZERO[amputation]:
        marks[name] = RawLandmark(_by_hand(moved.mesh, marks[name].points[0], rng)[None])
    return Varied(moved, marks)


def _leg(rng: np.random.Generator, edge_mm: float) -> SyntheticLimb:
    end = str(rng.choice(["round", "bulbous", "conical", "redundant"], p=[0.45, 0.15, 0.25, 0.15]))
    low, high = {"round": (0.75, 0.98), "bulbous": (1.05, 1.2), "conical": (0.65, 0.85), "redundant": (0.85, 1.0)}[end]
    bony = rng.uniform(0.5, 1.3)

    def stands(least: float = 0.75, most: float = 1.25) -> float:
        return float(np.clip(bony * rng.uniform(least, most), 0.3, 1.8))

    return transtibial(
        Transtibial(
            length=rng.uniform(95, 230),
            bulk=rng.uniform(290, 440),
            taper=rng.uniform(low, high),
            ellipticity=rng.uniform(0.97, 1.22),
            end=end,
            knee_bend=rng.uniform(0, 18),
            above=rng.uniform(62, 105),
            crest=stands(),
            tubercle=stands(),
            fibular_head=stands(),
            distal_tibia=stands(0.6, 1.3),
            distal_fibula=stands(0.6, 1.3),
            patella=stands(),
            tendon=stands(),
            condyles=stands(),
            popliteal=rng.uniform(0.5, 1.4),
            hamstrings=rng.uniform(0.5, 1.4),
            calf=rng.uniform(0.4, 1.5),
            scar=float(rng.choice([0.0, 1.0])),
            pressed=float(rng.choice([0.0, rng.uniform(1, 5)])),
            edge_mm=edge_mm,
            noise_mm=float(rng.choice([0.0, 0.1, 0.2])),
            seed=int(rng.integers(1 << 30)),
        )
    )


def _thigh(rng: np.random.Generator, edge_mm: float) -> SyntheticLimb:
    end = str(rng.choice(["round", "bulbous", "conical"], p=[0.5, 0.2, 0.3]))
    low, high = {"round": (0.65, 0.85), "bulbous": (0.8, 1.0), "conical": (0.6, 0.75)}[end]
    return transfemoral(
        Transfemoral(
            length=rng.uniform(170, 320),
            bulk=rng.uniform(450, 650),
            taper=rng.uniform(low, high),
            ellipticity=rng.uniform(0.9, 1.2),
            end=end,
            rise=rng.uniform(60, 108),
            adductor=rng.uniform(0.5, 1.4),
            trochanter=rng.uniform(0.4, 1.4),
            gluteal=rng.uniform(0.5, 1.4),
            groin=rng.uniform(0.5, 1.4),
            femur=rng.uniform(0.3, 1.4),
            scar=float(rng.choice([0.0, 1.0])),
            edge_mm=edge_mm * 1.3,
            noise_mm=float(rng.choice([0.0, 0.1, 0.2])),
            seed=int(rng.integers(1 << 30)),
        )
    )


def _by_hand(mesh: Mesh, point: Floats, rng: np.random.Generator) -> Floats:
    """A place marked by a hand: the skin nearest to where it meant to be."""
    aside = point + rng.normal(0.0, HAND_MM, 3)
    return np.asarray(mesh.vertices[np.argmin(((mesh.vertices - aside) ** 2).sum(axis=1))])


# -- proportions ----------------------------------------------------------------------------------


def moves(made: SyntheticLimb, rng: np.random.Generator, share: float = 1.0) -> tuple[Points, Points]:
    """Places (k, 2) and how far each is moved (k, 2): mm of level, degrees."""
    stretch, lean = share * rng.normal(0.08, _KNEE_STRETCH), share * rng.normal(0.0, _LEAN_DEG)
    below = stretch + share * rng.normal(0.0, 0.12)
    moved: dict[str, Floats] = {}
    places, by = [], []
    for name, (along, around) in _OWN[made.amputation].items():
        for point in np.atleast_2d(made.landmarks.get(name, np.zeros((0, 3)))):
            level, angle = -point[2], np.degrees(np.arctan2(point[0], point[1]))
            own = rng.normal(0.0, [along, around]) * share
            moved[name] = own
            if name in _GOES_WITH:
                other, part = _GOES_WITH[name]
                own = own + part * moved[other]
            if made.amputation == "transtibial":
                near = level < 45.0 and name != "tibial-crest"
                own[0] += level * (stretch if level < 0 else below) if near else 0.0
                own[1] += lean * level / 100.0
            places.append((level, angle))
            by.append(own)
    return np.array(places), np.array(by)


def carried(made: SyntheticLimb, places: Points, by: Points) -> SyntheticLimb | None:
    """A right limb with each of the places moved, and what lies between carried along; None where it would fold."""
    radius = np.abs(made.mesh.vertices[:, :2]).max() * 0.9

    def kernel(one: Points, two: Points) -> Floats:
        turn = (one[:, None, 1] - two[None, :, 1] + 180.0) % 360.0 - 180.0
        gap = np.hypot(one[:, None, 0] - two[None, :, 0], np.radians(turn) * radius)
        return np.asarray(np.exp(-0.5 * (gap / REACH_MM) ** 2))

    weights = np.linalg.solve(kernel(places, places) + _SOFT * np.eye(len(places)), by)

    def carry(points: Points) -> Points:
        flat = np.atleast_2d(points)
        out, level = np.hypot(flat[:, 0], flat[:, 1]), -flat[:, 2]
        angle = np.degrees(np.arctan2(flat[:, 0], flat[:, 1]))
        move = kernel(np.stack([level, angle], axis=1), places) @ weights
        move *= (1.0 - np.exp(-((out / 15.0) ** 2)))[:, None]  # the pole has no angle
        turn = np.radians(angle + move[:, 1])
        moved = np.stack([out * np.sin(turn), out * np.cos(turn), -(level + move[:, 0])], axis=1)
        return np.asarray(moved.reshape(np.shape(points)))

    vertices = carry(made.mesh.vertices)
    before, after = (_areas(v, made.mesh) for v in (made.mesh.vertices, vertices))
    facing = (before * after).sum(axis=1) / (before**2).sum(axis=1)
    if facing.min() < 0.25:
        return None
    marks = {name: carry(point) for name, point in made.landmarks.items()}
    return replace(made, mesh=replace(made.mesh, vertices=vertices), landmarks=marks)


def _carried(made: SyntheticLimb, rng: np.random.Generator, share: float) -> SyntheticLimb | None:
    for _ in range(8):
        moved = carried(made, *moves(made, rng, share))
        if moved is not None:
            return moved
    return None


def _areas(v: Points, mesh: Mesh) -> Points:
    a, b, c = (v[mesh.faces[:, i]] for i in range(3))
    return np.cross(b - a, c - a)


# -- how far off ----------------------------------------------------------------------------------


def off_mm(name: str, estimated: Landmark, true: Mapping[str, Landmark]) -> float:
    """How far an estimate lies from the truth, mm.

    Of a line: the farthest of its points from the true line, or, where only one point of that is known, how far this
    lies from the estimated line. The crest runs from tubercle to cut end, where these are known.
    """
    parts = ("tibial-tubercle", name, "distal-tibia") if name == "tibial-crest" else (name,)
    line = np.concatenate([true[part].points for part in parts if part in true and not true[part].absent])
    if len(estimated.points) == 1:
        return float(np.linalg.norm(estimated.points[0] - line[0]))
    if len(line) == 1:
        return _from_line(line[0], estimated.points)
    return max(_from_line(point, line) for point in estimated.points)


def _from_line(point: Floats, line: Points) -> float:
    start, step = line[:-1], np.diff(line, axis=0)
    part = np.clip(((point - start) * step).sum(axis=1) / np.maximum((step**2).sum(axis=1), 1e-12), 0.0, 1.0)
    return float(np.linalg.norm(point - start - part[:, None] * step, axis=1).min())


def true_on(limb: Limb, marks: Mapping[str, RawLandmark]) -> dict[str, Landmark]:
    """Where everything truly is, in a limb's own frame."""
    return {name: on_chart(name, mark, limb.chart, limb.frame) for name, mark in marks.items()}
