"""Surfaces: arrays in, arrays out; nothing here has heard of a limb."""

from rectify.geometry.mesh import Mesh

__all__ = ["Mesh"]
