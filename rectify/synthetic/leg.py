"""A transtibial residual limb by formula, from the lower thigh to the rounded end.

Where things lie about the knee follows published means, the joint line being 8 mm above mid-patellar-tendon:
- tibial tubercle 29 mm below the joint: Sojka JH, Everhart JS, Kirven JC, Beal MD, Flanigan DC, Variation in
  tibial tuberosity lateralization and distance from the tibiofemoral joint line (161 tibiae)
- patellar tendon 43 mm long: Choi YJ et al. (2010), J Korean Knee Soc 22(1):39-45, and doi
  10.1007/s43465-020-00046-1
- lateral epicondyle 24 mm above the joint, the fibular head's joint as far below it: J Exp Orthop (2023), doi
  10.1186/s40634-023-00621-z
- girth above and below the knee (lower thigh 1.04 to 1.07 of the calf): Gordon CC et al. (2012)
  Anthropometric Survey of U.S. Army Personnel, NATICK/TR-15/007, summary of the public data
How far bones and tendons stand out, and every half width: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.errors import MeshError
from rectify.geometry.mesh import Floats, Points
from rectify.synthetic.body import Body, Dome, Ridge, Trunk, profile
from rectify.synthetic.limb import Fit, SyntheticLimb, fitted, laid, lowest

__all__ = ["ENDS", "JOINT", "Transtibial", "behind_the_knee", "round_the_knee", "transtibial"]

# how deep the rounded end is, as a share of the radius at its shoulder
ENDS = {"round": 0.95, "bulbous": 0.95, "conical": 1.5, "redundant": 0.85}
AVERAGE_RADIUS = 54.0  # mm, of a girth of 340 mm: soft features grow with the girth against it
FLATTEST = 0.45  # of the length: a short wide limb ends flatter, so that half of it is wall
JOINT = -8.0  # mm, level of the knee joint


@dataclass(frozen=True)
class Transtibial:
    """What a transtibial limb is like.

    Lengths are mm. The factors from `crest` to `scar` are of the usual prominence: 0 takes a feature away,
    1 is usual, 1.5 is a thin limb's.

    Parameters
    ----------
    side : 'right' | 'left'
    length : from mid-patellar-tendon to the distal end, 80 to 260
    bulk : the tape at mid-patellar-tendon, 220 to 520
    taper : the tape where the end begins over the tape at mid-patellar-tendon, 0.6 to 1.25
    ellipticity : AP over ML width of the soft body at mid-patellar-tendon, 0.9 to 1.3
    end : 'round' | 'bulbous' | 'conical' | 'redundant'
        Bulbous swells before the end; conical closes slowly; redundant hangs over behind, with dog-ears.
    knee_bend : degrees, 0 to 20
    above : how far the capture reaches above mid-patellar-tendon, 50 to 110
    pressed : how deep the thumbs of whoever took the cast lie beside the tendon, 0 to 6; the fingers behind
        the knee lie half as deep again
    edge_mm : the mesh's edge length
    noise_mm, seed : scanner noise, standard deviation along the normal
    """

    side: str = "right"
    length: float = 150.0
    bulk: float = 340.0
    taper: float = 0.86
    ellipticity: float = 1.1
    end: str = "round"
    knee_bend: float = 8.0
    above: float = 75.0
    crest: float = 1.0
    tubercle: float = 1.0
    fibular_head: float = 1.0
    distal_tibia: float = 1.0
    distal_fibula: float = 1.0
    patella: float = 1.0
    tendon: float = 1.0
    condyles: float = 1.0
    popliteal: float = 1.0
    hamstrings: float = 1.0
    calf: float = 1.0
    scar: float = 1.0
    pressed: float = 0.0
    edge_mm: float = 3.0
    noise_mm: float = 0.0
    seed: int = 0


BOUNDS = {
    "length": (80.0, 260.0),
    "bulk": (220.0, 520.0),
    "taper": (0.6, 1.25),
    "ellipticity": (0.9, 1.3),
    "knee_bend": (0.0, 20.0),
    "above": (50.0, 110.0),
    "noise_mm": (0.0, 2.0),
    "crest": (0.0, 2.0),
    "tubercle": (0.0, 2.0),
    "fibular_head": (0.0, 2.0),
    "distal_tibia": (0.0, 2.0),
    "distal_fibula": (0.0, 2.0),
    "patella": (0.0, 2.0),
    "tendon": (0.0, 2.0),
    "condyles": (0.0, 2.0),
    "popliteal": (0.0, 2.0),
    "hamstrings": (0.0, 2.0),
    "calf": (0.0, 2.0),
    "scar": (0.0, 2.0),
    "pressed": (0.0, 6.0),
}


def transtibial(limb: Transtibial | None = None) -> SyntheticLimb:
    """Make the limb.

    Raises
    ------
    MeshError
        For a parameter outside its bounds.
    """
    limb = limb or Transtibial()
    _checked(limb)
    body = fitted(lambda fit: _body(limb, fit), limb.bulk, limb.taper, limb.length)
    return laid(
        body,
        _marks(limb, body),
        side=limb.side,
        amputation="transtibial",
        length=limb.length,
        ahead="mid-patellar-tendon",
        edge_mm=limb.edge_mm,
        noise_mm=limb.noise_mm,
        seed=limb.seed,
    )


def _checked(limb: Transtibial) -> None:
    for name, (low, high) in BOUNDS.items():
        value = getattr(limb, name)
        if not low <= value <= high:
            raise MeshError(f"{name} is out of bounds", wanted=f"{low} to {high}", found=str(value))
    if limb.end not in ENDS:
        raise MeshError("no such end", wanted=", ".join(ENDS), found=limb.end)


def _cut(limb: Transtibial) -> float:
    """The level of the cut tibia's anterior edge: an end pad of 16 mm and the bevel lie below it."""
    return limb.length - float(np.clip(0.2 * limb.length, 26.0, 36.0))


def _body(limb: Transtibial, fit: Fit) -> Body:
    trunk = _trunk(limb, fit)
    features = (*round_the_knee(limb), *behind_the_knee(limb, trunk), *_shank(limb), *_end(limb, trunk))
    bend = np.tan(np.radians(limb.knee_bend))

    def sway(level: Floats) -> Floats:  # the thigh leans back above the joint, softly over some 15 mm
        over = (JOINT - level) / 15.0
        return np.asarray(-bend * 15.0 * np.logaddexp(0.0, over))

    return Body(trunk, features, sway)


def _trunk(limb: Transtibial, fit: Fit) -> Trunk:
    radius = limb.bulk / (2.0 * np.pi) * fit.scale
    shoulder = fit.end - min(ENDS[limb.end] * radius * fit.taper, FLATTEST * limb.length)
    swell = {"bulbous": 0.02}.get(limb.end, 0.0)

    def at(part: float) -> float:  # of the way to the end's beginning
        return part * shoulder

    levels = [-110.0, -80.0, -50.0, -22.0, 0.0, at(0.2), at(0.45), at(0.75), shoulder, fit.end]
    soft = [1.10, 1.06, 1.0, 0.985, 1.0, 1.01, 1.0, 1.0, 1.0, 1.0 + swell]
    fall = [1.0 + (fit.taper - 1.0) * part**1.3 for part in (0.2, 0.45, 0.75)]
    if limb.end == "bulbous":
        fall = [1.0 + (fit.taper - 1.0) * part for part in (-0.35, 0.0, 0.75)]
    share = [*[1.0] * 5, *fall, fit.taper, fit.taper]
    deep = (limb.ellipticity - 1.0) / (limb.ellipticity + 1.0)
    oval = profile([-90, -40, 0, at(0.4), shoulder, fit.end], [0.6 * deep, 0.5 * deep, deep, 0.8 * deep, 0.4 * deep, 0])
    wedge = profile([-90, -40, 0, at(0.4), shoulder, fit.end], [0.02, 0.02, 0.015, 0.03, 0.012, 0])
    square = profile([-90, -35, 0, at(0.4), shoulder, fit.end], [0.0, -0.02, 0.0, 0.006, 0, 0])
    none = np.zeros_like
    return Trunk(
        radius=profile(levels, [radius * a * b for a, b in zip(soft, share, strict=True)]),
        harmonics=((2, oval, none), (3, wedge, none), (4, square, none)),
        centre_x=profile([-60, 0, at(0.5), fit.end], [-1.0, 0.0, 1.0, 1.0], 15.0),
        centre_y=profile([-80, -30, 0, at(0.35), shoulder, fit.end], [4.0, 3.0, 0.0, -5.0, -7.0, -10.0], 12.0),
        top=lambda angle: np.full_like(angle, -limb.above),
        shoulder=shoulder,
        end=fit.end,
    )


def round_the_knee(limb: Transtibial) -> list[Dome | Ridge]:
    """Patella, tendon, tubercle and the condyles."""
    p, t, c = limb.patella, limb.tendon, limb.condyles
    return [
        Dome(-43, 0, 15, 16, 8.0 * p, 1.5),
        Dome(-40, -52, 20, 8, -3.0 * p),  # the grooves beside the patella
        Dome(-42, 50, 20, 8, -3.0 * p),
        Dome(-76, 2, 9, 20, -2.0 * p),  # above it
        Dome(-88, -48, 18, 16, 3.0 * c),  # inner thigh muscle
        Ridge(((-24, 0, 3.0 * t), (0, 0, 4.0 * t), (16, 3, 3.0 * t), (30, 4, 0.0)), 9.0),
        Dome(-10, -34, 11, 9, -3.5 * t),  # the soft hollows beside the tendon
        Dome(-9, 34, 11, 9, -3.0 * t),
        Dome(-4, -17, 14, 11, -limb.pressed, turned=-20.0),
        Dome(-4, 17, 14, 11, -limb.pressed, turned=20.0),
        Dome(21, 5, 8, 9, 5.0 * limb.tubercle, 1.2),
        Dome(-32, -92, 19, 22, 4.5 * c, 1.2),
        Dome(-32, 88, 18, 20, 3.5 * c, 1.2),
        Dome(12, -60, 12, 22, 4.0 * c),  # medial tibial condyle and flare
        Dome(2, 52, 10, 13, 3.0 * c),  # lateral tibial condyle
    ]


def behind_the_knee(limb: Transtibial, trunk: Trunk) -> list[Dome | Ridge]:
    """Popliteal hollow, hamstring tendons, calf."""
    grow = float(trunk.radius(np.zeros(1))[0]) / AVERAGE_RADIUS
    p, h, calf = limb.popliteal * grow, limb.hamstrings, limb.calf * grow
    crease = min(1.0, limb.knee_bend / 10.0) * limb.popliteal

    def at(part: float) -> float:  # of the way to the end's beginning
        return part * trunk.shoulder

    return [
        Dome(-28, 180, 32, 19, -8.0 * p),
        Dome(2, 180, 16, 30, -1.5 * limb.pressed, 1.3),
        Ridge(((-14, 142, 0.0), (-15, 160, -1.6 * crease), (-15, 200, -1.6 * crease), (-13, 218, 0.0)), 3.2),
        Ridge(((-140, 212, 6.0 * h), (-40, 216, 6.0 * h), (-15, 220, 4.5 * h), (14, 230, 0.0)), 6.5),
        Ridge(((-140, 148, 5.5 * h), (-40, 142, 5.5 * h), (-15, 134, 4.0 * h), (6, 124, 0.0)), 6.5),
        Dome(at(0.50), 218, 0.27 * trunk.shoulder, 20, 6.0 * calf, 1.2),
        Dome(at(0.40), 146, 0.25 * trunk.shoulder, 18, 4.5 * calf, 1.2),
        Ridge(((at(0.12), 180, 0.0), (at(0.4), 182, -2.2 * calf), (at(0.8), 182, 0.0)), 8.0),
    ]


def _shank(limb: Transtibial) -> list[Dome | Ridge]:
    """Crest, the flat medial face of the tibia, the muscle beside it, the fibula."""
    cut, c, f = _cut(limb), limb.crest, limb.fibular_head
    neck = min(38.0, 0.5 * cut)
    fibula = cut - 18.0
    mid = 0.5 * (24.0 + cut)
    face = Ridge(((26, -46, 0.0), (46, -44, -2.4 * c), (cut - 12, -42, -2.4 * c), (cut + 10, -42, 0.0)), 14.0)
    groove = Ridge(((30, 28, 0.0), (mid, 25, -1.4 * c), (cut - 16, 28, -1.8 * c), (cut + 4, 28, 0.0)), 9.0)
    return [
        _crest(limb),
        face,
        groove,
        Dome(0.45 * cut, 48, 0.28 * cut, 16, 1.5 * limb.calf),  # muscle in front of the fibula
        Dome(14, 113, 9, 10, 5.5 * f, 1.15),
        Dome(neck, 108, 9, 11, -2.0 * f),
        Ridge(((neck + 12, 102, 0.0), (0.5 * (neck + fibula), 98, 0.8 * f), (fibula, 96, 1.2 * f)), 7.0),
    ]


def _crest(limb: Transtibial) -> Ridge:
    """The sharp front edge of the tibia, from tubercle to cut end, bowed a little to the medial side."""
    cut, c = _cut(limb), limb.crest
    path = (
        (24, 4, 1.5 * c),
        (36, 2, 3.2 * c),
        (0.5 * (24 + cut), -3, 3.4 * c),
        (cut - 4, -2, 3.2 * c),
        (cut + 8, -2, 0.0),
    )
    return Ridge(path, 4.8)


def _end(limb: Transtibial, trunk: Trunk) -> list[Dome | Ridge]:
    """Cut bones, the scar, and what the end is like."""
    cut, bone = _cut(limb), limb.distal_tibia
    fibula = cut - 12.0
    below = cut + 0.55 * (trunk.end - cut)
    features: list[Dome | Ridge] = [
        Dome(cut - 1.0, -2, 8, 9, 3.0 * bone, 1.15),
        Dome(below, 0, 9, 18, -0.8 * bone),  # under the bevel
        Dome(fibula, 96, 9, 9, 3.0 * limb.distal_fibula, 1.1),
    ]
    if limb.end == "redundant":
        brow = trunk.shoulder - 4.0
        features += [
            Ridge(((brow, 112, 0.0), (brow + 3, 150, -5.0), (brow + 3, 210, -5.0), (brow, 248, 0.0)), 5.5),
            Dome(trunk.shoulder + 16, 180, 15, 34, 7.0, 1.2),
            Dome(trunk.shoulder + 16, 88, 9, 11, 6.5),
            Dome(trunk.shoulder + 16, -92, 9, 11, 6.5),
        ]
    if limb.scar:
        features.append(_scar(limb, trunk))
    return features


def _scar(limb: Transtibial, trunk: Trunk) -> Ridge:
    """The closed cut: a shallow line across the front of the end, below the tibia."""
    low = trunk.shoulder + 0.72 * (trunk.end - trunk.shoulder)
    side = trunk.shoulder + 0.5 * (trunk.end - trunk.shoulder)
    s = -1.0 * limb.scar
    return Ridge(((side, -86, 0.0), (side + 2, -68, s), (low, -6, s), (side + 2, 68, s), (side, 86, 0.0)), 2.4)


def _marks(limb: Transtibial, body: Body) -> dict[str, Points]:
    """Landmarks of the right limb in the body's own axes."""
    cut, crest = _cut(limb), _crest(limb)
    neck = min(38.0, 0.5 * cut)
    along = np.linspace(36.0, cut - 10.0, 4)
    places = {
        "patella-apex": (-21, 0),
        "patella-centre": (-43, 0),
        "mid-patellar-tendon": (0, 0),
        "tibial-tubercle": (21, 5),
        "medial-joint-line": (JOINT, -80),
        "medial-tibial-flare": (18, -60),
        "fibular-head": (14, 113),
        "fibular-neck": (neck, 108),
        "distal-tibia": (cut, -2),
        "distal-fibula": (cut - 12.0, 96),
        "medial-hamstring": (-20, 219),
        "lateral-hamstring": (-20, 136),
        "popliteal": (0, 180),
        "medial-condyle": (-32, -92),
        "lateral-condyle": (-32, 88),
    }
    marks = {name: body.at(*place) for name, place in places.items()}
    marks["popliteal-crease"] = np.array([body.at(-15.0, angle) for angle in (162.0, 180.0, 198.0)])
    if limb.distal_fibula == 0:
        del marks["distal-fibula"]
    if limb.scar:
        scar = _scar(limb, body.trunk)
        marks["mark-scar"] = np.array([body.at(*scar.across(angle)) for angle in (-60.0, -30.0, 0.0, 30.0, 60.0)])
    marks["tibial-crest"] = np.array([body.at(*crest.spot(float(level))) for level in along])
    marks["distal-end"] = lowest(body)
    return marks
