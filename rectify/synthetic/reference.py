"""A limb of average build for each amputation: what a rulebook is tried and compared on where no case is given."""

from __future__ import annotations

from rectify.synthetic.ankle import AnkleDisarticulation, ankle_disarticulation
from rectify.synthetic.arm import Transhumeral, transhumeral
from rectify.synthetic.forearm import Transradial, transradial
from rectify.synthetic.knee import KneeDisarticulation, knee_disarticulation
from rectify.synthetic.leg import Transtibial, transtibial
from rectify.synthetic.limb import SyntheticLimb
from rectify.synthetic.thigh import Transfemoral, transfemoral

__all__ = ["reference_limb"]


def reference_limb(amputation: str) -> SyntheticLimb:
    """The generated limb of an amputation; KeyError where there is no such amputation.

    Meshed coarsely: good for places, radii and measures to some tenths of a mm, not for a shape to be made.
    """
    makers = {
        "transtibial": lambda: transtibial(Transtibial(above=100.0, edge_mm=4.0)),
        "transfemoral": lambda: transfemoral(Transfemoral(rise=110.0, edge_mm=6.0)),  # high enough for a brim
        "knee-disarticulation": lambda: knee_disarticulation(KneeDisarticulation(edge_mm=6.0)),
        "ankle-disarticulation": lambda: ankle_disarticulation(AnkleDisarticulation(edge_mm=5.0)),
        "transradial": lambda: transradial(Transradial(edge_mm=3.5)),
        "transhumeral": lambda: transhumeral(Transhumeral(edge_mm=4.5)),
    }
    return makers[amputation]()
