"""A limb after disarticulation at the knee by formula: the thigh from the groin down to the condyles and the patella.

The origin is the widest condylar level, so the segment lies above it. Girths follow the intact thigh of Gordon CC et
al. (2012) Anthropometric Survey of U.S. Army Personnel, NATICK/TR-15/007, summary of the public data: just above the
patella 401 to 409 mm, at the gluteal fold half as much again, crotch to lateral epicondyle 316 to 354 mm, all before
the wasting of a residual limb. How far bones stand out, and every half width: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.geometry.mesh import Points
from rectify.synthetic.body import Body, Dome, Ridge, Trunk, profile
from rectify.synthetic.limb import Fit, SyntheticLimb, fitted, inside_bounds, laid, lowest, narrowest

__all__ = ["KneeDisarticulation", "knee_disarticulation"]

LENGTH = 36.0  # mm, from the widest condylar level to the distal end
END_FROM = 2.0  # mm below that level the end begins
GROIN = 14.0  # mm: the capture reaches so far above the perineum on the inner side
AXIS = (0.3, 0.7)  # of the thigh: where its axis is laid


@dataclass(frozen=True)
class KneeDisarticulation:
    """What a limb after knee disarticulation is like.

    Parameters
    ----------
    side : 'right' | 'left'
    thigh : mm, from the widest condylar level up to the perineum, 220 to 380
    bulk : mm, the tape over the condyles, 300 to 440
    waist : the tape above the condyles over that, 0.84 to 1.0
    thickness : the tape below the groin over that, 1.2 to 1.7
    condyles, patella, notch, scar : of the usual prominence, 0.3 to 2
    edge_mm : the mesh's edge length
    noise_mm, seed : scanner noise, standard deviation along the normal
    """

    side: str = "right"
    thigh: float = 310.0
    bulk: float = 352.0
    waist: float = 0.94
    thickness: float = 1.42
    condyles: float = 1.0
    patella: float = 1.0
    notch: float = 1.0
    scar: float = 1.0
    edge_mm: float = 4.5
    noise_mm: float = 0.0
    seed: int = 0


BOUNDS = {
    "thigh": (220.0, 380.0),
    "bulk": (300.0, 440.0),
    "waist": (0.84, 1.0),
    "thickness": (1.2, 1.7),
    "condyles": (0.3, 2.0),
    "patella": (0.3, 2.0),
    "notch": (0.0, 2.0),
    "scar": (0.0, 2.0),
    "noise_mm": (0.0, 2.0),
}


def knee_disarticulation(limb: KneeDisarticulation | None = None) -> SyntheticLimb:
    """Make the limb.

    Raises
    ------
    MeshError
        For a parameter outside its bounds.
    """
    limb = limb or KneeDisarticulation()
    inside_bounds(limb, BOUNDS)
    body = fitted(lambda fit: _body(limb, fit), limb.bulk, None, LENGTH)
    edge = limb.thigh + GROIN
    return laid(
        body,
        _marks(limb, body),
        side=limb.side,
        amputation="knee-disarticulation",
        length=LENGTH,
        ahead="patella-centre",
        edge_mm=limb.edge_mm,
        noise_mm=limb.noise_mm,
        seed=limb.seed,
        span=(-AXIS[1] * edge, -AXIS[0] * edge),
    )


def _body(limb: KneeDisarticulation, fit: Fit) -> Body:
    trunk = _trunk(limb, fit)
    return Body(trunk, (*_condyles(limb, trunk), *_patella(limb), *_thigh(limb)))


def _trunk(limb: KneeDisarticulation, fit: Fit) -> Trunk:
    radius = limb.bulk / (2.0 * np.pi) * fit.scale
    waist, thick = limb.waist, limb.thickness
    # the condyles' own domes make the bulb: the trunk below the waist is a little slimmer than the tape over them
    levels = [-limb.thigh - 60, -limb.thigh, -0.6 * limb.thigh, -110.0, -64.0, -22.0, 0.0, 20.0]
    shares = [1.04 * thick, thick, 0.55 * waist + 0.45 * thick, 0.90 * waist + 0.1 * thick, waist, 0.95, 0.93, 0.93]
    turn = [-limb.thigh, -120.0, -60.0, 0.0, fit.end]
    none = np.zeros_like
    return Trunk(
        radius=profile(levels, [radius * share for share in shares], 10.0),
        harmonics=(
            (2, profile(turn, [0.01, 0.02, 0.0, -0.025, -0.02], 12.0), none),
            (3, profile(turn, [0.012, 0.012, 0.01, 0.02, 0.0], 12.0), none),
            (4, profile(turn, [0.0, 0.0, -0.005, -0.02, 0.0], 12.0), none),
        ),
        centre_x=profile([-limb.thigh, 0.0, fit.end], [3.0, 0.0, 0.0], 20.0),
        centre_y=profile([-limb.thigh, -80.0, 0.0, fit.end], [-8.0, -2.0, 0.0, -3.0], 20.0),
        top=lambda angle: -limb.thigh - GROIN - 40.0 * (1.0 + np.sin(angle)) / 2.0,
        shoulder=END_FROM,
        end=fit.end,
    )


def _condyles(limb: KneeDisarticulation, trunk: Trunk) -> list[Dome | Ridge]:
    """The condyles to both sides, below and behind; the notch between them; the prominences above."""
    c, n = limb.condyles, limb.notch
    low = 0.72 * trunk.end
    return [
        Dome(1, -90, 17, 20, 6.5 * c, 1.3),
        Dome(-1, 88, 16, 19, 5.5 * c, 1.3),
        Dome(-24, -94, 9, 11, 2.0 * c, 1.2),  # the medial epicondyle
        Dome(-23, 92, 8, 10, 1.8 * c, 1.2),
        Dome(4, -148, 20, 15, 5.0 * c, 1.3),  # the condyles behind
        Dome(3, 148, 19, 14, 4.5 * c, 1.3),
        Dome(-12, 180, 40, 15, -5.0 * n),  # the hollow between them
        Dome(low, -80, 14, 14, 3.5 * c, 1.2),  # and on the end
        Dome(low, 80, 13, 13, 3.0 * c, 1.2),
        Dome(trunk.end - 0.5, 180, 20, 8, -3.0 * n),
        Ridge(((8, 140, 0.0), (14, 165, -1.0 * limb.scar), (14, 195, -1.0 * limb.scar), (8, 220, 0.0)), 2.6),
    ]


def _patella(limb: KneeDisarticulation) -> list[Dome | Ridge]:
    """The patella in front of the condyles, grooves beside it, the tendon sewn over the end."""
    p = limb.patella
    return [
        Dome(-20, 0, 15, 16, 7.0 * p, 1.6),
        Dome(-18, -44, 18, 8, -2.5 * p),
        Dome(-18, 43, 18, 8, -2.5 * p),
        Dome(-52, 1, 9, 20, -2.0 * p),
        Ridge(((-4, 0, 1.5 * p), (10, 0, 2.0 * p), (24, 0, 0.0)), 8.0),
    ]


def _thigh(limb: KneeDisarticulation) -> list[Dome | Ridge]:
    """Muscles in front, the tendons behind that run out above the condyles, the adductor tendon in the groin."""
    t = limb.thigh
    return [
        Dome(-86, -46, 20, 15, 3.5, 1.2),  # inner muscle above the knee
        Dome(-100, 44, 24, 15, 2.5, 1.2),
        Dome(-0.55 * t, 8, 0.24 * t, 30, 4.0, 1.2),
        Dome(-0.5 * t, 88, 0.3 * t, 22, -3.0),  # the flat outer side
        Ridge(((-0.6 * t, 214, 0.0), (-120, 214, 4.0), (-60, 217, 4.5), (-22, 224, 0.0)), 7.0),
        Ridge(((-0.6 * t, 148, 0.0), (-120, 146, 4.0), (-60, 142, 4.5), (-24, 134, 0.0)), 7.0),
        Ridge(((-t - 40, -46, 6.0), (-t + 10, -54, 6.0), (-t + 60, -66, 3.0), (-t + 100, -76, 0.0)), 9.0),
    ]


def _marks(limb: KneeDisarticulation, body: Body) -> dict[str, Points]:
    """Landmarks of the right limb in the body's own axes."""
    t = limb.thigh
    waist = narrowest(body, -110.0, -30.0)
    places = {
        "perineum": (-t, -92.0),
        "adductor-longus": (-t + 8.0, -54.0),
        "supracondylar-level": (waist, 0.0),
        "condylar-level": (0.0, 0.0),
        "medial-epicondyle": (-24.0, -94.0),
        "lateral-epicondyle": (-23.0, 92.0),
        "medial-condyle": (0.0, -90.0),
        "lateral-condyle": (0.0, 88.0),
        "patella-centre": (-20.0, 0.0),
        "patella-apex": (-2.0, 0.0),
    }
    marks = {name: body.at(*place) for name, place in places.items()}
    marks["distal-end"] = lowest(body)
    return marks
