"""Closed bodies with closed forms and circles round them, for shells and carving models."""

from __future__ import annotations

import numpy as np

from rectify.geometry.mesh import Mesh, Points
from rectify.synthetic.shapes import capped_cone, capsule, sphere

__all__ = ["capped", "circle", "closed_capsule", "closed_cone", "mirrored", "sphere"]


def circle(radius: float, z: float, spacing: float = 1.0) -> Points:
    """Points of a level circle about the z axis."""
    count = round(2 * np.pi * radius / spacing)
    turn = 2 * np.pi * np.arange(count) / count
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), np.full(count, z)])


def capped(mesh: Mesh) -> Mesh:
    """An open body closed by a fan over its flat top."""
    from rectify.geometry.edges import border_loops

    (loop,) = border_loops(mesh)
    centre = mesh.vertices[loop].mean(axis=0)
    fan = np.stack([np.roll(loop, -1), loop, np.full(len(loop), len(mesh.vertices))], axis=1)
    return Mesh(np.concatenate([mesh.vertices, centre[None]]), np.concatenate([mesh.faces, fan]))


def closed_capsule(radius: float = 50.0, wall: float = 100.0, edge_mm: float = 2.5, proximal: float = 60.0) -> Mesh:
    """A cylinder with a round end below and a flat top."""
    return capped(capsule(radius, wall, edge_mm, proximal))


def closed_cone(top: float = 60.0, end: float = 40.0, wall: float = 100.0, edge_mm: float = 2.5) -> Mesh:
    """A frustum from z = 60 (`top`) to z = -wall (`end`), with a round end and a flat top."""
    return capped(capped_cone(top, end, wall, edge_mm, 60.0))


def mirrored(mesh: Mesh) -> Mesh:
    """The mirror image in x, faces still outward."""
    return Mesh(mesh.vertices * [-1.0, 1.0, 1.0], mesh.faces[:, ::-1])
