"""A mesh as the bytes of a file, for the demo cases: binary STL and binary PLY, float32, little-endian.

The same mesh gives the same bytes; nothing dated or named goes in. Reading, checking and every other format
are not done here.
"""

from __future__ import annotations

import numpy as np

from rectify.geometry.mesh import Mesh

__all__ = ["ply_bytes", "stl_bytes"]

HEADER = b"rectify demo limb".ljust(80)  # must not begin with `solid`: readers take that for the text format


def stl_bytes(mesh: Mesh) -> bytes:
    """Binary STL: 80 bytes of header, the number of faces, 50 bytes a face."""
    corners = mesh.vertices.astype("<f4")[mesh.faces]
    edges = corners.astype(np.float64)
    normal = np.cross(edges[:, 1] - edges[:, 0], edges[:, 2] - edges[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), np.finfo(np.float64).tiny)
    faces = np.zeros(len(corners), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
    faces["normal"], faces["corners"] = normal, corners
    return HEADER + np.array(len(faces), dtype="<u4").tobytes() + faces.tobytes()


def ply_bytes(mesh: Mesh) -> bytes:
    """Binary PLY with positions and triangles."""
    header = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(mesh.vertices)}\nproperty float x\nproperty float y\nproperty float z\n"
        f"element face {len(mesh.faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    faces = np.zeros(len(mesh.faces), dtype=[("count", "u1"), ("corners", "<i4", 3)])
    faces["count"], faces["corners"] = 3, mesh.faces
    return header.encode("ascii") + mesh.vertices.astype("<f4").tobytes() + faces.tobytes()
