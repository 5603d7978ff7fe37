"""A transfemoral residual limb by formula, from an oblique edge above the groin to the rounded end.

The origin is the perineum. Girths follow the thigh of Gordon CC et al. (2012) Anthropometric Survey of U.S.
Army Personnel, NATICK/TR-15/007, summary of the public data: at the gluteal fold 616 to 625 mm, just above
the patella 0.65 of that, both before the wasting of a residual limb. Where the trochanter and the ischium
lie, how far anything stands out, and every half width: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.errors import MeshError
from rectify.geometry.mesh import Floats, Points
from rectify.synthetic.body import Body, Dome, Ridge, Trunk, profile
from rectify.synthetic.limb import Fit, SyntheticLimb, fitted, laid, lowest

__all__ = ["ENDS", "Transfemoral", "transfemoral"]

# how deep the rounded end is, as a share of the radius at its shoulder
ENDS = {"round": 0.9, "bulbous": 0.9, "conical": 1.35}
AVERAGE_RADIUS = 86.0  # mm, of a girth of 540 mm
FLATTEST = 0.45  # of the length: a short wide limb ends flatter, so that half of it is wall
TROCHANTER = (-62.0, 104.0)  # level mm, angle degrees
ISCHIUM = (-11.0, -138.0)
MEDIAL_EDGE = -14.0  # level of the open edge on the medial side, in the groin


@dataclass(frozen=True)
class Transfemoral:
    """What a transfemoral limb is like.

    Lengths are mm. The factors from `adductor` to `scar` are of the usual prominence; 0 takes a feature away.

    Parameters
    ----------
    side : 'right' | 'left'
    length : from the perineum to the distal end, 150 to 340
    bulk : the tape at the perineum, 400 to 720
    taper : the tape where the end begins over the tape at the perineum, 0.55 to 1.05
    ellipticity : AP over ML width of the soft body at the perineum, 0.85 to 1.25
    end : 'round' | 'bulbous' | 'conical'
    rise : how much higher the open edge lies laterally than in the groin, 20 to 140; 80 shows all of a
        brimless socket, 110 and more the skin that a seat and a front wall are formed of
    edge_mm : the mesh's edge length
    noise_mm, seed : scanner noise, standard deviation along the normal
    """

    side: str = "right"
    length: float = 240.0
    bulk: float = 540.0
    taper: float = 0.72
    ellipticity: float = 1.04
    end: str = "round"
    rise: float = 80.0
    adductor: float = 1.0
    trochanter: float = 1.0
    gluteal: float = 1.0
    groin: float = 1.0
    femur: float = 1.0
    scar: float = 1.0
    edge_mm: float = 4.0
    noise_mm: float = 0.0
    seed: int = 0


BOUNDS = {
    "length": (150.0, 340.0),
    "bulk": (400.0, 720.0),
    "taper": (0.55, 1.05),
    "ellipticity": (0.85, 1.25),
    "rise": (20.0, 140.0),
    "noise_mm": (0.0, 2.0),
    "adductor": (0.0, 2.0),
    "trochanter": (0.0, 2.0),
    "gluteal": (0.0, 2.0),
    "groin": (0.0, 2.0),
    "femur": (0.0, 2.0),
    "scar": (0.0, 2.0),
}


def transfemoral(limb: Transfemoral | None = None) -> SyntheticLimb:
    """Make the limb.

    Raises
    ------
    MeshError
        For a parameter outside its bounds.
    """
    limb = limb or Transfemoral()
    _checked(limb)
    body = fitted(lambda fit: _body(limb, fit), limb.bulk, limb.taper, limb.length)
    return laid(
        body,
        _marks(limb, body),
        side=limb.side,
        amputation="transfemoral",
        length=limb.length,
        ahead="anterior-thigh",
        edge_mm=limb.edge_mm,
        noise_mm=limb.noise_mm,
        seed=limb.seed,
    )


def _checked(limb: Transfemoral) -> None:
    for name, (low, high) in BOUNDS.items():
        value = getattr(limb, name)
        if not low <= value <= high:
            raise MeshError(f"{name} is out of bounds", wanted=f"{low} to {high}", found=str(value))
    if limb.end not in ENDS:
        raise MeshError("no such end", wanted=", ".join(ENDS), found=limb.end)


def _body(limb: Transfemoral, fit: Fit) -> Body:
    trunk = _trunk(limb, fit)
    return Body(trunk, (*_groin(limb, trunk), *_hip(limb, trunk), *_shaft(limb, trunk)))


def _trunk(limb: Transfemoral, fit: Fit) -> Trunk:
    radius = limb.bulk / (2.0 * np.pi) * fit.scale
    shoulder = fit.end - min(ENDS[limb.end] * radius * fit.taper, FLATTEST * limb.length)

    def at(part: float) -> float:  # of the way to the end's beginning
        return part * shoulder

    levels = [-130.0, -70.0, -20.0, 0.0, at(0.25), at(0.5), at(0.75), shoulder, fit.end]
    fall = [1.0 + (fit.taper - 1.0) * part for part in (0.18, 0.45, 0.74)]
    if limb.end == "bulbous":
        fall = [1.0 + (fit.taper - 1.0) * part for part in (0.3, 0.8, 1.05)]
    share = [1.04, 1.04, 1.02, 1.0, *fall, fit.taper, fit.taper]
    deep = (limb.ellipticity - 1.0) / (limb.ellipticity + 1.0)
    oval = profile([-90, 0, at(0.4), shoulder, fit.end], [deep + 0.02, deep, deep, 0.5 * deep, 0.0], 15.0)
    lean = profile([-90, 0, at(0.4), shoulder, fit.end], [0.02, 0.015, 0.01, 0.0, 0.0], 15.0)
    wedge = profile([-90, 0, at(0.4), shoulder, fit.end], [0.0, 0.0, 0.012, 0.008, 0.0], 15.0)
    side = profile([-90, 0, at(0.4), shoulder, fit.end], [0.0, 0.018, 0.01, 0.0, 0.0], 15.0)
    return Trunk(
        radius=profile(levels, [radius * part for part in share], 14.0),
        harmonics=((2, oval, lean), (3, wedge, side)),
        centre_x=profile([-90, 0, at(0.5), fit.end], [6.0, 0.0, 0.0, 2.0], 20.0),
        centre_y=profile([-90, 0, at(0.5), fit.end], [-10.0, -2.0, 0.0, -2.0], 20.0),
        top=lambda angle: _edge(limb, angle),
        shoulder=shoulder,
        end=fit.end,
    )


def _edge(limb: Transfemoral, angle: Floats) -> Floats:
    """The level of the open edge: low in the groin and rising to the lateral side."""
    across = (1.0 + np.sin(angle)) / 2.0  # 0 medial, 1 lateral
    notch = np.exp(-((np.sin((angle + np.pi / 2.0) / 2.0) / 0.28) ** 2))
    return np.asarray(MEDIAL_EDGE - limb.rise * across - 6.0 * (1.0 - notch))


def _groin(limb: Transfemoral, trunk: Trunk) -> list[Dome | Ridge]:
    """The adductor tendon, the hollow beside it, the roll of the inner thigh, the ischium."""
    a, g = limb.adductor, limb.groin
    reach = min(110.0, 0.6 * trunk.shoulder)
    return [
        Ridge(((-40, -46, 6.5 * a), (5, -54, 6.5 * a), (0.5 * reach, -64, 4.5 * a), (reach, -76, 0.0)), 9.5),
        Dome(-4, -28, 34, 17, -5.0 * g),  # femoral triangle
        Dome(20, -36, 30, 12, -2.5 * a),
        Dome(12, -74, 26, 11, -2.5 * a),  # behind the tendon
        Dome(16, -108, 20, 34, 5.0 * g, 1.2),  # the soft roll of the inner thigh
        Dome(*ISCHIUM, 15, 17, 4.0 * g, 1.2),
    ]


def _hip(limb: Transfemoral, trunk: Trunk) -> list[Dome | Ridge]:
    """Trochanter, buttock and the fold below it."""
    t, b = limb.trochanter, limb.gluteal * float(trunk.radius(np.zeros(1))[0]) / AVERAGE_RADIUS
    return [
        Dome(*TROCHANTER, 22, 20, 7.0 * t, 1.2),
        Dome(-52, 140, 24, 13, -4.0 * t),  # the hollow behind the trochanter
        Dome(-44, 182, 34, 44, 13.0 * b, 1.3),
        Ridge(((2, 150, 0.0), (8, 172, -4.0 * b), (6, 200, -5.0 * b), (0, 226, 0.0)), 8.5),
    ]


def _shaft(limb: Transfemoral, trunk: Trunk) -> list[Dome | Ridge]:
    """Muscles of the thigh, the femur's side and its cut end, the scar."""
    s, f = trunk.shoulder, limb.femur
    low = 0.6 * s + 0.4 * trunk.end
    return [
        Dome(0.5 * s, 12, 0.3 * s, 32, 4.0, 1.2),  # front of the thigh
        Dome(0.45 * s, 88, 0.34 * s, 24, -3.5),  # the flat outer side
        Dome(0.5 * s, 176, 0.28 * s, 30, 3.0, 1.2),  # hamstring muscles
        Dome(low, 48, 13, 15, 5.0 * f, 1.15),  # the cut femur, drawn forward and outward
        _scar(limb, trunk),
    ]


def _scar(limb: Transfemoral, trunk: Trunk) -> Ridge:
    """The closed cut: a shallow line across the end from side to side, a little behind its middle."""
    s = -1.4 * limb.scar
    near, side = trunk.end - 3.0, trunk.shoulder + 0.62 * (trunk.end - trunk.shoulder)
    return Ridge(
        (
            (side, 100, 0.0),
            (side + 8, 102, s),
            (near, 150, s),
            (near, 210, s),
            (side + 8, 258, s),
            (side, 260, 0.0),
        ),
        3.0,
    )


def _marks(limb: Transfemoral, body: Body) -> dict[str, Points]:
    """Landmarks of the right limb in the body's own axes."""
    shoulder, end = body.trunk.shoulder, body.trunk.end
    places = {
        "perineum": (0.0, -92.0),
        "ischial-tuberosity": ISCHIUM,
        "adductor-longus": (5.0, -54.0),
        "anterior-thigh": (0.0, 0.0),
        "femoral-triangle": (-4.0, -28.0),
        "lateral-femoral-shaft": (0.5 * shoulder, 90.0),
        "distal-femur": (0.6 * shoulder + 0.4 * end, 48.0),
    }
    if TROCHANTER[0] > float(_edge(limb, np.radians(np.array([TROCHANTER[1]])))[0]) + 3.0:
        places["greater-trochanter"] = TROCHANTER  # else it lies above the capture's edge
    marks = {name: body.at(*place) for name, place in places.items()}
    marks["gluteal-fold"] = np.array([body.at(*place) for place in ((7.0, 170.0), (7.0, 185.0), (6.0, 200.0))])
    marks["ischial-ramus"] = np.array([body.at(-8.0, angle) for angle in (-128.0, -114.0, -100.0)])
    marks["distal-end"] = lowest(body)
    return marks
