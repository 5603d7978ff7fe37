"""A transradial residual limb by formula, from above the elbow to the rounded end.

The origin is the tip of the elbow; anterior is the side of the fold, lateral the side of the thumb. Girths and lengths
follow the intact arm of Gordon CC et al. (2012) Anthropometric Survey of U.S. Army Personnel, NATICK/TR-15/007,
summary of the public data: forearm 264 to 310 mm, wrist 155 to 176 mm, elbow to wrist 241 to 268 mm, all before the
wasting of a residual limb. How far bones stand out, and every half width: common practice, no source. The elbow is
bent a little only: a straight axis serves the forearm, and what lies above a well bent elbow needs another.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.geometry.mesh import Floats, Points
from rectify.synthetic.body import Body, Dome, Ridge, Trunk, profile
from rectify.synthetic.limb import Fit, SyntheticLimb, fitted, inside_bounds, laid, lowest

__all__ = ["Transradial", "transradial"]

JOINT = -4.0  # mm, level of the elbow joint
ROUND = 0.85  # how deep the rounded end is, as a share of the radius where it begins


@dataclass(frozen=True)
class Transradial:
    """What a transradial limb is like.

    Parameters
    ----------
    side : 'right' | 'left'
    length : mm, from the tip of the elbow to the distal end, 90 to 240
    bulk : mm, the tape at the tip of the elbow, 200 to 340
    taper : the tape where the end begins over that, 0.6 to 1.05
    elbow_bend : degrees, 0 to 30
    above : mm, how far the capture reaches above the tip of the elbow, 45 to 90
    olecranon, epicondyles, biceps, muscles, bones, scar : of the usual prominence, 0 to 2
    edge_mm : the mesh's edge length
    noise_mm, seed : scanner noise, standard deviation along the normal
    """

    side: str = "right"
    length: float = 165.0
    bulk: float = 258.0
    taper: float = 0.76
    elbow_bend: float = 25.0
    above: float = 68.0
    olecranon: float = 1.0
    epicondyles: float = 1.0
    biceps: float = 1.0
    muscles: float = 1.0
    bones: float = 1.0
    scar: float = 1.0
    edge_mm: float = 2.6
    noise_mm: float = 0.0
    seed: int = 0


BOUNDS = {
    "length": (90.0, 240.0),
    "bulk": (200.0, 340.0),
    "taper": (0.6, 1.05),
    "elbow_bend": (0.0, 30.0),
    "above": (45.0, 90.0),
    "olecranon": (0.0, 2.0),
    "epicondyles": (0.0, 2.0),
    "biceps": (0.0, 2.0),
    "muscles": (0.0, 2.0),
    "bones": (0.0, 2.0),
    "scar": (0.0, 2.0),
    "noise_mm": (0.0, 2.0),
}


def transradial(limb: Transradial | None = None) -> SyntheticLimb:
    """Make the limb.

    Raises
    ------
    MeshError
        For a parameter outside its bounds.
    """
    limb = limb or Transradial()
    inside_bounds(limb, BOUNDS)
    body = fitted(lambda fit: _body(limb, fit), limb.bulk, limb.taper, limb.length)
    return laid(
        body,
        _marks(limb, body),
        side=limb.side,
        amputation="transradial",
        length=limb.length,
        ahead="cubital-fold",
        edge_mm=limb.edge_mm,
        noise_mm=limb.noise_mm,
        seed=limb.seed,
    )


def _cut(limb: Transradial) -> float:
    """The level of the cut bones: a pad of soft tissue lies below."""
    return limb.length - float(np.clip(0.14 * limb.length, 14.0, 24.0))


def _body(limb: Transradial, fit: Fit) -> Body:
    trunk = _trunk(limb, fit)
    bend = np.tan(np.radians(limb.elbow_bend))

    def sway(level: Floats) -> Floats:  # the upper arm leans forward above the joint, softly over some 14 mm
        over = (JOINT - level) / 14.0
        return np.asarray(bend * 14.0 * np.logaddexp(0.0, over))

    return Body(trunk, (*_elbow(limb), *_forearm(limb, trunk), *_end(limb, trunk)), sway)


def _trunk(limb: Transradial, fit: Fit) -> Trunk:
    radius = limb.bulk / (2.0 * np.pi) * fit.scale
    shoulder = fit.end - min(ROUND * radius * fit.taper, 0.45 * limb.length)

    def at(part: float) -> float:  # of the way to the end's beginning
        return part * shoulder

    levels = [-110.0, -70.0, -40.0, -15.0, 0.0, at(0.25), at(0.5), at(0.78), shoulder, fit.end]
    fall = [1.0 + (fit.taper - 1.0) * part for part in (0.02, 0.35, 0.75)]
    shares = [1.12, 1.06, 0.99, 0.98, 1.0, *fall, fit.taper, fit.taper]
    turn = [-80, -30, 0, at(0.4), shoulder, fit.end]
    none = np.zeros_like
    return Trunk(
        radius=profile(levels, [radius * share for share in shares], 8.0),
        harmonics=(
            (2, profile(turn, [0.03, -0.05, -0.08, -0.05, -0.015, 0.0], 10.0), none),
            (3, profile(turn, [0.0, 0.01, 0.015, 0.0, 0.0, 0.0], 10.0), none),
        ),
        centre_x=profile([-60, 0, at(0.5), fit.end], [-1.0, 0.0, 1.0, 0.0], 12.0),
        centre_y=profile([-80, -20, 0, at(0.4), shoulder, fit.end], [0.0, 0.0, 0.0, 1.0, 0.0, 0.0], 12.0),
        top=lambda angle: np.full_like(angle, -limb.above),
        shoulder=shoulder,
        end=fit.end,
    )


def _elbow(limb: Transradial) -> list[Dome | Ridge]:
    """Olecranon, epicondyles and the groove behind the inner one, the fold, the biceps tendon, the triceps."""
    o, e, b = limb.olecranon, limb.epicondyles, limb.biceps
    return [
        Dome(0, 184, 12, 11, 6.5 * o, 1.25),
        Dome(-26, 176, 12, 17, -2.5 * o),  # the hollow above it
        Dome(-3, -92, 10, 11, 5.5 * e, 1.2),
        Dome(1, 86, 10, 11, 4.0 * e, 1.2),
        Dome(-2, -130, 12, 8, -2.5 * e),  # the groove of the ulnar nerve
        Dome(12, 118, 9, 9, -1.8 * e),  # the hollow beside the head of the radius
        Ridge(((16, -52, 0.0), (20, -25, -2.0 * b), (20, 25, -2.0 * b), (16, 52, 0.0)), 3.4),
        Ridge(((-60, 4, 0.0), (-30, 6, 3.0 * b), (0, 8, 3.5 * b), (14, 10, 2.0 * b), (28, 12, 0.0)), 7.0),
        Dome(-70, 0, 28, 24, 4.0 * b, 1.2),  # the biceps
        Dome(-68, 180, 26, 26, 3.0 * b, 1.2),
    ]


def _forearm(limb: Transradial, trunk: Trunk) -> list[Dome | Ridge]:
    """The muscles of both sides, the border of the ulna behind."""
    m, s, cut = limb.muscles, trunk.shoulder, _cut(limb)
    return [
        Dome(0.3 * s, 58, 0.26 * s, 17, 4.5 * m, 1.2),  # on the side of the thumb
        Dome(0.33 * s, -52, 0.26 * s, 18, 4.0 * m, 1.2),
        Ridge(((0.2 * s, 4, 0.0), (0.35 * s, 2, -1.8 * m), (0.7 * s, 0, 0.0)), 7.0),  # the furrow between them
        Ridge(((14, 186, 2.0), (0.35 * s, 196, 1.8), (0.75 * s, 204, 1.4), (cut + 2, 206, 0.0)), 4.5),
        Ridge(((0.25 * s, 150, 0.0), (0.45 * s, 150, 1.8 * m), (0.8 * s, 150, 0.0)), 9.0),
    ]


def _end(limb: Transradial, trunk: Trunk) -> list[Dome | Ridge]:
    """The two cut bones, the scar across the end."""
    cut, b = _cut(limb), limb.bones
    side = trunk.shoulder + 0.55 * (trunk.end - trunk.shoulder)
    low = trunk.shoulder + 0.9 * (trunk.end - trunk.shoulder)
    s = -1.0 * limb.scar
    return [
        Dome(cut, 64, 8, 8, 2.6 * b, 1.15),
        Dome(cut - 4, 206, 8, 8, 2.6 * b, 1.15),
        Ridge(
            ((side, -88, 0.0), (side + 3, -84, s), (low, -50, s), (low, 50, s), (side + 3, 84, s), (side, 88, 0.0)), 2.4
        ),
    ]


def _marks(limb: Transradial, body: Body) -> dict[str, Points]:
    """Landmarks of the right limb in the body's own axes."""
    cut, s = _cut(limb), body.trunk.shoulder
    places = {
        "olecranon": (0.0, 184.0),
        "medial-epicondyle": (-3.0, -92.0),
        "lateral-epicondyle": (1.0, 86.0),
        "cubital-fold": (20.0, 0.0),
        "biceps-tendon": (10.0, 9.0),
        "ulnar-groove": (-2.0, -130.0),
        "distal-radius": (cut, 64.0),
        "distal-ulna": (cut - 4.0, 206.0),
    }
    marks = {name: body.at(*place) for name, place in places.items()}
    crest = [(20.0, 188.0), (0.35 * s, 196.0), (0.75 * s, 204.0)]
    marks["ulnar-crest"] = np.array([body.at(*place) for place in crest])
    marks["distal-end"] = lowest(body)
    return marks
