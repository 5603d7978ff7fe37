"""The top of a capture: which opening it is, and opening one that a program has closed.

The top is the opening with the largest area. It must be about as wide as the limb, and it must lie across the limb: an
edge that runs down a side is a side that nobody captured.
"""

from __future__ import annotations

import numpy as np

from rectify.capture.sheets import keep_limb, unpinch
from rectify.capture.step import Step, place_of, place_text
from rectify.errors import MeshError
from rectify.geometry.clip import without_unused
from rectify.geometry.edges import border_loops
from rectify.geometry.mesh import Floats, Ints, Mesh, Points
from rectify.geometry.normals import face_areas, face_cross, unit

__all__ = ["check_across", "limb_width", "open_top", "top_loop", "vector_area"]

# the width of a circle as large as the opening, over the limb's width (made limbs, bulbous ones too: 0.80 to 1.03)
_NOT_THE_TOP = 0.6
_SURELY_THE_TOP = 0.78  # between the two it must lie at an end, and no flat lid as large may be there
_AT_AN_END = 0.3  # of the limb's length from its middle; asked of limbs longer than wide only
_LONG = 1.3
_ALONG_SIDE = 0.5  # of the depth below the top: an edge that runs down further leaves a side open (clean tops: 0.1)
_SHALLOW = 0.4  # depth below the opening over its span: less is a shell, not a limb (short wide limbs: 0.8)
_FLAT_MM = 0.05  # all of a lid's vertices lie this near to its plane
_SUPPORT_MM = 0.5  # and the body lies on one side of it, within this and as much again
_LEVEL = np.cos(np.radians(20.0))  # a lid's faces lean no more than this out of its plane, slivers apart
_PLANES = 30


def vector_area(points: Points) -> Floats:
    """(3,) mm²: the area a ring encloses and the direction it faces, by the right-hand rule."""
    away = points - points.mean(axis=0)
    return np.asarray(np.cross(away, np.roll(away, -1, axis=0)).sum(axis=0) / 2)


def top_loop(mesh: Mesh, loops: list[Ints]) -> Ints:
    """The opening at the top: the one with the largest area."""
    return max(loops, key=lambda loop: float(np.linalg.norm(vector_area(mesh.vertices[loop]))))


def limb_width(points: Points) -> float:
    """How wide a limb is, mm: its extent along the second of its three main directions."""
    away = points - points.mean(axis=0)
    axes = np.linalg.eigh(away.T @ away)[1]
    return float(np.sort(np.ptp(away @ axes, axis=0))[1])


def _span(points: Points) -> float:
    """The longest way across a ring, mm, about."""
    away = points - points.mean(axis=0)
    return float(2.0 * np.linalg.norm(away, axis=1).max())


def _open_area(mesh: Mesh) -> tuple[float, bool]:
    """Area of the largest opening, mm² (0 where it cannot be the top), and whether it surely is the top."""
    loops = border_loops(mesh)
    if not loops:
        return 0.0, False
    edge = mesh.vertices[top_loop(mesh, loops)]
    area = float(np.linalg.norm(vector_area(edge)))
    share = 2.0 * np.sqrt(area / np.pi) / limb_width(mesh.vertices)
    if share >= _SURELY_THE_TOP:
        return area, True
    return (area if share >= _NOT_THE_TOP and _at_an_end(mesh.vertices, edge) else 0.0), False


def _at_an_end(points: Points, edge: Points) -> bool:
    away = points - points.mean(axis=0)
    axes = np.linalg.eigh(away.T @ away)[1]
    extent = np.ptp(away @ axes, axis=0)
    along = away @ axes[:, int(np.argmax(extent))]
    place = (edge.mean(axis=0) - points.mean(axis=0)) @ axes[:, int(np.argmax(extent))]
    middle, length = (along.max() + along.min()) / 2, float(extent.max())
    return bool(length < _LONG * np.sort(extent)[1] or abs(place - middle) > _AT_AN_END * length)


def open_top(mesh: Mesh) -> tuple[Mesh, list[Step]]:
    """Take a flat lid off a scan that was closed at the top.

    Raises
    ------
    MeshError
        If it is closed and has no flat lid, or a side of the limb is missing.
    """
    opening, surely = _open_area(mesh)
    lid = None if surely else _flat_lid(mesh)
    covered = 0.0 if lid is None else float(face_areas(mesh.vertices, mesh.faces[lid]).sum())
    if opening > covered:
        check_across(mesh)
        return mesh, []
    if lid is not None:
        kept = np.ones(len(mesh.faces), dtype=bool)
        kept[lid] = False
        out = without_unused(Mesh(mesh.vertices, mesh.faces[kept], mesh.colours))[0]
        out, more = keep_limb(out)
        out, _ = unpinch(out)
        if _open_area(out)[0]:
            check_across(out)
            place = mesh.vertices[np.unique(mesh.faces[lid])].mean(axis=0)
            message = f"the flat lid that closed the top, {covered:.0f} mm² near {place_text(place)}, was taken off"
            return out, [Step("lid-removed", message, area_mm2=covered, place=place_of(place)), *more]
    loops = border_loops(mesh)
    found = "no opening and no flat lid"
    if loops:
        hole = mesh.vertices[top_loop(mesh, loops)]
        found = f"no flat lid, and openings of at most {_span(hole):.0f} mm, near {place_text(hole.mean(axis=0))}"
    raise MeshError(
        "the scan is closed at the top",
        wanted=f"an opening about as wide as the limb ({limb_width(mesh.vertices):.0f} mm), or a flat lid on it",
        found=found,
        hint="cut the top open where the capture ended, or say `trim` in the case: {at: LANDMARK, proximal: 60 mm}",
    )


def check_across(mesh: Mesh) -> None:
    """Refuse a limb with a side missing.

    Raises
    ------
    MeshError
        Where the edge runs down, and how far.
    """
    edge = mesh.vertices[top_loop(mesh, border_loops(mesh))]
    area = vector_area(edge)
    across = area / max(float(np.linalg.norm(area)), 1e-300)
    down, all_down = (edge - edge.mean(axis=0)) @ across, (mesh.vertices - edge.mean(axis=0)) @ across
    if all_down.max() < -all_down.min():
        down, all_down = -down, -all_down
    depth, along = float(all_down.max() - down.min()), float(np.ptp(down))
    if along <= _ALONG_SIDE * depth and depth >= _SHALLOW * _span(edge):
        return
    place = place_text(edge[int(np.argmax(down))])
    raise MeshError(
        "a side of the limb was not captured",
        wanted="one open edge, across the limb",
        found=f"an edge {_span(edge):.0f} mm long that runs down {along:.0f} mm of {depth:.0f} mm, to {place}",
        hint="scan again from all sides",
    )


def _hull_planes(points: Points) -> Floats:
    """(k, 4): normals and distances of the planes with the most area on the convex hull, the largest first.

    The hull comes in triangles, many to a plane: those of about one direction and distance count together.
    """
    from scipy.spatial import ConvexHull

    hull = ConvexHull(points)
    corner = points[hull.simplices]
    size = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    alike = np.round(hull.equations * np.array([50.0, 50.0, 50.0, 0.5])).astype(np.int64)
    _, group = np.unique(alike, axis=0, return_inverse=True)
    total = np.bincount(group.ravel(), weights=size)
    largest = np.lexsort((-size, group.ravel()))
    first = largest[np.r_[True, np.diff(group.ravel()[largest]) > 0]]
    return np.asarray(hull.equations[first[np.argsort(-total, kind="stable")[:_PLANES]]])


def _flat_lid(mesh: Mesh) -> Ints | None:
    """Faces of the largest plane that the whole body lies on one side of.

    Such a plane is a facet of the convex hull, or nearly, where a rough rim stands over it; so the largest facets are
    tried, each fitted to the faces that lie about it.
    """
    v = mesh.vertices - mesh.vertices.mean(axis=0)
    tried = _hull_planes(v)
    area = face_areas(mesh.vertices, mesh.faces)
    best: Ints | None = None
    best_area = 0.0
    cross = face_cross(v, mesh.faces)
    facing = unit(cross)
    for facet in tried:
        normal, height = facet[:3], v @ facet[:3] + facet[3]
        for within in (_SUPPORT_MM, 2 * _FLAT_MM):
            near = (np.abs(height) < within)[mesh.faces].all(axis=1) & (np.abs(facing @ normal) > _LEVEL)
            if not near.any():
                break
            total = (cross[near] * np.sign(cross[near] @ normal)[:, None]).sum(axis=0)
            normal = total / np.linalg.norm(total)
            height = v @ normal
            height = height - np.average(height[mesh.faces[near]].mean(axis=1), weights=area[near])
        on = (np.abs(height) < _FLAT_MM)[mesh.faces].all(axis=1)
        if height.max() < 2 * _SUPPORT_MM and area[on].sum() > best_area:
            best, best_area = np.flatnonzero(on), float(area[on].sum())
    return best
