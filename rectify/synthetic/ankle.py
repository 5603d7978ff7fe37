"""A limb after disarticulation at the ankle by formula: the whole leg from the lower thigh to the heel pad.

Places about the knee are those of `rectify.synthetic.leg`. Girths and lengths follow the intact leg of Gordon CC et al.
(2012) Anthropometric Survey of U.S. Army Personnel, NATICK/TR-15/007, summary of the public data: calf 373 to 392 mm,
ankle 216 to 229 mm, joint to lateral malleolus 375 to 395 mm, all before the wasting of a residual limb. The end is
wider than the leg above it; how much, how far bones stand out, and every half width: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rectify.geometry.mesh import Floats, Points
from rectify.synthetic.body import Body, Dome, Ridge, Trunk, profile
from rectify.synthetic.leg import JOINT, Transtibial, behind_the_knee, round_the_knee
from rectify.synthetic.limb import Fit, SyntheticLimb, fitted, inside_bounds, laid, lowest, narrowest

__all__ = ["AnkleDisarticulation", "ankle_disarticulation"]

PAD = 34.0  # mm, from the malleoli's level to the distal end: their cut remnants and the heel pad


@dataclass(frozen=True)
class AnkleDisarticulation:
    """What a limb after ankle disarticulation is like.

    Parameters
    ----------
    side : 'right' | 'left'
    length : mm, from mid-patellar-tendon to the distal end, 300 to 420
    bulk : mm, the tape at mid-patellar-tendon, 260 to 440
    bulb : the tape where the end begins over that, 0.62 to 0.9
    waist : the smallest tape above the malleoli over that of the bulb, 0.75 to 0.97
    knee_bend : degrees, 0 to 15
    above : mm, how far the capture reaches above mid-patellar-tendon, 50 to 110
    malleoli, heel, crest, calf, scar : of the usual prominence, 0 to 2
    edge_mm : the mesh's edge length
    noise_mm, seed : scanner noise, standard deviation along the normal
    """

    side: str = "right"
    length: float = 362.0
    bulk: float = 336.0
    bulb: float = 0.745
    waist: float = 0.86
    knee_bend: float = 6.0
    above: float = 75.0
    malleoli: float = 1.0
    heel: float = 1.0
    crest: float = 1.0
    calf: float = 1.0
    scar: float = 1.0
    edge_mm: float = 4.0
    noise_mm: float = 0.0
    seed: int = 0


BOUNDS = {
    "length": (300.0, 420.0),
    "bulk": (260.0, 440.0),
    "bulb": (0.62, 0.9),
    "waist": (0.75, 0.97),
    "knee_bend": (0.0, 15.0),
    "above": (50.0, 110.0),
    "malleoli": (0.0, 2.0),
    "heel": (0.0, 2.0),
    "crest": (0.0, 2.0),
    "calf": (0.0, 2.0),
    "scar": (0.0, 2.0),
    "noise_mm": (0.0, 2.0),
}


def ankle_disarticulation(limb: AnkleDisarticulation | None = None) -> SyntheticLimb:
    """Make the limb.

    Raises
    ------
    MeshError
        For a parameter outside its bounds.
    """
    limb = limb or AnkleDisarticulation()
    inside_bounds(limb, BOUNDS)
    body = fitted(lambda fit: _body(limb, fit), limb.bulk, limb.bulb, limb.length)
    return laid(
        body,
        _marks(limb, body),
        side=limb.side,
        amputation="ankle-disarticulation",
        length=limb.length,
        ahead="mid-patellar-tendon",
        edge_mm=limb.edge_mm,
        noise_mm=limb.noise_mm,
        seed=limb.seed,
    )


def _malleoli(limb: AnkleDisarticulation) -> float:
    """The level of the malleoli's remnants."""
    return limb.length - PAD


def _body(limb: AnkleDisarticulation, fit: Fit) -> Body:
    trunk = _trunk(limb, fit)
    knee = Transtibial(length=200.0, bulk=limb.bulk, crest=limb.crest, calf=0.0)
    features = (*round_the_knee(knee), *behind_the_knee(knee, trunk), *_leg(limb), *_end(limb))
    bend = np.tan(np.radians(limb.knee_bend))

    def sway(level: Floats) -> Floats:
        over = (JOINT - level) / 15.0
        return np.asarray(-bend * 15.0 * np.logaddexp(0.0, over))

    return Body(trunk, features, sway)


def _trunk(limb: AnkleDisarticulation, fit: Fit) -> Trunk:
    radius = limb.bulk / (2.0 * np.pi) * fit.scale
    low, bulb = _malleoli(limb), fit.taper
    waist = limb.waist * bulb
    levels = [-110, -80, -50, -22, 0, 0.13 * low, 0.3 * low, 0.5 * low, 0.68 * low, 0.84 * low, low - 6, fit.end]
    mid = waist + 0.45 * (1.02 - waist)
    shares = [1.1, 1.06, 1.0, 0.985, 1.0, 1.01, 1.02, mid + 0.11, 0.5 * (mid + waist), waist, bulb, bulb]
    turn = [-90, -40, 0, 0.3 * low, 0.7 * low, 0.86 * low, low, fit.end]
    none = np.zeros_like
    return Trunk(
        radius=profile(levels, [radius * share for share in shares], 9.0),
        harmonics=(
            (2, profile(turn, [0.03, 0.025, 0.05, 0.035, 0.02, 0.03, -0.01, 0.04], 12.0), none),
            (3, profile(turn, [0.02, 0.02, 0.015, 0.03, 0.02, 0.01, 0.0, 0.0], 12.0), none),
        ),
        centre_x=profile([-60, 0, 0.5 * low, fit.end], [-1.0, 0.0, 1.0, 0.0], 15.0),
        centre_y=profile(
            [-80, -30, 0, 0.3 * low, 0.6 * low, 0.84 * low, low, fit.end],
            [4.0, 3.0, 0.0, 0.0, -4.0, -4.0, -4.0, -6.0],
            12.0,
        ),
        top=lambda angle: np.full_like(angle, -limb.above),
        shoulder=low + 2.0,
        end=fit.end,
    )


def _leg(limb: AnkleDisarticulation) -> list[Dome | Ridge]:
    """The crest down to the ankle, the flat inner face, calf and fibula."""
    low, c, calf = _malleoli(limb), limb.crest, limb.calf
    crest = (
        (24, 4, 1.5 * c),
        (40, 2, 3.2 * c),
        (0.35 * low, -4, 3.2 * c),
        (0.7 * low, -8, 1.6 * c),
        (0.85 * low, -10, 0.0),
    )
    face = ((26, -46, 0.0), (50, -44, -2.2 * c), (0.6 * low, -46, -1.8 * c), (0.8 * low, -50, 0.0))
    return [
        Ridge(crest, 5.2),
        Ridge(face, 14.0),
        Dome(0.2 * low, 44, 0.14 * low, 17, 3.0 * calf, 1.2),  # muscle in front of the fibula
        Dome(0.31 * low, 216, 0.13 * low, 21, 8.0 * calf, 1.2),
        Dome(0.28 * low, 146, 0.12 * low, 19, 6.0 * calf, 1.2),
        Dome(14, 113, 9, 10, 5.5, 1.15),
        Dome(38, 108, 9, 11, -2.0),
        Ridge(((0.62 * low, 182, 0.0), (0.76 * low, 182, 3.5), (0.93 * low, 182, 2.0), (low + 4, 182, 0.0)), 8.0),
        Dome(0.82 * low, 140, 0.08 * low, 8, -2.5),  # the hollows beside the heel tendon
        Dome(0.82 * low, -140, 0.08 * low, 8, -2.5),
    ]


def _end(limb: AnkleDisarticulation) -> list[Dome | Ridge]:
    """What is left of the malleoli, the heel pad under them, the scar in front."""
    low, m, h = _malleoli(limb), limb.malleoli, limb.heel
    scar = -1.2 * limb.scar
    return [
        Dome(low - 4, -86, 11, 11, 4.5 * m, 1.2),
        Dome(low + 1, 98, 11, 10, 4.5 * m, 1.2),
        Dome(low + 10, 180, 16, 24, 4.0 * h, 1.3),  # the pad, fuller behind
        Dome(low + 14, 0, 12, 20, 2.0 * h, 1.2),
        Ridge(((low, -70, 0.0), (low + 8, -45, scar), (low + 10, 0, scar), (low + 8, 45, scar), (low, 70, 0.0)), 2.6),
    ]


def _marks(limb: AnkleDisarticulation, body: Body) -> dict[str, Points]:
    """Landmarks of the right limb in the body's own axes."""
    low = _malleoli(limb)
    waist = narrowest(body, 0.6 * low, low - 10.0)
    places = {
        "patella-apex": (-21, 0),
        "patella-centre": (-43, 0),
        "mid-patellar-tendon": (0, 0),
        "tibial-tubercle": (21, 5),
        "medial-joint-line": (JOINT, -80),
        "medial-tibial-flare": (18, -60),
        "fibular-head": (14, 113),
        "fibular-neck": (38, 108),
        "medial-hamstring": (-20, 219),
        "lateral-hamstring": (-20, 136),
        "popliteal": (0, 180),
        "medial-condyle": (-32, -92),
        "lateral-condyle": (-32, 88),
        "supramalleolar-level": (waist, 0),
        "malleolar-level": (low, 0),
        "medial-malleolus": (low - 4, -86),
        "lateral-malleolus": (low + 1, 98),
    }
    marks = {name: body.at(*place) for name, place in places.items()}
    crest = [(40.0, 2.0), (0.35 * low, -4.0), (0.55 * low, -6.0), (0.78 * low, -9.0)]
    marks["tibial-crest"] = np.array([body.at(*place) for place in crest])
    marks["heel-pad"] = lowest(body)
    marks["distal-end"] = lowest(body)
    return marks
