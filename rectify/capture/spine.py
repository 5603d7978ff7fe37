"""A spine for a capture of which nothing is known yet: good enough to tell what cannot cross itself."""

from __future__ import annotations

import numpy as np

from rectify.capture.top import top_loop
from rectify.geometry.crossings import Spine, crossing_faces, inward_faces
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Ints, Mesh
from rectify.geometry.normals import unit

__all__ = ["crossings_of", "guess_spine"]

_ASKED = 5000  # faces, which say together which way all of them point
_BAND = (0.15, 0.50)  # of the way from the tip to the top: past the round end, below a bent joint


def guess_spine(mesh: Mesh, top: Ints) -> Spine:
    """Up from the middle of the vertices towards the opening; the end a mean radius above the tip."""
    v = mesh.vertices
    up = unit(v[top].mean(axis=0) - v.mean(axis=0))
    height = v @ up
    tip, reach = float(height.min()), float(np.ptp(height))
    band = v[(height > tip + _BAND[0] * reach) & (height < tip + _BAND[1] * reach)]
    middle = band.mean(axis=0) if len(band) else v.mean(axis=0)
    across = (band if len(band) else v) - middle
    radius = float(np.median(np.linalg.norm(across - np.outer(across @ up, up), axis=1)))
    return Spine(middle + (tip + radius - middle @ up) * up, up)


def crossings_of(mesh: Mesh) -> Ints:
    """Faces that pass through others, of a mended surface open at the top, whichever way its faces point."""
    loops = border_loops(mesh)
    if not loops:
        return crossing_faces(mesh)
    spine = guess_spine(mesh, top_loop(mesh, loops))
    some = Mesh(mesh.vertices, mesh.faces[:: max(1, len(mesh.faces) // _ASKED)])
    if inward_faces(some, spine).mean() > 0.5:
        mesh = Mesh(mesh.vertices, mesh.faces[:, ::-1])
    return crossing_faces(mesh, spine, loops)
