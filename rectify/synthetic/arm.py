"""A transhumeral residual limb by formula, from over the shoulder on the outer side to the rounded end.

The origin is the acromion; the open edge runs from above it down into the armpit, so the upper sections are open.
Girths and lengths follow the intact arm of Gordon CC et al. (2012) Anthropometric Survey of U.S. Army Personnel,
NATICK/TR-15/007, summary of the public data: biceps 306 to 358 mm flexed, acromion to elbow 311 to 335 mm, before the
wasting of a residual limb. Where the armpit lies, how far anything stands out, and every half width: common practice,
no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.geometry.mesh import Floats, Points
from rectify.synthetic.body import Body, Dome, Ridge, Trunk, profile
from rectify.synthetic.limb import Fit, SyntheticLimb, fitted, inside_bounds, laid, lowest

__all__ = ["Transhumeral", "transhumeral"]

OVER = 12.0  # mm: the capture reaches so far above the acromion
AXILLA = 104.0  # mm, level of the open edge in the armpit
TAPE = 132.0  # mm, the level of the tape: below the armpit
ROUND = 0.85  # how deep the rounded end is, as a share of the radius where it begins


@dataclass(frozen=True)
class Transhumeral:
    """What a transhumeral limb is like.

    Parameters
    ----------
    side : 'right' | 'left'
    length : mm, from the acromion to the distal end, 190 to 310
    bulk : mm, the tape 132 mm below the acromion, 240 to 400
    taper : the tape where the end begins over that, 0.7 to 1.05
    deltoid, groove, acromion, humerus, scar : of the usual prominence, 0 to 2
    edge_mm : the mesh's edge length
    noise_mm, seed : scanner noise, standard deviation along the normal
    """

    side: str = "right"
    length: float = 262.0
    bulk: float = 308.0
    taper: float = 0.88
    deltoid: float = 1.0
    groove: float = 1.0
    acromion: float = 1.0
    humerus: float = 1.0
    scar: float = 1.0
    edge_mm: float = 3.4
    noise_mm: float = 0.0
    seed: int = 0


BOUNDS = {
    "length": (190.0, 310.0),
    "bulk": (240.0, 400.0),
    "taper": (0.7, 1.05),
    "deltoid": (0.0, 2.0),
    "groove": (0.0, 2.0),
    "acromion": (0.0, 2.0),
    "humerus": (0.0, 2.0),
    "scar": (0.0, 2.0),
    "noise_mm": (0.0, 2.0),
}


def transhumeral(limb: Transhumeral | None = None) -> SyntheticLimb:
    """Make the limb.

    Raises
    ------
    MeshError
        For a parameter outside its bounds.
    """
    limb = limb or Transhumeral()
    inside_bounds(limb, BOUNDS)
    body = fitted(lambda fit: _body(limb, fit), limb.bulk, limb.taper, limb.length, at=TAPE)
    low = AXILLA + 8.0
    return laid(
        body,
        _marks(limb, body),
        side=limb.side,
        amputation="transhumeral",
        length=limb.length,
        ahead="anterior-arm",
        edge_mm=limb.edge_mm,
        noise_mm=limb.noise_mm,
        seed=limb.seed,
        span=(low, max(0.7 * limb.length, low + 0.4 * (limb.length - low))),
        at=TAPE,
    )


def _cut(limb: Transhumeral) -> float:
    """The level of the cut humerus."""
    return limb.length - 24.0


def _body(limb: Transhumeral, fit: Fit) -> Body:
    trunk = _trunk(limb, fit)
    return Body(trunk, (*_shoulder(limb), *_arm(limb, trunk)))


def _trunk(limb: Transhumeral, fit: Fit) -> Trunk:
    radius = limb.bulk / (2.0 * np.pi) * fit.scale
    shoulder = fit.end - min(ROUND * radius * fit.taper, 0.3 * limb.length)
    levels = [-30.0, 0.0, 40.0, 80.0, 110.0, TAPE, 0.5 * (TAPE + shoulder), shoulder, fit.end]
    mid = 1.0 + 0.4 * (fit.taper - 1.0)
    # towards the top the trunk closes over the shoulder on the outer side; the inner side is open there
    shares = [0.78, 0.92, 1.08, 1.08, 1.03, 1.0, mid, fit.taper, fit.taper]
    turn = [-10, 40, 90, 140, shoulder, fit.end]
    none = np.zeros_like
    return Trunk(
        radius=profile(levels, [radius * share for share in shares], 10.0),
        harmonics=((2, profile(turn, [0.0, 0.05, 0.06, 0.03, 0.01, 0.0], 12.0), none),),
        centre_x=profile([0, 60, 110, TAPE, shoulder, fit.end], [-8.0, -2.0, 0.0, 0.0, 0.0, 0.0], 12.0),
        centre_y=profile([0, 60, 110, shoulder, fit.end], [0.0, 0.0, 0.0, 0.0, 1.0], 12.0),
        top=_edge,
        shoulder=shoulder,
        end=fit.end,
    )


def _edge(angle: Floats) -> Floats:
    """The level of the open edge: over the shoulder on the outer side, down into the armpit on the inner one."""
    inner = ((1.0 - np.sin(angle)) / 2.0) ** 1.4  # 0 lateral, 1 medial
    return np.asarray(-OVER + (AXILLA + OVER) * inner)


def _shoulder(limb: Transhumeral) -> list[Dome | Ridge]:
    """The deltoid, the groove in front of it, the edge of the acromion, the folds of the armpit."""
    d, g = limb.deltoid, limb.groove
    return [
        Dome(52, 84, 40, 30, 8.0 * d, 1.3),
        Dome(0, 92, 7, 13, 3.0 * limb.acromion, 1.2),
        Ridge(((30, 2, 0.0), (50, 8, -3.0 * g), (85, 22, -3.0 * g), (112, 40, 0.0)), 7.0),
        Ridge(((66, -38, 4.0), (95, -52, 4.0), (125, -60, 0.0)), 10.0),  # the front fold
        Ridge(((70, 222, 4.0), (98, 234, 4.0), (128, 240, 0.0)), 10.0),
        Dome(112, 92, 22, 12, -3.0 * d),  # where the deltoid ends
    ]


def _arm(limb: Transhumeral, trunk: Trunk) -> list[Dome | Ridge]:
    """Biceps and triceps, the cut humerus, the scar."""
    cut, s, end = _cut(limb), trunk.shoulder, trunk.end
    side, low = s + 0.55 * (end - s), s + 0.9 * (end - s)
    scar = -1.0 * limb.scar
    return [
        Dome(0.72 * s, 2, 0.22 * s, 24, 4.5, 1.2),
        Dome(0.70 * s, 178, 0.24 * s, 26, 4.0, 1.2),
        Ridge(((0.6 * s, -86, 0.0), (0.75 * s, -88, -2.0), (0.95 * s, -90, 0.0)), 7.0),
        Ridge(((0.66 * s, 90, 0.0), (0.8 * s, 88, -1.5), (0.95 * s, 86, 0.0)), 7.0),
        Dome(cut, 60, 11, 12, 3.5 * limb.humerus, 1.15),
        Ridge(
            (
                (side, -88, 0.0),
                (side + 3, -84, scar),
                (low, -50, scar),
                (low, 50, scar),
                (side + 3, 84, scar),
                (side, 88, 0.0),
            ),
            2.4,
        ),
    ]


def _marks(limb: Transhumeral, body: Body) -> dict[str, Points]:
    """Landmarks of the right limb in the body's own axes."""
    places = {
        "acromion": (0.0, 92.0),
        "axilla": (AXILLA + 3.0, -90.0),
        "anterior-arm": (TAPE, 0.0),
        "distal-humerus": (_cut(limb), 60.0),
    }
    marks = {name: body.at(*place) for name, place in places.items()}
    groove = [(60.0, 12.0), (75.0, 18.0), (90.0, 24.0)]
    marks["deltopectoral-groove"] = np.array([body.at(*place) for place in groove])
    marks["distal-end"] = lowest(body)
    return marks
