"""Limbs made by formula: shapes with closed forms, parametric residual limbs, and the demo cases."""

from __future__ import annotations

from rectify.synthetic.lattice import mirrored
from rectify.synthetic.shapes import bent_tube, capped_cone, capsule, cone, elliptic_capsule, sphere, tube

__all__ = ["bent_tube", "capped_cone", "capsule", "cone", "elliptic_capsule", "mirrored", "sphere", "tube"]
