"""Limbs made by formula: shapes with closed forms, parametric residual limbs, and the demo cases."""

from __future__ import annotations

from rectify.synthetic.ankle import AnkleDisarticulation, ankle_disarticulation
from rectify.synthetic.arm import Transhumeral, transhumeral
from rectify.synthetic.cases import CASES, DemoCase
from rectify.synthetic.demo import case_files, write_demo
from rectify.synthetic.forearm import Transradial, transradial
from rectify.synthetic.knee import KneeDisarticulation, knee_disarticulation
from rectify.synthetic.lattice import mirrored
from rectify.synthetic.leg import Transtibial, transtibial
from rectify.synthetic.limb import SyntheticLimb
from rectify.synthetic.shapes import bent_tube, capped_cone, capsule, cone, elliptic_capsule, sphere, tube
from rectify.synthetic.thigh import Transfemoral, transfemoral

__all__ = [
    "CASES",
    "AnkleDisarticulation",
    "DemoCase",
    "KneeDisarticulation",
    "SyntheticLimb",
    "Transfemoral",
    "Transhumeral",
    "Transradial",
    "Transtibial",
    "ankle_disarticulation",
    "bent_tube",
    "capped_cone",
    "capsule",
    "case_files",
    "cone",
    "elliptic_capsule",
    "knee_disarticulation",
    "mirrored",
    "sphere",
    "transfemoral",
    "transhumeral",
    "transradial",
    "transtibial",
    "tube",
    "write_demo",
]
